"""The command line: parse, call, print. All thinking is in the library."""

from __future__ import annotations

import argparse
import shlex
import sys
import time
import warnings
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import __version__, cli_answers, cli_compare, cli_models
from .cli_many import add_commands
from .console import Progress, ending, say, tell
from .errors import ProbekitWarning
from .lazily import lean_imports
from .show import wrapped

if TYPE_CHECKING:
    from . import machine
    from .published import ResultSet
    from .study.model import Study

__all__ = ["main"]

_DESCRIPTION = """\
On-machine verification of freeform machined parts: from a nominal model and the touches of a spindle probe to a
decision, and a page that anyone can open.
"""

_EPILOG = """\
examples:
  probekit demo my_demo                      write the demo study into the folder my_demo
  probekit inspect my_demo/study.toml        run it; results go into the folder my_demo/results
  probekit inspect study.toml --to out       write the results to another folder
  probekit draft part.step                   draft a study from the tolerances of the model
  probekit faces part.step                   list its faces, with pictures that show their names
  probekit plan my_demo/study.toml           choose touches, check that the probe reaches them, order them
  probekit program my_demo/study.toml        write the NC program, merged with the milling, and its release sheet
  probekit simulate my_demo/study.toml       run that program on a virtual machine; writes a results file
  probekit check my_demo/study.toml my_demo/results/J61-PROBE-1.nc     check a program that was edited by hand
  probekit inspect my_demo/study.toml --touches my_demo/results/simulated.csv
  probekit inspect study.toml --archive shop     also append the part to the archive in the folder shop
  probekit history shop --to history.html    what all parts in it tell: trends, drift, capability, touches
  probekit compare study.toml other.csv      two parts of the same model side by side, with linked cameras
  probekit settle my_demo/results/report.html answer.json     put answers to the page into it
  probekit cache --clear                     delete what is kept between runs

exit status:
  0  the part conforms; the plan reaches every target, the checks found no blocking problem, the trial ends as it should
  1  the part does not conform or cannot be decided; or one of these conditions fails
  2  the input is unusable; the message on standard error says what to do
  3  an internal fault of probekit, or its output could not be printed: no statement about the part

A spindle moves: a person qualified for the machine decides on every suggestion of probekit.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status."""
    given = list(sys.argv[1:] if argv is None else argv)
    return ending(partial(_run, given), shlex.join(["probekit", *given]))


_RAW = argparse.RawDescriptionHelpFormatter
_QIF = "also write a document of QIF 3.0 (ISO 23952; needs the extra qif):"


