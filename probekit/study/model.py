"""A study file, read and checked, and the nominal it names."""

from __future__ import annotations

import hashlib
import json
import warnings
from collections.abc import Callable, Iterator, MutableMapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from .. import fit, nominal
from ..errors import InputError, ProbekitWarning, UndeterminedError, how_to_install
from ..limits import notes_on, notes_on_size
from ..nominal.frames import frame_from_faces, move_nominal, placement
from ..nominal.load import millimetres_per
from ..settings import read_settings
from ..show import shown
from ..touches.control import said_by
from ..uncertainty.causes import PART
from .inside import check_inside
from .wording import fit_error_in_keys, input_error_in_keys

__all__ = ["Models", "Study", "load", "motion_of", "naming", "nominal_of", "numbers_of", "runnable"]

#: What a model was made of -> the model, and what loading it had to say.
Models = MutableMapping[str, tuple[nominal.Nominal, tuple[str, ...]]]


@shown
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
    notes : tuple of str
        What is odd about its values.
    """

    path: Path
    settings: dict[str, Any]
    sha256: str
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """File and tables in one line."""
        return f"{self.path.name}: " + ", ".join(f"[{name}]" for name in self.settings)

    def file(self, name: str) -> Path:
        """Path of a file that the study names."""
        return self.path.parent / name

    def with_touches(self, file: str | Path) -> Study:
        """The same study on another results file, which is read as the study reads its own.

        A file that says of itself how it is to be read, is read so: touches as probekit writes them, the log of a
        control, a run of the virtual machine, a QIF document.
        """
        given, path = self.settings["touches"], Path(file).resolve()
        stated = said_by(path)
        kept = {key: value for key, value in given.items() if key not in ("file", "again", "again_plan", *stated)}
        return replace(self, settings=self.settings | {"touches": {"file": str(path), **kept}})

    def with_alignment(self, **changes: Any) -> Study:
        """The same study with other keys in ``[alignment]``."""
        return replace(self, settings=self.settings | {"alignment": self.settings["alignment"] | changes})


@contextmanager
def naming(file: str | Path) -> Iterator[None]:
    """Let an error speak of the keys of the study, and one that names no file name this one."""
    try:
        yield
    except UndeterminedError as error:
        raise fit_error_in_keys(error) from None
    except InputError as error:
        kept = type(error) is not InputError  # a kind of its own keeps what it carries
        raise (error if kept and error.file is not None else input_error_in_keys(error, file, error.column)) from None


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
        See `probekit.settings.read_settings`; and if it names a file outside its folder that it does not permit.
    """
    settings = read_settings(path)
    check_inside(settings, Path(path))
    checksum = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return Study(Path(path), settings, checksum, tuple(notes_on(settings)))


def runnable(study: Study, progress: Callable[[str, float], None] | None = None) -> tuple[Study, list[str]]:
    """The study, or the one to run in its place where the CAD kernel is missing; and what there is to say about it."""
    given = study.settings["part"]
    other, options = given.get("without_kernel"), {key: given[key] for key in ("deflection", "body") if key in given}
    if other is None or nominal.can_read(study.file(given["model"]), **options, cache=True, progress=progress):
        return study, list(study.notes)
    instead = load(study.file(other))
    own = {name: study.settings[name] for name in ("touches", "about", "budget") if name in study.settings}
    if "budget" in own:
        own["uncertainty"] = study.settings.get("uncertainty", {})
    warm = {key: study.settings["part"][key] for key in PART if key in study.settings["part"]}
    instead = replace(instead, settings=instead.settings | own | {"part": instead.settings["part"] | warm})
    note = f"{study.path.name} needs the CAD kernel, which is not installed; {other} was run in its place"
    return instead, [f"{note}. {how_to_install('step')}", *instead.notes]


def numbers_of(study: Study, table: str, key: str, default: tuple[float, ...] | None = None, *, count: int = 3) -> Any:
    """So many numbers of a key of the study, or the default if it is not there.

    Raises
    ------
    InputError
        If they are not so many, or no numbers.
    """
    values = study.settings.get(table, {}).get(key, default)
    if values is default:
        return default
    if len(values) != count or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
        words = {2: "two", 3: "three"}[count]
        raise InputError(
            f"this needs {words} numbers",
            file=study.path,
            column=f"{table}.{key}",
            found=values,
            expected="[low, high]" if count == 2 else "[x, y, z]",
        )
    return tuple(values)


def motion_of(study: Study, table: str) -> np.ndarray:
    """(4, 4) the motion of ``translation`` and ``rotation`` in a table of the study."""
    zero = (0.0, 0.0, 0.0)
    return fit.make_motion(numbers_of(study, table, "translation", zero), numbers_of(study, table, "rotation", zero))


def nominal_of(
    study: Study,
    progress: Callable[[str, float], None] | None = None,
    models: Models | None = None,
) -> nominal.Nominal:
    """The nominal that a study names, in its part frame; exact surfaces are kept in the user's `probekit.cache`.

    Parameters
    ----------
    study : Study
    progress : callable, optional
    models : mapping, optional
        Models loaded before, by what they were made of: that of this study is taken from it or put into it, so that
        many parts of one model load it once. A file that was changed since is loaded anew.

    Returns
    -------
    Nominal
    """
    made_of = "" if models is None else _made_of(study)
    if models is not None and made_of in models:
        part, said = models[made_of]
    else:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", ProbekitWarning)
            part = _loaded(study, progress)
        said = tuple(str(one.message) for one in caught if issubclass(one.category, ProbekitWarning))
        for one in caught:
            if not issubclass(one.category, ProbekitWarning):
                warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
        if models is not None:
            models[made_of] = part, said
    for note in (*said, *notes_on_size(study.settings, part.diagonal)):
        warnings.warn(note, ProbekitWarning, stacklevel=2)
    return part


def _made_of(study: Study) -> str:
    """What the nominal of a study is made of: file as it lies there, and keys."""
    path = study.file(study.settings["part"]["model"])
    try:
        about = path.stat()
    except OSError:
        return ""  # loading says what is wrong
    given = {key: value for key, value in study.settings["part"].items() if key not in PART}
    return json.dumps([str(path.resolve()), about.st_size, about.st_mtime_ns, given], sort_keys=True, default=str)


def _loaded(study: Study, progress: Callable[[str, float], None] | None) -> nominal.Nominal:
    settings = study.settings["part"]
    options = {key: settings[key] for key in settings if key not in ("model", "frame", "without_kernel", *PART)}
    if "unit" in options:
        millimetres_per(options["unit"], file=str(study.path), key="part.unit")
    part = nominal.load(study.file(settings["model"]), **options, cache=True, progress=progress)
    frame = settings.get("frame")
    if frame is None:
        return part
    if isinstance(frame, str):
        return move_nominal(part, placement(part, frame))
    if not 2 <= len(frame) <= 3:
        raise InputError(
            "a frame needs two or three faces",
            file=study.path,
            column="part.frame",
            found=frame,
            expected="names of faces",
        )
    return move_nominal(part, frame_from_faces(part, *frame))
