"""One inspection from beginning to end, for command line and dashboard: read, run, write, append to the archive."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from . import study as studies
from .errors import InputError

if TYPE_CHECKING:
    from .report.earlier import EarlierParts
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
        folder_of = archive or studies.places.archive_of(wanted)
        kept = None if folder_of is None else _Kept(folder_of, wanted, found)
        made, before = time.strftime("%Y-%m-%d %H:%M"), None if kept is None else kept.earlier
        paths = studies.write(found, results.folder, made=made, also=also, earlier=before)
        return Done(found, paths, "" if kept is None else kept.append())


class _Kept:
    """An inspection and the archive that it goes to: what is there of earlier parts, and then its own record."""

    def __init__(self, folder: Path, wanted: studies.model.Study, found: Inspection) -> None:
        from . import archive
        from .archive.record import record_of

        self._archive, self._record = archive.Archive(folder), record_of(wanted, found)
        self._shown = wanted.settings.get("archive", {}).get("on_page", True)

    @property
    def earlier(self) -> EarlierParts | None:
        """Earlier parts for the page; none if the study keeps them from it."""
        from .archive.before import earlier_parts

        try:
            return earlier_parts(self._archive, self._record) if self._shown else None
        except InputError:  # the results are written all the same; appending to it says what is wrong
            return None

    def append(self) -> str:
        """Append the record; what is to be said of it."""
        return f"archived in {self._archive.folder}: {self._archive.append(self._record).sentence}"
