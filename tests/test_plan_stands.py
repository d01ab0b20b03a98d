"""A plan is computed once for `plan`, `program` and `simulate`, and again once something it was made of differs.

What is compared is the command itself: the bytes that it leaves when it plans anew in an empty folder.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import tiny
import trimesh

import probekit as pk
from probekit import plan as planning
from probekit.cli import main
from probekit.published import ResultSet

OMITTED = {"plan.html", "release.html"}  # they name the checksum of the study file


@pytest.fixture
def reached(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many targets each call of reach got; reach itself does what it always does."""
    calls, reach = [], planning.reach

    def counted(targets, *args, **options):
        calls.append(len(targets))
        return reach(targets, *args, **options)

    monkeypatch.setattr(planning, "reach", counted)
    return calls


def left(folder: Path) -> dict[str, bytes]:
    names = ResultSet(folder, "preparation", "plan.html").check()
    return {name: (folder / name).read_bytes() for name in names}


def test_plan_program_and_simulate_plan_once(tmp_path, reached, capsys):
    path = tiny.write(tmp_path)
    assert main(["plan", str(path)]) == 0
    once = len(reached)
    assert once >= 1
    assert "previous run" not in capsys.readouterr().out
    for command in ("program", "simulate", "plan"):
        assert main([command, str(path)]) == 0
        assert len(reached) == once, command
        assert "The plan is that of the previous run, made of the same inputs" in capsys.readouterr().out


def test_what_is_made_of_a_plan_that_stands_is_what_would_be_made_of_a_new_one(tmp_path):
    path = tiny.write(tmp_path)
    for command in ("plan", "simulate"):
        assert main([command, str(path), "--to", str(tmp_path / "twice")]) == 0
    assert main(["simulate", str(path), "--to", str(tmp_path / "once")]) == 0
    assert left(tmp_path / "twice") == left(tmp_path / "once")


def test_a_run_that_was_refused_does_not_lose_the_plan(tmp_path, reached):
    path = tiny.write(tmp_path)
    assert main(["plan", str(path)]) == 0
    once = len(reached)
    tiny.write_study(tmp_path, ('after = "OPERATION 1"', 'after = "OPERATION 9"'))
    assert main(["program", str(path)]) == 2
    tiny.write_study(tmp_path)
    assert main(["program", str(path)]) == 0
    assert len(reached) == once


@pytest.mark.parametrize(
    "change",
    [
        ("spacing = 20.0", "spacing = 18.0"),
        ("margin = 1.0", "margin = 1.5"),
        ("ball_diameter = 6.0", "ball_diameter = 5.0"),
        ("length = 50.0", "length = 60.0"),
        ("top = [30.0, 20.0, 20.0]", "top = [31.0, 20.0, 20.0]"),
        ("[program]", "[machine]\ntravel = [[-500.0, 500.0], [-500.0, 500.0], [-500.0, 500.0]]\n\n[program]"),
        ("[program]", "[pace]\ntouch = 90.0\n\n[program]"),
    ],
    ids=lambda change: change[1].split("\n")[0],
)
def test_a_key_that_planning_takes_makes_a_new_plan(change, tmp_path, reached, capsys):
    path = tiny.write(tmp_path)
    assert main(["plan", str(path)]) == 0
    once = len(reached)
    tiny.write_study(tmp_path, change)
    capsys.readouterr()
    assert main(["plan", str(path)]) in (0, 1)
    assert len(reached) > once
    assert "previous run" not in capsys.readouterr().out


@pytest.mark.parametrize(
    "change",
    [
        ("tool = 20", "tool = 21"),
        ("seed = 1", "seed = 2"),
        ("width = 0.1", "width = 0.2"),
        ("tool = 20", 'tool = 20\ndialect = "dmis"'),
    ],
    ids=lambda change: change[1].split("\n")[-1],
)
def test_a_key_that_planning_does_not_take_leaves_it(change, tmp_path, reached):
    path = tiny.write(tmp_path)
    assert main(["plan", str(path)]) == 0
    once = len(reached)
    tiny.write_study(tmp_path, change)
    assert main(["plan", str(path)]) == 0
    assert len(reached) == once


def test_another_model_under_the_same_name_makes_a_new_plan(tmp_path, reached):
    path = tiny.write(tmp_path)
    assert main(["plan", str(path)]) == 0
    once = len(reached)
    higher = trimesh.creation.box(bounds=[(0.0, 0.0, 0.0), (60.0, 40.0, 20.5)])
    (tmp_path / "block.stl").write_bytes(higher.export(file_type="stl"))
    assert main(["plan", str(path)]) in (0, 1)
    assert len(reached) > once


