"""A second look by `proved(looks=2)`: what was undecided is touched four times more, and judged by both looks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tiny
from thorough import count, some

import probekit as pk
from probekit import InputError, cli
from probekit.tolerance import Profile, profile
from probekit.touches.repeats import mean_of_repeats
from probekit.uncertainty import Scatter
from probekit.verdict import classify, proved

BUDGET = """[budget]
repeatability_2s_um = [4.0, "25 touches"]
trigger_jitter_ms = [0.01, "log"]
roughness_ra_um = [0.1, "drawing"]
dirt_um = [0.1, "wiped"]
radius_2s_um = [0.2, "certificate"]
direction_range_um = [0.2, "form test"]
scale_um_per_m = [1.0, "certificate"]
squareness_um_per_m = [1.0, "certificate"]
straightness_um = [0.2, "certificate"]
drift_um = [0.2, "reference"]
clamping_um = [0.1, "indicator"]
form_um = [0.5, "process"]

[decision]
rule = "proved"
looks = 2
"""
CHANGES = ('[uncertainty]\nu = 0.003\nk = 2.0\n\n[decision]\nrule = "guarded"\n', BUDGET)


def table_of(deviation: np.ndarray, ids: np.ndarray | None = None) -> pd.DataFrame:
    table = Profile(width=0.1)._table(np.asarray(deviation, dtype=float), profile(np.zeros(2), 0.1).freedom)
    return table.assign(feature="f", touch=np.arange(1, len(table) + 1) if ids is None else ids)


def seen(deviation: np.ndarray, scatter: Scatter, **more: object) -> pk.verdict.results.Verdict:
    table = table_of(deviation)
    return classify(table, pk.tolerance.profile(table, 0.1), rule=proved(looks=2), scatter=scatter, **more)


def test_each_look_has_half_of_the_risk() -> None:
    """Normal distribution: 97.5 % one-sided is 1.960, 95 % is 1.645."""
    assert proved(looks=2).k == pytest.approx(1.95996, abs=1e-5)
    assert proved().k == pytest.approx(1.64485, abs=1e-5)
    with pytest.raises(InputError, match="looked at once or twice"):
        proved(looks=3)


def test_the_sentence_names_the_touches_and_the_number_of_repeats() -> None:
    deviation = np.zeros(40)
    deviation[[6, 11, 30]] = 0.047
    verdict = seen(deviation, Scatter.independent(np.full(40, 0.003)))
    assert verdict.second_look == "undecided for touches 7, 12, 31 only: touch each again 4 times (12 touches)"
    assert verdict.second_look in verdict.sentence
    table = table_of(deviation)
    assert not classify(table, profile(table, 0.1), u=0.003).second_look  # a rule for one look offers none


@pytest.mark.parametrize(("later", "part"), [(0.045, "conforms"), (0.0485, "undecided"), (0.056, "does not conform")])
def test_a_second_look_decides_by_the_means(later: float, part: str) -> None:
    """Own part 3 um: 1.96 x 3 / sqrt(5) = 2.6 um are to be kept from the limit of 50 um, in place of 5.9."""
    scatter, first = Scatter.independent(np.full(20, 0.003)), np.zeros(20)
    first[4] = 0.0465
    one = seen(first, scatter)
    assert one.part == "undecided"
    second, times = first.copy(), np.ones(20)
    second[4], times[4] = later, 5
    both = seen(second, scatter.repeated(times), earlier=one)
    assert both.part == part
    assert both.looks_taken == 2
    assert both.second_look == "", "there is no third look"


def test_what_the_first_look_proved_stays_proved() -> None:
    """Of ten touches one is open; by the second look another one, not touched again, is as it was."""
    scatter, first = Scatter.independent(np.full(10, 0.003)), np.zeros(10)
    first[0], first[1] = 0.0439, 0.047
    one = seen(first, scatter)
    assert one.table["verdict"].tolist()[:3] == ["within", "undecided", "within"]
    second = first.copy()
    second[0], second[1] = 0.0445, 0.044  # the frame, made anew, moved it by less than a micrometre
    both = seen(second, scatter.repeated(np.r_[1, 5, np.ones(8)]), earlier=one)
    assert both.part == "conforms"


def test_looks_that_contradict_each_other_prove_nothing() -> None:
    scatter, first = Scatter.independent(np.full(10, 0.001)), np.zeros(10)
    first[0] = 0.049
    one, second = seen(first, scatter), first.copy()
    second[3] = 0.08
    both = seen(second, scatter, earlier=one)
    assert both.part == "undecided"
    assert any("opposite things" in reason for reason in both.reasons)


def test_a_third_look_and_another_rule_are_refused() -> None:
    scatter = Scatter.independent(np.full(10, 0.003))
    one = seen(np.zeros(10), scatter)
    two = seen(np.zeros(10), scatter, earlier=one)
    with pytest.raises(InputError, match="comes once"):
        seen(np.zeros(10), scatter, earlier=two)
    table = table_of(np.zeros(10))
    with pytest.raises(InputError, match="a rule for two"):
        classify(table, profile(table, 0.1), u=0.003, earlier=one)


def test_only_what_each_repeat_has_anew_averages() -> None:
    parts = {"probe repeatability": np.full(3, 0.003), "roughness": np.full(3, 0.004)}
    scatter = Scatter(np.full(3, 0.005), np.full((3, 1), 0.002), ("radius",), parts)
    mean = scatter.repeated(np.array([1, 4, 9]))
    assert mean.own == pytest.approx([0.005, np.hypot(0.0015, 0.004), np.hypot(0.001, 0.004)])
    assert (mean.factors == scatter.factors).all()


@pytest.mark.parametrize(
    ("case", "rho", "side"), some([("peak", 0.0, 1), ("peak", 0.5, -1), ("offset", 0.0, -1), ("offset", 0.5, 1)])
)
def test_over_both_looks_either_word_is_wrong_in_at_most_five_of_a_hundred(case: str, rho: float, side: int) -> None:
    """Truth at the limit: a hair inside it must not be called bad, a hair outside not good. Bound: Bonferroni.

    All sides of all cases stand in ``benchmarks/bench_decisions.py``.
    """
    n, u, runs = 20, 0.003, count(80, 400)
    rng = np.random.default_rng(3)
    scatter = Scatter(np.full(n, u * np.sqrt(1 - rho)), np.full((n, 1), u * np.sqrt(rho)), ("all",))
    true = np.full(n, 0.05) if case == "offset" else np.r_[0.05, np.zeros(n - 1)]
    wrong = 0
    for _ in range(runs):
        common = u * np.sqrt(rho) * rng.normal()
        readings = true + common + u * np.sqrt(1 - rho) * rng.normal(size=(5, n))
        one = seen(readings[0], scatter)
        word = one.part
        if word == "undecided":
            again = (one.table["verdict"] == "undecided").to_numpy()
            mean, times = np.where(again, readings.mean(axis=0), readings[0]), np.where(again, 5, 1)
            word = seen(mean, scatter.repeated(times), earlier=one).part
        wrong += word == ("conforms" if side > 0 else "does not conform")
    assert wrong / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


TAB = """[[tolerance]]
name = "tab"
features = ["tab"]
width = 0.02

