"""The part as its own artefact, the whole way: plan, program, run, estimate, and a correction that is asked for."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from trimesh import creation

from probekit import InputError, cli, study

STUDY = """\
[part]
name = "block (invented)"
model = "block.stl"
unit = "mm"
temperature = 20.0
expansion_um_per_m_c = 11.5

[part.faces]
top = [0.0, 0.0, 0.0]
front = [0.0, -80.0, -30.0]
back = [0.0, 80.0, -30.0]
left = [-120.0, 0.0, -30.0]
right = [120.0, 0.0, -30.0]

[touches]
file = "touches.csv"

[stylus]
ball_diameter = 6.0
effective_radius = 3.0
stem_diameter = 4.0
length = 60.0
body = [[60, 25], [120, 40]]
tool_length = 120.0

[machine]
axes = [
    {letter = "A", moves = "table", point = [0, 0, -80], limits = [-100, 100]},
    {letter = "C", moves = "table", point = [10, 5, 0]},
]

[[plan]]
how = "plane"
face = "top"
spacing = 50.0

[[plan]]
how = "pick"
feature = "walls"
points = [[-100, -80, -30], [0, -80, -30], [100, -80, -30], [-100, 80, -30], [0, 80, -30], [100, 80, -30],
          [-120, -60, -30], [-120, 60, -30], [120, -60, -30], [120, 60, -30]]

[reach]
poses = [[0, 0], [0, 90], [0, 180], [60, 0], [60, 180], [-60, 90]]

[program]
tool = 20

[[tolerance]]
name = "all over"
width = 0.1
features = ["top", "walls"]

[budget]
repeatability_2s_um = 1.0
trigger_jitter_ms = 0.0
direction_range_um = 0.0
straightness_um = 0.0
drift_um = 0.0
index_arcsec = 0.0
pivot_um = 60.0
squareness_um_per_m = 80.0
scale_um_per_m = 5.0
temperature_within_c = 0.0
clamping_um = 0.0
radius_2s_um = 0.2

[artefact]
touches = 40
poses = 4