def _run(argv: list[str]) -> int:
    options = _parser().parse_args(argv)
    with warnings.catch_warnings():
        warnings.simplefilter("always", ProbekitWarning)
        warnings.showwarning = _show_warning
        return options.run(options)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("probekit", description=_DESCRIPTION, epilog=_EPILOG, formatter_class=_RAW)
    parser.add_argument("--version", action="version", version=f"probekit {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_inspect(commands)
    _add_before_the_cut(commands)
    cli_models.add_commands(commands)
    add_commands(commands)
    kept = commands.add_parser(
        "cache",
        help="show or clear what is kept between runs",
        description="Show what is kept so that it is made only once: exact models of STEP files, targets of studies, "
        "thinned pictures of very large meshes. The environment variable PROBEKIT_CACHE names another folder, or off. "
        "The folder can be deleted at any time.",
    )
    kept.add_argument("--clear", action="store_true", help="delete them")
    kept.set_defaults(run=_cache)
    cli_answers.add_commands(commands)
    cli_compare.add_command(commands)
    demo = commands.add_parser(
        "demo",
        help="write the demo study into a folder",
        description="Write the demo (an invented part with known, injected faults) into a folder.",
    )
    demo.add_argument("folder", type=Path, help="a new or empty folder")
    demo.set_defaults(run=_demo)
    return parser


def _add_inspect(commands: Any) -> None:
    inspect = commands.add_parser(
        "inspect",
        help="run a study file: verdict, report page, tables",
        description="Run a study file. Prints a summary; writes report.html, results.csv, results.json; "
        "again.csv if there is something to touch again; recut.csv, recut_field.csv and recut.ply if a re-cut "
        "is offered.",
        epilog="The keys of a study file: python -c 'import probekit.settings as s; help(s)'\n\n"
        "exit status: 0 conforms, 1 does not conform or undecided, 2 unusable input",
        formatter_class=_RAW,
    )
    inspect.add_argument("study", type=Path, help="the study file (TOML)")
    inspect.add_argument(
        "--to", type=Path, metavar="FOLDER", help="folder for the results (default: results, beside the study)"
    )
    inspect.add_argument("--touches", type=Path, metavar="FILE", help="results file to read in place of the study's")
    inspect.add_argument("--archive", type=Path, metavar="FOLDER", help="append the part to this archive (made if new)")
    inspect.add_argument("--qif", action="store_true", help=f"{_QIF} results.qif")
    inspect.add_argument("--dmis", action="store_true", help="also write DMIS output (ISO 22093): results.dmo")
    inspect.add_argument(
        "--xlsx",
        action="store_true",
        help="also write a workbook for spreadsheet programs (needs the extra tables): results.xlsx",
    )
    inspect.add_argument("--quiet", action="store_true", help="print only the verdict on the part")
    inspect.set_defaults(run=_inspect)


def _add_before_the_cut(commands: Any) -> None:
    for name, (run, short, long) in _BEFORE_THE_CUT.items():
        command = commands.add_parser(name, help=short, description=long, formatter_class=_RAW)
        command.add_argument("study", type=Path, help="the study file (TOML)")
        command.add_argument(
            "--to", type=Path, metavar="FOLDER", help="folder for the results (default: results, beside the study)"
        )
        command.add_argument(
            "--only",
            type=Path,
            metavar="FILE",
            help="plan these touches only, such as results/again.csv of an inspection",
        )
        command.add_argument("--qif", action="store_true", help=f"{_QIF} plan.qif")
        command.set_defaults(run=run)
    check = commands.add_parser(
        "check",
        help="check a program, edited by hand or not, against its plan and the milling program",
        description="Check a program file against the plan and the milling program. Writes nothing; exit status 1 if "
        "a check finds a blocking problem.",
    )
    check.add_argument("study", type=Path, help="the study file (TOML)")
    check.add_argument("program", type=Path, help="the program file that is to run")
    check.add_argument("--only", type=Path, metavar="FILE", help="as for probekit program")
    check.add_argument("--to", type=Path, metavar="FOLDER", help="as for probekit program")
    check.set_defaults(run=_check)


def _inspect(options: argparse.Namespace) -> int:
    from . import inspecting, study

    lean_imports()
    with Progress() as progress:
        done = inspecting.inspect(
            options.study,
            options.to or options.study.parent / "results",
            said=f"probekit inspect {options.study.name}",
            touches=options.touches,
            archive=options.archive,
            also=[kind for kind in study.writing.FURTHER if getattr(options, kind)],
            progress=progress,
        )
    found, paths = done.found, done.paths
    if options.quiet:
        say(found.verdict.part)
    else:
        from .study.summing_up import inspection_summary

        say(inspection_summary(found))
        say("written: " + ", ".join(str(path) for path in paths.values()))
        if done.archived:
            say(done.archived)
        if "again" in paths:
            say(f"To plan what is to be touched again: probekit program {options.study} --only {paths['again']}")
    return 0 if found.verdict.part == "conforms" else 1


def _begun(options: argparse.Namespace, command: str) -> tuple[Study, ResultSet]:
    """The study and where its results go; results of an earlier run never stay for those of a study that is refused."""
    from . import study

    only = options.only
    folder = options.to or options.study.parent / "results" / ("" if only is None else only.stem)
    return study.places.begun(
        options.study, folder, command, said=f"probekit {command} {options.study.name}", only=only
    )


def _prepare(options: argparse.Namespace, *, steps: int) -> int:
    """Plan; with two steps, write the program, too; with three, run it on the virtual machine."""
    from . import study

    lean_imports()
    command = list(_BEFORE_THE_CUT)[steps - 1]
    wanted, results = _begun(options, command)
    earlier = results.left("plan.json")  # before a run moves it away
    with (
        results.running(f"probekit {command} {options.study.name}"),
        study.model.naming(options.study),
        Progress() as progress,
    ):
        if steps > 1:
            study.preparation.check_program(wanted)
        planned = study.plan(wanted, only=options.only, earlier=earlier, progress=progress)
        programmed = study.program(wanted, planned, progress=progress) if steps > 1 else None
        ran = study.simulate(wanted, planned, programmed) if programmed is not None and steps > 2 else None
        tried = None
        if programmed is not None and ran is not None:
            tried = study.trial(wanted, planned, programmed, ran, progress=progress)
        artefact = study.artefact.proposed(planned)
        more = {"artefact": artefact, "as_qif": options.qif}
        paths = study.outputs.write_preparation(wanted, results.folder, planned, programmed, ran, tried, **more)
    lines = study.outputs.summary(planned, programmed, ran, tried, artefact)
    say(wrapped(*lines, width=110) + "\n")
    say("written: " + ", ".join(str(path) for path in paths))
    if ran is not None and not ran.stopped and len(ran.table):
        to = "" if options.to is None else f" --to {options.to}"
        say(f"Now run: probekit inspect {options.study} --touches {paths[-1]}{to}")
    good = planned.route.left_out.empty and (programmed is None or not programmed.stops)
    good = good and (tried is None or not tried.failed)
    return 0 if good and (ran is None or _touched(ran)) else 1


def _check(options: argparse.Namespace) -> int:
    from . import study

    lean_imports()
    folder = options.to or options.study.parent / "results" / ("" if options.only is None else options.only.stem)
    wanted = study.load(options.study)
    results = study.places.results_of(wanted, folder, "program", only=options.only)
    with study.model.naming(options.study), Progress() as progress:
        planned = study.plan(wanted, only=options.only, earlier=results.left("plan.json"), progress=progress)
        found = study.check(wanted, planned, options.program, written=results.left)
    say("\n".join(found.lines))
    return 1 if found.stops else 0


def _touched(ran: machine.results.Run) -> bool:
    """Whether a run came to its end and anything was touched."""
    return not ran.stopped and bool((ran.table["reason"] == "").any())


def _cache(options: argparse.Namespace) -> int:
    from . import cache

    place = cache.folder()
    if place is None:
        say("Nothing is kept: PROBEKIT_CACHE is off, or there is no home folder.")
        return 0
    listed = cache.contents(place)
    total = f"{len(listed)} file{'s' * (len(listed) != 1)}, {_megabytes(sum(one.size for one in listed))}"
    if options.clear:
        left = len(listed) - cache.clear(place)
        say(f"{place}: {total}" + (f"; {left} of them cannot be deleted" if left else "; deleted"))
        return 1 if left else 0
    say(f"{place}: {total} of at most {_megabytes(cache.MOST)}")
    for one in listed:
        used = time.strftime("%Y-%m-%d %H:%M", time.localtime(one.used))
        label = "".join(mark if mark.isprintable() else "?" for mark in one.label) or "cannot be read"
        say(f"  {one.path.name[:12]}  {_megabytes(one.size):>10}  used {used}  {label}")
    return 0


def _megabytes(size: float) -> str:
    return f"{size / 1e6:.1f} MB"


def _demo(options: argparse.Namespace) -> int:
    from .demo import write_demo

    paths = write_demo(options.folder)
    say(f"The demo is in {options.folder}: " + ", ".join(path.name for path in paths))
    study, simulated = options.folder / "study.toml", options.folder / "results" / "simulated.csv"
    steps = [f"  probekit {step} {study}" for step in _BEFORE_THE_CUT]
    lines = ["Judge the touches supplied with it:", f"  probekit inspect {study}"]
    lines += ["Or the whole chain: plan touches, write the program, run it on a virtual machine, judge its results:"]
    say("\n".join([*lines, *steps, f"  probekit inspect {study} --touches {simulated}"]))
    return 0


_BEFORE_THE_CUT = {
    "plan": (
        partial(_prepare, steps=1),
        "choose touches, check that the probe reaches them, order them",
        "Plan the touches of a study. Writes plan.html and plan.csv; exit status 1 if a target cannot be reached.",
    ),
    "program": (
        partial(_prepare, steps=2),
        "write the NC program, merged with the milling, and its release sheet",
        "Plan, and write the NC program, its release sheet and the changes to the milling program. Exit status 1 if a "
        "target cannot be reached or a check finds a blocking problem. A program is released by a qualified person, "
        "never by this command.",
    ),
    "simulate": (
        partial(_prepare, steps=3),
        "run the program on a virtual machine",
        "Plan, write the program, and run its text on a virtual machine against the part as the study "
        "describes it. Writes a results file. Then run it in scenarios with one fault each, such as a wrong length "
        "offset or moved clamps, and tell how each ends. It is a model, not a measurement.",
    ),
}


def _show_warning(message: Warning | str, category: type[Warning], *_: object) -> None:
    if not issubclass(category, ProbekitWarning):
        tell(f"probekit: {message}")


if __name__ == "__main__":
    sys.exit(main())