"""


def near(folder: Path) -> Path:
    """The study with six touches more on top, no datum touches, the fifth of them 1.5 um within its limit."""
    text, off = tiny.touches().replace("# rows: 18", "# rows: 24"), (0.001, -0.001, 0.0, 0.002, 0.0085, 0.001)
    for k, z in enumerate(off):
        text += f"{19 + k},tab,{8 * k + 8}.0,12.0,20.0,0,0,1,{8 * k + 8}.0,12.0,{23 + z:.4f},\n"
    return tiny.write(folder, CHANGES, ("[budget]", TAB + "[budget]"), touches_csv=text)


def test_the_whole_way_of_a_second_look(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = near(tmp_path)
    assert cli.main(["inspect", str(path)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "Second look: undecided for touch 23 only: touch it again 4 times (4 touches)" in told
    assert "[touches] again" in (tmp_path / "results" / "results.json").read_text(encoding="utf-8")
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert "touch it again 4 times" in page
    plan = pd.read_csv(tmp_path / "results" / "again.csv")
    assert plan["again"].tolist() == [23, 23, 23, 23]
    assert plan["touch"].tolist() == [25, 26, 27, 28]
    assert cli.main(["program", str(path), "--only", str(tmp_path / "results" / "again.csv")]) == 0
    planned = pd.read_csv(tmp_path / "results" / "again" / "plan.csv", comment="#")
    assert sorted(planned["touch"]) == [25, 26, 27, 28]
    first = pk.touches.read(tmp_path / "touches.csv").set_index("touch").loc[23]
    rows = "".join(
        f"{touch},tab,{','.join(f'{first[c]:.4f}' for c in ('x0', 'y0', 'z0', 'i', 'j', 'k', 'x', 'y'))},"
        f"{first['z'] + off:.4f},\n"
        for touch, off in zip((25, 26, 27, 28), (-0.004, -0.003, -0.005, -0.004), strict=True)
    )
    head = "# unit: mm\n# recorded: centre\n# rows: 4\ntouch,feature,x0,y0,z0,i,j,k,x,y,z,reason\n"
    (tmp_path / "second.csv").write_text(head + rows)
    text = path.read_text().replace('file = "touches.csv"', 'file = "touches.csv"\nagain = "second.csv"')
    path.write_text(text)
    capsys.readouterr()
    cli.main(["inspect", str(path)])
    told = " ".join(capsys.readouterr().out.split())
    assert "touched again: 1 touches, 4 times in all; along their normals the repeats lie -0.0040 mm" in told
    verdict = pk.study.run(pk.study.load(path)).verdict
    assert verdict.looks_taken == 2
    row = verdict.table.set_index("touch").loc[23]
    assert row["verdict"] == "within"
    assert row["times"] == 5
    assert verdict.part == "conforms"


def test_touches_made_again_need_a_rule_for_two_looks(tmp_path: Path) -> None:
    path = tiny.write(tmp_path, ('file = "touches.csv"', 'file = "touches.csv"\nagain = "touches.csv"'))
    with pytest.raises(InputError, match=r"decision\.looks.*rule for two looks"):
        pk.study.run(pk.study.load(path))


def test_repeats_of_another_place_are_refused() -> None:
    first = table_of(np.zeros(3)).assign(x0=[0.0, 5.0, 9.0], y0=0.0, z0=0.0, i=0.0, j=0.0, k=1.0)
    again = first.iloc[:2].assign(x0=[0.0, 6.0])
    with pytest.raises(InputError, match="touch 2"):
        mean_of_repeats(first, again)
    found, notes = mean_of_repeats(first, first.iloc[[1, 1, 1]].assign(z=0.04))
    assert found["z"].tolist() == pytest.approx([0.0, 0.03, 0.0])
    assert found["times"].tolist() == [1, 4, 1]
    assert "+0.0400" in notes[0]
