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
    assert how.endswith("in the part frame, the next part")
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


@pytest.mark.parametrize(
    ("true", "what", "whom"),
    [
        (NORMALS @ [0.15, 0.0, 0.0], "work offset", "the next part"),
        (NORMALS @ [0.10, 0.0, -0.04] + 0.02, "work and tool offset", "the next part"),
        (NORMALS @ [0.10, 0.0, -0.04] + 0.2, "work and tool offset", "this part"),
    ],
)
def test_whom_an_offset_helps_is_what_cutting_again_shows(true, what, whom):
    """Cutting again takes off and never adds: where the offset would have to add, this part stays as it is."""
    width, action = 0.1, suggest(judged(true, width=0.1), BOX)
    row = action.candidates.set_index("candidate").loc[what]
    assert row["how"].endswith(whom)
    anew = np.random.default_rng(3).normal(scale=CUTTER, size=N)  # its path put right, the cutter leaves its scatter
    assert (2 * np.abs(np.minimum(true, anew)).max() <= width) == (whom == "this part")
    text = next(one for one in action.promises if one.startswith(f"skin, {what} ("))
    assert f": {'it' if whom == 'this part' else whom} would conform." in text


@pytest.mark.parametrize(
    ("true", "what"), [(NORMALS @ [0.10, 0.0, -0.04], "work offset"), (np.full(N, 0.06), "tool offset")]
)
def test_the_next_part_reads_what_its_offset_promises(true, what):
    """Cut with scatter, touched, corrected, cut and touched again, many times: scatter does not count twice."""
    rng, told, read = np.random.default_rng(8), [], []
    for seed in range(8):
        first = offered(true + rng.normal(scale=CUTTER, size=N), seed=seed, width=0.03).loc[what]
        told.append((first["predicted"], first["p_conform"], first["low"], first["high"]))
        words = first["how"].replace("(", " ").replace(",", " ").replace(")", " ").split()
        if what == "tool offset":
            off = true + float(words[0])
        else:  # carried out as it is said: shift, and turn about the part's origin
            turn = np.radians([float(v) for v in words[7:10]])
            off = true + np.einsum("ij,ij->i", NORMALS, np.cross(turn, ON) + [float(v) for v in words[1:4]])
        read.append(2 * np.abs(off + rng.normal(scale=np.hypot(CUTTER, U), size=(200, N))).max(axis=1))
    predicted, chance, low, high = np.mean(told, axis=0)
    assert predicted == pytest.approx(np.mean(read), rel=0.05)
    assert chance == pytest.approx(np.mean(np.array(read) <= 0.03), abs=0.12)
    assert np.mean(np.array(read) < low) == pytest.approx(0.05, abs=0.03)
    assert np.mean(np.array(read) > high) == pytest.approx(0.05, abs=0.05)


def test_a_peak_that_scatter_does_not_make_comes_again():
    """0.04 mm at one place after an offset stays in what the next part is promised."""
    row = offered(np.full(N, 0.12) + spike(t7=0.04), width=0.2).loc["tool offset"]
    assert 0.075 < row["predicted"] < 0.1


def test_turn_and_shift_of_a_work_offset_belong_together():
    """Faces 300 mm from the part's origin, turned by 0.1 deg about it: 0.524 mm sideways, and no shift to enter."""
    box = shapes.box(centre=(300.0, 0.0, 0.0))
    on, normals = shapes.sample_box(box, N, np.random.default_rng(0))
    sideways = np.cross(np.radians([0.0, 0.0, 0.1]), on)
    table = pd.DataFrame({"touch": np.arange(N), "feature": "x"})
    table[["x", "y", "z"]] = on + sideways + np.random.default_rng(1).normal(scale=U, size=(N, 3))
    found = project(table, box, stylus=0.0)
    verdict = classify(found, profile(found, 0.3, name="skin"), u=U, rule=proved())
    how = suggest(verdict, box).candidates.set_index("candidate").loc["work offset", "how"]
    words = how.replace("(", " ").replace(",", " ").replace(")", " ").split()
    shift, turn = [float(v) for v in words[1:4]], np.radians([float(v) for v in words[7:10]])
    assert "about the part's origin" in how
    carried_out = np.einsum("ij,ij->i", normals, sideways + shift + np.cross(turn, on))
    assert np.abs(carried_out).max() < 0.008
    left = float(how.split("leaves up to ")[1].split(" mm")[0])
    alone = np.abs(np.einsum("ij,ij->i", normals, sideways + shift)).max()
    assert left == pytest.approx(alone, abs=0.01)
    assert left > 0.5


def test_a_work_offset_says_what_it_would_do_to_faces_that_are_good():
    """The right face is 0.1 mm high, the left one good: by -0.1 mm along x that one is 0.2 of 0.1 mm."""
    face = np.array(shapes.BOX_FACES)[np.arange(N) % 6]
    noise = np.random.default_rng(2).normal(scale=U, size=N)
    table = pd.DataFrame({"touch": np.arange(N), "feature": face})
    table[["x", "y", "z"]] = ON + NORMALS * (np.where(face == "right", 0.1, 0.0) + noise)[:, None]
    found = project(table, BOX, stylus=0.0)
    tolerances = [profile(found, 0.1, features=one, name=one) for one in ("right", "left", "top")]
    action = suggest(classify(found, *tolerances, u=U, rule=proved()), BOX)
    row = action.candidates.set_index("candidate").loc["work offset"]
    harm = row["how"].split(", for these faces alone (left would come to ")[1]
    assert float(harm.split()[0]) == pytest.approx(0.2, abs=0.02)
    assert row["how"].endswith("of 0.100 mm by it), this part")
    offsets = [text for text in action.promises if " offset (" in text]
    assert len(offsets) == 2, "the same 0.1 mm, as a shift or as an entry: done twice, 0.1 mm too much is off"
    assert all(text.endswith("Instead of the other corrections, not beside them.") for text in offsets)


def test_touching_again_is_not_offered_where_it_is_decided():
    """All about the limit, a few of them beyond it for sure: what the others read does not matter any more."""
    verdict = judged(0.1 + np.random.default_rng(0).normal(scale=0.002, size=N))
    assert verdict.part == "does not conform"
    assert (verdict.table["verdict"] == "undecided").any()
    assert "touch again" not in suggest(verdict, BOX).candidates["candidate"].tolist()
