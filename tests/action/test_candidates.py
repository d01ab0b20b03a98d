"""What each candidate promises: against closed forms, and against making the cut many times."""

import numpy as np
import pandas as pd
import pytest
import shapes
from scipy.special import ndtr

from probekit.action import suggest
from probekit.action.promise import promise
from probekit.deviation import project
from probekit.tolerance import profile
from probekit.uncertainty import Scatter
from probekit.verdict import classify, proved

BOX, N, U, CUTTER = shapes.box(), 60, 0.003, 0.005
ON, NORMALS = shapes.sample_box(BOX, N, np.random.default_rng(0))


def judged(true: np.ndarray, seed: int = 0, width: float = 0.2, u: float = U):
    noise = np.random.default_rng(seed).normal(scale=u, size=N)
    table = pd.DataFrame({"touch": np.arange(N), "feature": "x"})
    table[["x", "y", "z"]] = ON + NORMALS * np.reshape(true + noise, (-1, 1))
    found = project(table, BOX, stylus=0.0)
    return classify(found, profile(found, width, name="skin"), u=u, rule=proved())


def offered(true: np.ndarray, **more: object) -> pd.DataFrame:
    return suggest(judged(true, **more), BOX).candidates.set_index("candidate")


def spike(**at: float) -> np.ndarray:
    out = np.zeros(N)
    for name, value in at.items():
        out[int(name[1:])] = value
    return out


def test_a_good_part_has_no_candidates():
    assert len(offered(np.zeros(N))) == 0


def test_nothing_has_the_bounds_of_the_verdict():
    verdict = judged(spike(t5=0.15))
    row, found = verdict.tolerances.iloc[0], suggest(verdict, BOX).candidates.set_index("candidate").loc["nothing"]
    assert found[["predicted", "low", "high"]].tolist() == pytest.approx(row[["actual", "low", "high"]].tolist())
    assert found["word"] == row["word"] == "does not conform"


def test_a_recut_is_never_perfect():
    """What a next inspection reads has cutter and noise in it: made 4000 times, its mean and its chance are as told."""
    table = offered(0.13 * np.ones(N), width=0.03)
    told = table.loc["re-cut here"]
    rng = np.random.default_rng(5)
    made = 2 * np.abs(rng.normal(scale=np.hypot(CUTTER, U), size=(4000, N))).max(axis=1)
    assert told["predicted"] == pytest.approx(made.mean(), rel=0.02)
    assert told["predicted"] > 0.025
    together = float((2 * ndtr(0.015 / np.hypot(CUTTER, U)) - 1) ** N)  # closed form: all places within, independent
    assert told["p_conform"] == pytest.approx(together, abs=0.03)
    assert told["word"] == "undecided"


def test_signs_and_frame_of_a_work_offset():
    """Faces displaced by (+0.15, 0, 0): the offset goes back by it, in the part frame."""
    table = offered(NORMALS @ [0.15, 0.0, 0.0])
    how = table.loc["work offset", "how"]
    assert how.startswith("by (-0.1")
    shift = [float(v) for v in how.split("(")[1].split(")")[0].split(",")]
    assert shift == pytest.approx([-0.15, 0, 0], abs=0.003)
    assert how.endswith("in the part frame")
    assert table.loc["work offset", "word"] == "conforms"
    assert table.loc["nothing", "word"] == "does not conform"


@pytest.mark.parametrize(("offset", "whom"), [(0.12, "this part"), (-0.12, "the next part")])
def test_tool_offset(offset, whom):
    """Material left all over: the entry goes down, on this part; material missing: up, for the next one."""
    row = offered(np.full(N, offset)).loc["tool offset"]
    assert float(row["how"].split()[0]) == pytest.approx(-offset, abs=0.002)
    assert row["how"].endswith(whom)
    assert row["word"] == "conforms"


def test_touch_again_and_concession():
    table = offered(spike(t7=0.096))
    assert table.loc["nothing", "word"] == "undecided"
    assert table.loc["touch again", "how"] == "1 touch, 4 times"
    assert table.loc["touch again", "high"] < table.loc["nothing", "high"]
    assert table.loc["touch again", "p_conform"] > table.loc["nothing", "p_conform"]
    assert table.loc["concession", "high"] == table.loc["nothing", "high"]


def test_the_chance_agrees_with_the_bound():
    """One touch, 2 u inside: conforms with Phi(2), and the upper bound of 97.7 % is the limit."""
    verdict = judged(spike(t7=0.08))
    one, scatter = verdict.evaluations[0], Scatter.independent(np.full(N, U))
    off = np.zeros(N)
    off[7] = 0.1 - 2 * U
    found = promise(one, scatter, off, level=float(ndtr(2.0)))
    assert found.p_conform == pytest.approx(ndtr(2.0), abs=1e-9)
    assert found.high == pytest.approx(one.width, abs=1e-9)


def test_promises_are_sentences_with_value_bounds_and_chance():
    action = suggest(judged(np.full(N, 0.12)), BOX)
    for row, text in zip(action.candidates.itertuples(), action.promises, strict=True):
        assert text.startswith(f"skin, {'as it is' if row.candidate == 'nothing' else row.candidate}")
        assert f"between {row.low:.3f} and {row.high:.3f} mm at 95 % each way" in text
        assert text in action._repr_html_()
    offset = next(text for text in action.promises if "tool offset" in text)
    assert "chance to conform over 99 %: it would conform." in offset


def test_a_concession_holds_only_if_granted_and_makes_nothing_conform():
    table = offered(spike(t7=0.15))
    assert table.loc["concession", "word"] == "if granted"
    text = next(t for t in suggest(judged(spike(t7=0.15)), BOX).promises if "concession" in t)
    assert "It does not make the part conform" in text


def test_what_its_own_prediction_shows_in_vain_is_not_offered():
    """Material missing by 0.15 at one place and left by 0.13 at another: a re-cut leaves the first as it is."""
    assert "re-cut here" not in offered(spike(t5=-0.15, t14=0.13)).index
    assert "re-cut here" in offered(spike(t14=0.13)).index


def test_touching_again_is_not_offered_against_what_touches_share():
    true, table = spike(t7=0.097), {}
    for share in (0.0, 0.99):
        scatter = Scatter(np.full(N, U * np.sqrt(1 - share)), np.full((N, 1), U * np.sqrt(share)), ("radius",))
        verdict = judged(true)
        verdict = classify(verdict.table, profile(verdict.table, 0.2, name="skin"), scatter=scatter, rule=proved())
        table[share] = suggest(verdict, BOX, scatter=scatter).candidates["candidate"].tolist()
    assert "touch again" in table[0.0]
    assert "touch again" not in table[0.99]