[simulate]
seed = 3
home = [0.0, 0.0, 500.0]
errors = [
    {kind = "Repeatability", sigma = 0.0005},
    {kind = "Squareness", xy = 60.0, xz = -30.0},
    {kind = "RotaryError", letter = "C", offset = [0.030, -0.020, 0.0]},
]
"""


def block(folder: Path) -> None:
    mesh = creation.box(extents=(240.0, 160.0, 60.0))
    mesh.apply_translation([0.0, 0.0, -30.0])
    mesh.export(folder / "block.stl")


@pytest.fixture(scope="module")
def touched(tmp_path_factory):
    """Planned, programmed and run: once as judged, once as the artefact."""
    folder = tmp_path_factory.mktemp("artefact")
    block(folder)
    path = folder / "study.toml"
    path.write_text(STUDY, encoding="utf-8")
    assert cli.main(["plan", str(path)]) == 0
    wanted = study.load(path)
    for only, to in ((None, folder / "touches.csv"), (folder / "results" / "artefact.csv", folder / "again.csv")):
        planned = study.plan(wanted, only=only)
        ran = study.simulate(wanted, planned, study.program(wanted, planned))
        assert not ran.stopped
        to.write_text(ran.text, encoding="utf-8")
    return path


def inspected(touched: Path, folder: Path, more: str, *, change: tuple[str, str] = ("", "")):
    shutil.copytree(touched.parent, folder / "study")
    path = folder / "study" / touched.name
    text = STUDY.replace("[artefact]\n", f"[artefact]\n{more}\n").replace(*change)
    path.write_text(text, encoding="utf-8")
    return study.load(path)


FILE = 'file = "again.csv"'


def test_the_plan_proposes_points_in_several_poses(touched):
    table = pd.read_csv(touched.parent / "results" / "artefact.csv", comment="#")
    assert 30 <= len(table) <= 40
    poses = table.groupby(["x0", "y0", "z0", "i", "j", "k"])["angle_c"].count()
    assert (poses >= 2).all()
    run = pd.read_csv(touched.parent / "again.csv", comment="#")
    np.testing.assert_allclose(run.sort_values("touch")[["angle_a", "angle_c"]], table[["angle_a", "angle_c"]])


def test_the_run_comes_back_to_the_pose_that_it_began_with_halfway_and_at_the_end(touched):
    """A tour of each pose would make them twice in a row, and what drifts in between would not be seen."""
    run = pd.read_csv(touched.parent / "again.csv", comment="#").sort_values("seconds")
    poses = run[["angle_a", "angle_c"]].to_numpy()
    visits = [0, *np.flatnonzero((np.diff(poses, axis=0) != 0).any(axis=1)) + 1]
    order = [tuple(poses[row]) for row in visits]
    assert order[0] == order[-1] == order[len(order) // 2]
    assert len(order) == len(set(order)) + 2 == 6
    again = run.duplicated(["x0", "y0", "z0", "angle_a", "angle_c"]).to_numpy()
    assert np.flatnonzero(again).tolist() == [*range(visits[3], visits[3] + 3), *range(len(run) - 3, len(run))]


def test_errors_of_the_machine_are_found_and_nothing_is_corrected_unasked(touched, tmp_path):
    found = study.run(inspected(touched, tmp_path, FILE))
    plain = study.run(inspected(touched, tmp_path / "plain", ""))
    one = found.artefact
    assert plain.artefact is None
    assert one.consistent
    truth = dict.fromkeys(one.unknowns.names, 0.0)
    truth |= {
        "squareness of X and Y": 60.0,
        "squareness of X and Z": -30.0,
        "C, place in x": 30.0,
        "C, place in y": -20.0,
    }
    off = (one.value - np.array(list(truth.values()))) / one.u
    assert (np.abs(off) < 3.5).all()
    assert one.u[0] < 10.0
    np.testing.assert_array_equal(found.verdict.table["deviation"], plain.verdict.table["deviation"])
    assert any("not applied" in note for note in found.notes)
    files = study.write(found, tmp_path / "out")
    data = json.loads(files["json"].read_text())["artefact"]
    assert data["errors"][0]["error"] == "squareness of X and Y"
    page = files["report"].read_text(encoding="utf-8")
    assert 'section id="artefact"' in page
    assert "Nothing is corrected by it unless the study says so by name" in page


def test_what_is_asked_for_by_name_is_corrected_and_its_covariance_counts(touched, tmp_path):
    before = study.run(inspected(touched, tmp_path, FILE))
    after = study.run(inspected(touched, tmp_path / "after", f'{FILE}\napply = ["squareness", "rotary"]'))
    assert any("CORRECTED by the part as its own artefact: squareness, rotary" in note for note in after.notes)
    one = after.artefact
    scatter = after.scatter
    assert "squareness" not in scatter.causes
    assert "pivot" not in scatter.causes
    assert "machine, as learned from the part" in scatter.causes
    # the part is perfect: what is left of its deviations is as uncertain as stated, and far smaller than before
    left, was = after.verdict.table["deviation"], before.verdict.table["deviation"]
    left, was = left - left.mean(), was - was.mean()
    assert was.abs().max() > 0.004
    assert (left.abs() < 3.5 * np.sqrt(scatter.u**2)).all()
    assert left.std() < 0.35 * was.std()
    assert scatter.u.max() < 0.6 * before.scatter.u.max()
    assert one.covariance.shape == (14, 14)
    some = study.run(inspected(touched, tmp_path / "some", f'{FILE}\napply = "squareness"'))
    assert "pivot" in some.scatter.causes or len(set(some.verdict.table["angle_c"])) == 1


def test_touches_that_are_not_explained_correct_nothing(touched, tmp_path):
    wanted = inspected(touched, tmp_path, f'{FILE}\napply = "rotary"')
    path = wanted.path.parent / "again.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    head = next(k for k, line in enumerate(lines) if line.startswith("touch,"))
    cells = lines[head + 3].split(",")
    for name in ("x", "y", "z"):
        z = lines[head].split(",").index(name)
        cells[z] = f"{float(cells[z]) + 0.05:.4f}"
    lines[head + 3] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = study.run(wanted)
    assert not found.artefact.consistent
    assert any("its touches are not explained" in note for note in found.notes)
    assert "pivot" in found.scatter.causes or len(set(found.verdict.table["angle_c"])) == 1


def test_poses_are_not_taken_from_another_plan(touched, tmp_path):
    """The results do not say their poses, and the plan has been made anew since: its numbers are other touches."""
    wanted = inspected(touched, tmp_path, FILE)
    told = wanted.path.parent / "again.csv"
    lines = [line for line in told.read_text(encoding="utf-8").splitlines() if not line.startswith("# rows")]
    start = next(k for k, line in enumerate(lines) if line.startswith("touch,"))
    kept = [k for k, name in enumerate(lines[start].split(",")) if not name.startswith("angle_")]
    lines[start:] = [",".join(line.split(",")[k] for k in kept) for line in lines[start:]]
    told.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert study.run(wanted).artefact.consistent
    file = wanted.path.parent / "results" / "artefact.csv"
    text = file.read_text(encoding="utf-8").splitlines()
    start = next(k for k, line in enumerate(text) if line.startswith("touch,"))
    rows = text[start + 1 :]
    later = rows[5:] + rows[:5]
    anew = [f"{n},{row.partition(',')[2]}" for n, row in enumerate(later, start=1)]
    file.write_text("\n".join([*text[: start + 1], *anew]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="not that of these touches"):
        study.run(wanted)


@pytest.mark.parametrize(
    ("more", "change", "words"),
    [
        ('apply = "rotary"', ("", ""), "touches that are not named"),
        ('apply = "scales"', ("", ""), "not known here"),
        ("", ("touches = 40", "touches = 2"), "too small"),
        (FILE, ('{letter = "A", moves = "table", point = [0, 0, -80], limits = [-100, 100]},', ""), "axis|axes|angle"),
    ],
)
def test_what_a_study_may_not_say(touched, tmp_path, more, change, words):
    with pytest.raises(InputError, match=words):
        study.run(inspected(touched, tmp_path, more, change=change))


def test_without_a_budget_nothing_is_weighed(touched, tmp_path):
    wanted = inspected(touched, tmp_path, FILE)
    bare = {key: value for key, value in wanted.settings.items() if key != "budget"} | {"uncertainty": {"u": 0.003}}
    with pytest.raises(InputError, match="budget"):
        study.run(replace(wanted, settings=bare))
