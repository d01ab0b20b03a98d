"""One part of a batch: what it is made of, and its inspection in whatever process or machine it is given to."""

from __future__ import annotations

import hashlib
import json
import threading
import warnings
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from .. import __version__
from .. import study as studies
from ..errors import InputError, ProbekitWarning
from ..show import shown
from ..study.model import Models, Study
from ..study.places import inputs_of
from .record import Record, record_of, refused_record

__all__ = ["Job", "inspect_job", "jobs_of", "made_of"]

_MODELS = 4  # that a worker keeps
_ONE_AT_A_TIME = threading.Lock()  # warnings are caught for the whole process while a study runs


@shown
@dataclass(frozen=True)
class Job:
    """A study, and the results file to judge.

    Attributes
    ----------
    study : Path
    touches : Path or None
        In place of the file that the study names.
    to : Path or None
        Folder for its page and tables.
    """

    study: Path
    touches: Path | None = None
    to: Path | None = None

    def loaded(self) -> Study:
        """The study, on its results file.

        Raises
        ------
        InputError
            If it cannot be used.
        """
        study = studies.load(self.study)
        return study if self.touches is None else study.with_touches(self.touches)


def jobs_of(
    wanted: str | Path | Iterable[str | Path],
    touches: str | Path | Iterable[str | Path] | None = None,
    to: str | Path | None = None,
) -> list[Job]:
    """The parts that are meant: studies, or results files of one study, in the order of their names or as given.

    Parameters
    ----------
    wanted : path or iterable of paths
        A study file, several, or a folder: every study file in it and below it, but those that stand in for another
        without the CAD kernel.
    touches : path or iterable of paths, optional
        Results files of the one study, or a folder of them (``*.csv``).
    to : path, optional
        Folder in which each part gets a folder with its page and tables.

    Raises
    ------
    InputError
        If there is nothing to do, a name is not a file, or results files come with several studies.
    """
    files = _files(wanted, "*.toml", below=True)
    if Path(wanted).is_dir() if isinstance(wanted, str | Path) else False:
        spare = {(path.parent / name).resolve() for path in files if (name := _stand_in(path))}
        files = [path for path in files if path.resolve() not in spare]
    if touches is None:
        found = [Job(path) for path in files]
    elif len(files) != 1:
        raise InputError("results files need one study", found=f"{len(files)} studies", todo="Name the study file.")
    else:
        found = [Job(files[0], path) for path in _files(touches, "*.csv")]
    if not found:
        raise InputError("there is nothing to inspect", file=str(wanted if touches is None else touches))
    if to is None:
        return found
    names: dict[str, int] = {}
    return [replace(job, to=Path(to) / _own_name(job, names)) for job in found]


def made_of(study: Study) -> str:
    """Digest of all that an inspection is made of: study, model, results and every other file it reads, and version."""
    files = {what: _sum(path) for what, path in inputs_of(study).items()}
    kept = {key: value for key, value in study.settings["touches"].items() if key != "file"}
    text = json.dumps([study.sha256, files, kept, __version__], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def inspect_job(job: Job) -> Record:
    """The record of a part: its inspection, or why it could not be judged. Never raises for the part's own sake.

    The model is loaded once in each process.
    """
    inputs, serial = "", ""
    try:
        with _ONE_AT_A_TIME, warnings.catch_warnings():
            warnings.simplefilter("ignore", ProbekitWarning)  # they are in the notes
            study = job.loaded()
            inputs, serial = made_of(study), str(study.settings.get("about", {}).get("serial", ""))
            with studies.model.naming(job.study):
                found = studies.run(study, models=_models())
            if job.to is not None:
                studies.write(found, job.to)
        record = record_of(study, found)
    except Exception as error:
        record = refused_record(job.study.name, job.touches or job.study, error, serial=serial)
    return Record(record.body | {"inputs": inputs}, record.touches)


@lru_cache(maxsize=1)
def _models() -> Models:
    """The models that this process has loaded."""
    return _Few()


class _Few(dict):  # type: ignore[type-arg]
    """The last few things put in."""

    def __setitem__(self, key: object, value: object) -> None:
        super().__setitem__(key, value)
        while len(self) > _MODELS:
            del self[next(iter(self))]


def _files(named: str | Path | Iterable[str | Path], pattern: str, *, below: bool = False) -> list[Path]:
    if not isinstance(named, str | Path):
        return [one for name in named for one in _files(name, pattern, below=below)]
    path = Path(named)
    if path.is_dir():
        found = path.rglob(pattern) if below else path.glob(pattern)
        return sorted(one for one in found if one.is_file() and not one.name.startswith("."))
    return [path]


def _stand_in(path: Path) -> str | None:
    """The study that one names to be run in its place; one that cannot be read names none, and says so later."""
    try:
        name = studies.load(path).settings["part"].get("without_kernel")
    except InputError:
        return None
    return None if name is None else str(name)


def _own_name(job: Job, names: dict[str, int]) -> str:
    from ..files import file_name

    path = job.study if job.touches is None else job.touches
    stem = path.stem if job.touches is not None else f"{path.parent.name or 'part'}_{path.stem}"
    try:
        name = file_name(stem)
    except InputError:
        name = "part"
    count = names[name.casefold()] = names.get(name.casefold(), 0) + 1
    return name if count == 1 else f"{name}_{count}"


def _sum(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except (OSError, ValueError):
        return "cannot be read"
