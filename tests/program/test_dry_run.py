"""The dry run of a program: the same ways, no touch, no record; checked as such, and its results are refused."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tiny
from rs274_grammar import motions_of

import probekit as pk
from probekit.cli import main
from probekit.program.moves import Link, Retract, Touch

TWICE = ("tool = 20\n", "tool = 20\nfirst_feed = 400\nback = 1.0\nconfirm = 0.2\nnear_feed = 500\n")


@pytest.fixture(scope="module", params=[(), (TWICE,)], ids=["one touch", "two touches"])
def done(request, tmp_path_factory) -> tuple[pk.study.preparation.Plan, pk.study.preparation.Program]:
    study = pk.study.load(tiny.write(Path(tmp_path_factory.mktemp("dry")), *request.param))
    planned = pk.study.plan(study)
    return planned, pk.study.program(study, planned)


def stops(planned: pk.study.preparation.Plan, text: str) -> dict[str, str]:
    return {one.check: one.what for one in planned.check(text).of("stop")}


def test_it_has_no_stop_and_says_what_it_is(done) -> None:
    planned, programmed = done
    assert programmed.dry_findings is not None
    assert programmed.dry_findings.of("stop") == ()
    assert stops(planned, programmed.dry) == {}
    assert "(PROBEKIT DRY RUN: NOTHING IS TOUCHED OR RECORDED)" in programmed.dry.splitlines()[:8]
    assert "BLOCK-PROBE-DRY" in programmed.dry
    assert programmed.dry_name == "BLOCK-PROBE-DRY.nc"
    for word in ("G38", "PROBEKIT RECORD", "#5061", "G91", "SQRT", "MERGED"):
        assert word not in programmed.dry


def test_it_goes_every_way_of_the_program_and_stays_off_the_part(done) -> None:
    """Read by an independent grammar: all but the ends of the touches is there."""
    _, programmed = done
    motions = [place for _, place, _, _ in motions_of(programmed.dry, ()) if np.isfinite(place).all()]
    places = {tuple(np.round(place, 3)) for place in motions}
    planned = {
        tuple(np.round(move.to, 3)) for move in programmed.moves if isinstance(move, (Link, Retract)) and move.to
    }
    assert planned <= places
    assert min(place[2] for place in motions) == pytest.approx(20.0 + 3.0 + 2.0)  # surface, ball, standoff


def test_the_virtual_machine_runs_it_to_its_end_and_has_no_results(done) -> None:
    planned, programmed = done
    part = pk.machine.AsMade(planned.part)
    ran = pk.machine.run(programmed.dry, part, probe=planned.probe, kinematics=planned.kinematics, home=(0, 0, 200))
    assert ran.stopped == ""
    assert len(ran.table) == 0
    with pytest.raises(pk.InputError, match="no results file"):
        _ = ran.text


@pytest.mark.parametrize(
    ("change", "check"),
    [
        (lambda text: text.replace("G1 X30. Y30. Z25. F100.", "G38.2 X30. Y30. Z22.5 F100."), "dry_run"),
        (lambda text: text.replace("G1 X30. Y30. Z25. F100.", "G1 X30. Y30. Z22.5 F100."), "dry_run"),
        (lambda text: text.replace("G1 X30. Y30. Z25. F", "G1 X30. Y30. Z22. F"), "collision"),
        (lambda text: re.sub(r"\(PROBEKIT DRY TOUCH 2 .*\n", "", text), "dry_run"),
        (lambda text: text.replace("DRY TOUCH 2 ", "DRY TOUCH 77 "), "dry_run"),
        (
            lambda text: text.replace("(PROBEKIT DRY TOUCH 2 top)", "(PROBEKIT RECORD 2 top 30. 30. 20. 0. 0. 1.)"),
            "dry_run",
        ),
        (lambda text: re.sub(r"\(PROBEKIT DRY RUN.*\n", "", text), "touches_as_planned"),
        (lambda text: re.sub(r"G0 (X50\. Y30\.) Z28\.", r"G0 \1 Z24.", text), "rapids_as_planned"),
        (lambda text: text.replace("\nG54\n", "\nG55\n"), "offsets_as_planned"),
        (lambda text: text.replace("G4 P10.", "S100 M3"), "spindle"),
    ],
)
def test_a_slip_in_it_is_a_stop(done, change: Callable[[str], str], check: str) -> None:
    planned, programmed = done
    changed = change(programmed.dry)
    assert changed != programmed.dry
    assert check in stops(planned, changed), stops(planned, changed)


def test_the_program_itself_does_not_pass_as_a_dry_run(done) -> None:
    planned, programmed = done
    marked = programmed.text.replace("(PROBEKIT BEGIN", "(PROBEKIT DRY RUN)\n(PROBEKIT BEGIN", 1)
    assert "dry_run" in stops(planned, marked)


def test_it_is_written_beside_the_program_and_checked_by_the_command(tmp_path: Path, capsys) -> None:
    study = tiny.write(tmp_path)
    assert main(["program", str(study)]) == 0
    assert "Dry run, first of all and without a part: BLOCK-PROBE-DRY.nc" in capsys.readouterr().out
    dry = tmp_path / "results" / "BLOCK-PROBE-DRY.nc"
    assert main(["check", str(study), str(dry)]) == 0
    assert "found no blocking problem" in " ".join(capsys.readouterr().out.split())
    dry.write_text(dry.read_text().replace("G1 X30. Y30. Z25. F100.", "G38.2 X30. Y30. Z22.5 F100."))
    assert main(["check", str(study), str(dry)]) == 1


def test_what_it_leaves_in_the_parameters_is_refused_by_the_reader_and_by_inspect(tmp_path: Path, capsys) -> None:
    study = tiny.write(tmp_path)
    assert main(["program", str(study)]) == 0
    text = (tmp_path / "results" / "BLOCK-PROBE-DRY.nc").read_text()
    left = "".join(f"{number} {value}\n" for number, value in re.findall(r"^#(\d+)=(\d+)$", text, re.MULTILINE))
    assert left.count("\n") == 3 * sum(isinstance(m, Touch) for m in pk.study.plan(pk.study.load(study)).moves)
    (tmp_path / "parameters.txt").write_text(left)
    moves = pk.touches.read_moves(tmp_path / "results" / "moves.csv")
    with pytest.raises(pk.InputError, match="left by a dry run"):
        pk.touches.read_parameters(tmp_path / "parameters.txt", moves)
    given = study.read_text().replace(
        'file = "touches.csv"',
        'file = "parameters.txt"\nformat = "parameters"\nmoves = "results/moves.csv"\nplan = "results/plan.csv"\n'
        "tool_length = 50.0",
    )
    study.write_text(given)
    capsys.readouterr()
    assert main(["inspect", str(study), "--to", str(tmp_path / "inspected")]) == 2
    assert "left by a dry run" in capsys.readouterr().err


def test_one_touch_of_a_dry_run_among_real_ones_is_refused(tmp_path: Path) -> None:
    """A run that was broken off leaves the rest as the dry run before it left them."""
    study = tiny.write(tmp_path)
    planned = pk.study.plan(pk.study.load(study))
    table = pk.program.table_of(planned.moves, slots=(1001, 5000))
    table.to_csv(tmp_path / "moves.csv", index=False)
    slots = table["slot"].dropna().astype(int).tolist()
    values = {slot + k: 1.0 + k for slot in slots for k in range(3)} | {slots[-1] + k: 99999 for k in range(3)}
    (tmp_path / "parameters.txt").write_text("".join(f"{n} {v}\n" for n, v in values.items()))
    with pytest.raises(pk.InputError, match="left by a dry run"):
        pk.touches.read_parameters(tmp_path / "parameters.txt", pk.touches.read_moves(tmp_path / "moves.csv"))


def test_a_dialect_that_says_nothing_of_dry_runs_makes_them_of_its_approach(done, tmp_path: Path) -> None:
    planned, programmed = done
    text = pk.program.example_dialect().replace("<FILL IN>", "G901")
    text = re.sub(r"(?m)^(dry_touch|first_touch|back_off|restart|message|safe_stop) = (\[[^\]]*\]).*\n", "", text)
    (tmp_path / "ours.toml").write_text(text)
    dry = pk.program.write(
        pk.program.moves.dry_of(programmed.moves),
        tmp_path / "ours.toml",
        kinematics=planned.kinematics,
        probe=planned.probe,
        whole=True,
    )
    assert dry.count("PROBEKIT DRY TOUCH") == 6
    assert "G901" not in dry
