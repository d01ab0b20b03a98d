"""Where the results of a study go: which files a command leaves, as one set, and that none of them is an input."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from .. import program as programs
from ..errors import InputError
from ..files import file_name, refuse_overwriting
from ..published import ResultSet
from ..settings import read_settings
from .inside import named_files
from .model import Study, load

__all__ = [
    "COMMANDS",
    "INSPECTION",
    "archive_of",
    "begun",
    "cut_name",
    "dry_name",
    "inputs_of",
    "part_name",
    "program_names",
    "result_set",
    "results_left",
    "results_of",
    "sheet_name",
]

INSPECTION = {"report": "report.html", "csv": "results.csv", "json": "results.json", "again": "again.csv"} | {
    "qif": "results.qif",
    "dmis": "results.dmo",
    "xlsx": "results.xlsx",
    "recut": "recut.csv",
    "recut_field": "recut_field.csv",
    "recut_mesh": "recut.ply",
}

_PLAN = ("plan.csv", "plan.json", "plan.html", "plan.qif", "artefact.csv")
_PROGRAM = ("moves.csv", "changes.txt", "release.html")
_RUN = ("trial.json", "parameters.txt", "log.csv", "simulated.csv")

_PLANNED = tuple(f"{table}.{key}" for table in ("touches", "artefact") for key in ("plan", "moves"))

#: Command -> the kind of its results, and what it writes besides the program itself.
COMMANDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "inspect": ("inspection", tuple(INSPECTION.values())),
    "plan": ("preparation", _PLAN),
    "program": ("preparation", _PLAN + _PROGRAM),
    "simulate": ("preparation", _PLAN + _PROGRAM + _RUN),
}

_PAGES = {"inspection": INSPECTION["report"], "preparation": "plan.html"}


def results_of(
    study: Study, folder: str | Path, command: str, *, touches: str | Path | None = None, only: str | Path | None = None
) -> ResultSet:
    """The set of files that a command on a study will leave in a folder.

    Parameters
    ----------
    study : Study
    folder : str or Path
    command : str
        One of `COMMANDS`.
    touches : str or Path, optional
        A results file that is read in place of the study's.
    only : str or Path, optional
        A plan that is read in place of the study's.

    Returns
    -------
    ResultSet

    Raises
    ------
    InputError
        If a file that it would write is an input of the study or another of its own files, or the name of the program
        cannot be that of a file.
    """
    given = {"--touches": touches, "--only": only}
    inputs = inputs_of(study) | {what: Path(file) for what, file in given.items() if file is not None}
    with_program = command in ("program", "simulate")
    own = program_names(study) if with_program else ("", "")
    parts = [part_name(*own, number) for number in range(2, len(study.settings.get("phase", ())) + 1)]
    sheets = [sheet_name(number) for number in range(2, len(study.settings.get("phase", ())) + 1)]
    cuts = [cut_name(*own, number) for number, one in enumerate(study.settings.get("phase", ()), 1) if "recut" in one]
    sheets += [f"release-{Path(one).stem}.html" for one in cuts]
    programs_of = ("".join(own), dry_name(*own), *parts, *cuts, *sheets) if with_program else ()
    return result_set(folder, command, inputs, programs=programs_of)


def begun(
    path: Path,
    folder: str | Path,
    command: str,
    *,
    said: str,
    touches: str | Path | None = None,
    only: str | Path | None = None,
) -> tuple[Study, ResultSet]:
    """The study and where its results go; results of an earlier run never stay for those of a study that is refused.

    Parameters
    ----------
    path : Path
        The study file.
    folder, command, touches, only
        See `results_of`.
    said : str
        What is running, for the page that is put in place of the earlier results.

    Raises
    ------
    InputError
        If the study is refused, or would overwrite what it reads.
    """
    try:
        wanted = load(path)
        return wanted, results_of(wanted, folder, command, touches=touches, only=only)
    except InputError:
        if not path.is_file():
            raise
        with results_left(folder, command).running(said):
            raise


def result_set(
    folder: str | Path, command: str, inputs: Mapping[str, Path], *, programs: Iterable[str] = ()
) -> ResultSet:
    """The same, of inputs by what names them, and the names of the program's files."""
    kind, names = COMMANDS[command]
    # what planning writes is an input of the inspection, and is meant to be written again
    read = {what: path for what, path in inputs.items() if what not in _PLANNED}
    found = ResultSet(Path(folder), kind, _PAGES[kind], _names(kind), tuple(read.values()))
    written = (*names, *programs, found.checksums.name, found.old.parent.name)
    refuse_overwriting([found.folder / name for name in written], read)
    return found


def results_left(folder: str | Path, command: str) -> ResultSet:
    """The set that an earlier run left in a folder, where the study cannot be read: what is certainly not an input.

    Parameters
    ----------
    folder : str or Path
    command : str
        One of `COMMANDS`.

    Returns
    -------
    ResultSet
    """
    kind, _ = COMMANDS[command]
    return ResultSet(Path(folder), kind, _PAGES[kind])


def archive_of(study: Study) -> Path | None:
    """Folder of the archive that the study names; None if it names none."""
    named = study.settings.get("archive", {}).get("folder")
    return None if named is None else study.file(named)


def inputs_of(study: Study) -> dict[str, Path]:
    """Files that a study reads: the key that names it -> path; those of the study to run without the kernel, too."""
    found = {"the study": study.path, **_named(study)}
    other = study.settings["part"].get("without_kernel")
    if other is not None and study.file(other).is_file():
        instead = Study(study.file(other), read_settings(study.file(other)), "")
        found |= {f"{what} of {other}": path for what, path in _named(instead).items()}
    return found


def dry_name(name: str, suffix: str) -> str:
    """Name of the file of a dry run, by name and suffix of the program's."""
    return f"{name}-DRY{suffix}"


def part_name(name: str, suffix: str, number: int) -> str:
    """Name of the file of the second, third, ... program of a study that the control cannot decide in one."""
    return f"{name}-{number}{suffix}"


def cut_name(name: str, suffix: str, number: int) -> str:
    """Name of the file of the program that cuts an operation again after the first, second, ... program."""
    return f"{name}-{number}-CUT-AGAIN{suffix}"


def sheet_name(number: int) -> str:
    """Name of the release sheet of the second, third, ... program."""
    return f"release-{number}.html"


def program_names(study: Study) -> tuple[str, str]:
    """Name and suffix of the program's file: those of ``[program]``, or of the study and the milling program.

    Raises
    ------
    InputError
        If they cannot be the name of a file.
    """
    given = study.settings.get("program", {})
    name, milling = given.get("name", study.path.stem), given.get("milling")
    suffix = given.get("suffix", ".nc") if milling is None else Path(milling).suffix
    try:
        return file_name(name, suffix).removesuffix(suffix), suffix
    except InputError as error:
        raise InputError(
            error.what,
            file=study.path,
            column=f"program.{error.column}",
            found=error.found,
            expected=error.expected,
            todo=error.todo,
        ) from None


def _named(study: Study) -> dict[str, Path]:
    """Files that the keys of a study name, whether they exist or not."""
    return {
        key: study.file(name)
        for key, name in named_files(study.settings).items()
        if key != "program.dialect" or name not in programs.dialect_names()
    }


def _names(kind: str) -> tuple[str, ...]:
    """All that commands of this kind may leave, the program's own file aside, which the checksums list."""
    lists: Iterable[tuple[str, ...]] = (names for one, names in COMMANDS.values() if one == kind)
    return tuple(dict.fromkeys(name for names in lists for name in names))
