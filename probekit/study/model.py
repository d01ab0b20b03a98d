"""A study file, read and checked, and the nominal it names."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from .. import nominal
from ..errors import InputError
from ..settings import read_settings

__all__ = ["Study", "load", "nominal_of", "runnable"]


@dataclass(frozen=True, eq=False)
class Study:
    """A study file, read and checked.

    Attributes
    ----------
    path : Path
        The file; names of other files are relative to its folder.
    settings : dict
        Its tables.
    sha256 : str
        Checksum of the file.
    """

    path: Path
    settings: dict[str, Any]
    sha256: str

    def file(self, name: str) -> Path:
        """Path of a file that the study names."""
        return self.path.parent / name

    def with_touches(self, file: str | Path) -> Study:
        """The same study on another results file, in the CSV of probekit."""
        named = {"file": str(Path(file).resolve())}
        return replace(self, settings=self.settings | {"touches": named})


def load(path: str | Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Study

    Raises
    ------
    InputError
        See `probekit.settings.read_settings`.
    """
    settings = read_settings(path)
    return Study(Path(path), settings, hashlib.sha256(Path(path).read_bytes()).hexdigest())


def runnable(study: Study) -> tuple[Study, list[str]]:
    """The study, or the one to run in its place where the CAD kernel is missing; and what there is to say about it."""
    other = study.settings["part"].get("without_kernel")
    if other is None or nominal.can_read(study.file(study.settings["part"]["model"])):
        return study, []
    instead = load(study.file(other))
    instead = replace(instead, settings=instead.settings | {"touches": study.settings["touches"]})
    note = f"{study.path.name} needs the CAD kernel, which is not installed; {other} was run in its place"
    return instead, [note + ' (pip install "probekit[step]")']


def nominal_of(study: Study) -> nominal.Nominal:
    """The nominal that a study names, in its part frame."""
    settings = study.settings["part"]
    options = {key: settings[key] for key in settings if key not in ("model", "frame", "without_kernel")}
    part = nominal.load(study.file(settings["model"]), **options)
    frame = settings.get("frame")
    if frame is None:
        return part
    if isinstance(frame, str):
        return nominal.move_nominal(part, nominal.placement(part, frame))
    if not 2 <= len(frame) <= 3:
        raise InputError(
            "a frame needs two or three faces",
            file=study.path,
            column="part.frame",
            found=frame,
            expected="names of faces",
        )
    return nominal.move_nominal(part, nominal.frame_from_faces(part, *frame))
