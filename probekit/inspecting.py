"""One inspection from beginning to end, for command line and dashboard: read, run, write, append to the archive."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from . import study as studies

if TYPE_CHECKING:
    from .study.inspection import Inspection

__all__ = ["Done", "inspect"]


@dataclass(frozen=True)
class Done:
    """What came of it: the inspection, the files written by kind, and what is to be said of the archive."""

    found: Inspection
    paths: dict[str, Path]
    archived: str = ""


def inspect(
    path: Path,
    folder: Path,
    *,
    said: str,
    touches: Path | None = None,
    archive: Path | None = None,
    also: Collection[str] = (),
    progress: Callable[[str, float], None] | None = None,
) -> Done:
    """Inspect a study and leave the results in a folder; those of an earlier run never stay beside one that fails.

    Parameters
    ----------
    path : Path
        The study file.
    folder : Path
        For the results.
    said : str
        What is running, for the page that stands there meanwhile.
    touches : Path, optional
        A results file that is read in place of the study's.
    archive : Path, optional
        An archive to append to, in place of the one that the study names.
    also : collection of str
        See `probekit.study.write`.
    progress : callable, optional

    Raises
    ------
    InputError
        What is unusable; the page in the folder says it, too.
    """
    wanted, results = studies.places.begun(path, folder, "inspect", said=said, touches=touches)
    if touches is not None:
        wanted = wanted.with_touches(touches)
    with results.running(said), studies.model.naming(path):
        found = studies.run(wanted, progress=progress)
        paths = studies.write(found, results.folder, made=time.strftime("%Y-%m-%d %H:%M"), also=also)
        kept = archive or studies.places.archive_of(wanted)
        return Done(found, paths, "" if kept is None else _archived(kept, wanted, found))


def _archived(folder: Path, wanted: studies.model.Study, found: Inspection) -> str:
    """Append an inspection to an archive; what is to be said of it."""
    from . import archive

    appended = archive.Archive(folder).append(archive.record_of(wanted, found))
    return f"archived in {folder}: {appended.sentence}"