@pytest.mark.parametrize(
    "spoil", [lambda old: old[:-40], lambda old: old.replace(b"20.0", b"19.0", 1), lambda _: b"{}"]
)
def test_a_kept_plan_that_somebody_changed_is_not_taken(spoil, tmp_path, reached):
    path = tiny.write(tmp_path)
    assert main(["plan", str(path)]) == 0
    once, kept = len(reached), tmp_path / "results" / "plan.json"
    spoilt = spoil(kept.read_bytes())
    assert spoilt != kept.read_bytes()
    kept.write_bytes(spoilt)
    assert main(["plan", str(path)]) == 0
    assert len(reached) > once


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many targets were made each time that the tables [[plan]] were read; they are made as always."""
    from probekit.study import asked

    counts, targets_of = [], asked.targets_of

    def counted(*args, **options):
        targets = targets_of(*args, **options)
        counts.append(len(targets))
        return targets

    monkeypatch.setattr(asked, "targets_of", counted)
    return counts


#: The plan asks for the top only, so nothing else is judged.
TOP_ALONE = (
    ('[alignment]\nfeatures = ["top", "front", "left"]\n', ""),
    ('[[tolerance]]\nname = "sides"\nwidth = 0.2\nfeatures = ["front", "left"]\n', ""),
)


@pytest.fixture
def ran(tmp_path, monkeypatch) -> Path:
    """A study with the results of its own simulated run, and an empty cache."""
    tiny.write(tmp_path)
    path = tiny.write_study(tmp_path, *TOP_ALONE)
    assert main(["simulate", str(path)]) == 0
    results = (tmp_path / "results" / "simulated.csv").read_bytes()
    (tmp_path / "touches.csv").write_bytes(results)
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path / "cache"))
    return path


def inspected(path: Path, to: str) -> dict[str, bytes]:
    assert main(["inspect", str(path), "--to", str(path.parent / to), "--quiet"]) in (0, 1)
    names = ResultSet(path.parent / to, "inspection", "report.html").check()
    return {name: (path.parent / to / name).read_bytes() for name in names if name != "report.html"}


def test_a_second_inspection_takes_the_targets_of_the_first_and_finds_the_same(ran, made, monkeypatch):
    lines = [one for one in (ran.parent / "touches.csv").read_text().splitlines(keepends=True) if "# rows" not in one]
    (ran.parent / "touches.csv").write_text("".join(lines[:-1]))  # one touch is missing, which the plan alone tells
    monkeypatch.setenv("PROBEKIT_CACHE", "off")
    without = inspected(ran, "without")
    assert len(made) == 1
    monkeypatch.setenv("PROBEKIT_CACHE", str(ran.parent / "cache"))
    first = inspected(ran, "first")
    assert len(made) == 2
    second = inspected(ran, "second")
    assert len(made) == 2
    assert without == first == second
    assert b"missed" in second["results.csv"]


@pytest.mark.parametrize(
    "change", [("spacing = 20.0", "spacing = 18.0"), ("ball_diameter = 6.0", "ball_diameter = 5.0")]
)
def test_a_plan_that_was_changed_makes_new_targets(change, ran, made):
    inspected(ran, "first")
    tiny.write_study(ran.parent, change, *TOP_ALONE)
    inspected(ran, "second")
    assert len(made) == 2


def test_a_model_that_was_changed_makes_new_targets(ran, made):
    inspected(ran, "first")
    moved = trimesh.creation.box(bounds=[(0.0, 0.0, 0.0), (60.0, 40.0, 20.001)])
    (ran.parent / "block.stl").write_bytes(moved.export(file_type="stl"))
    inspected(ran, "second")
    assert len(made) == 2


def test_targets_that_were_damaged_in_the_cache_are_made_again(ran, made):
    first = inspected(ran, "first")
    for kept in (ran.parent / "cache").glob("*.kept"):
        kept.write_bytes(kept.read_bytes()[:-3] + b"abc")
    assert inspected(ran, "second") == first
    assert len(made) == 2


def test_what_was_said_while_targets_were_made_is_said_in_every_run(tmp_path, made):
    above = 'how = "pick"\nfeature = "top"\nfar = "warn"\npoints = [[30.0, 20.0, 26.0], [10.0, 10.0, 20.0]]'
    tiny.write(tmp_path)
    path = tiny.write_study(tmp_path, ('how = "plane"\nface = "top"\nspacing = 20.0', above))
    for _ in range(2):
        with pytest.warns(pk.ProbekitWarning, match="mm from"):
            pk.study.plan(pk.study.load(path))
    assert len(made) == 2
