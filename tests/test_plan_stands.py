"""A plan is computed once for `plan`, `program` and `simulate`, and again once something it was made of differs.

What is compared is the command itself: the bytes that it leaves when it plans anew in an empty folder.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import tiny
import trimesh

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
