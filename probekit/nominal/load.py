"""Mesh files in: STL, PLY, OBJ, 3MF and GLB through trimesh, in millimetres, mended and grouped into faces."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from .. import cache as caching
from ..errors import InputError, ProbekitWarning
from .apart import apart, read_apart
from .exact.kernel import Progress
from .faces import FaceChoice, group_facets, name_faces, stable_names
from .from_step import STEP_FORMATS, from_step, kernel_serves
from .mend import mend
from .mesh_files import FORMATS, check_file, content_of, parsed
from .model import Nominal
from .topology import open_note

__all__ = ["FORMATS", "UNITS", "can_read", "from_arrays", "implausible_size", "load", "millimetres_per"]

#: Millimetres in one of each unit. The inch is exact (ISO 80000-3); micrometre to metre by definition.
UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 0.001, "inch": 25.4, "foot": 304.8}

_SPELLINGS = {
    "mm": ("millimeter", "millimetre", "millimeters", "millimetres"),
    "cm": ("centimeter", "centimetre", "centimeters", "centimetres"),
    "m": ("meter", "metre", "meters", "metres"),
    "um": ("micron", "microns", "micrometer", "micrometre"),
    "inch": ("in", "inches"),
    "foot": ("ft", "feet"),
}

_SMALLEST, _LARGEST = 1.0, 20_000.0  # diagonal [mm] outside which a unit is probably wrong


def millimetres_per(unit: str, *, file: str | None = None, key: str | None = None) -> tuple[str, float]:
    """Standard name and size in millimetres of a unit of length.

    Raises
    ------
    InputError
        If the unit is not known.
    """
    word = str(unit).strip().lower()
    for standard, others in _SPELLINGS.items():
        if word == standard or word in others:
            return standard, UNITS[standard]
    raise InputError(
        "unknown unit of length", file=file, column=key, found=unit, expected="one of " + ", ".join(sorted(UNITS))
    )


def load(
    path: str | Path,
    *,
    unit: str | None = None,
    faces: Mapping[str, FaceChoice] | None = None,
    angle: float = 25.0,
    name: str | None = None,
    deflection: float | None = None,
    body: str | None = None,
    cache: bool | str | Path = False,
    progress: Progress | None = None,
) -> Nominal:
    """Load a model file as the nominal: facets from a mesh file, exact surfaces from STEP.

    All but STL files are read in a process of their own, which may take 300 s and 4000 MB; the environment variables
    PROBEKIT_READ_SECONDS and PROBEKIT_READ_MB set other limits, PROBEKIT_READ_APART = off reads in this process.

    Many parameters: what a file does not say, or says ambiguously, is stated here, each of it by itself and each with a
    default that suits most files.

    Parameters
    ----------
    path : str or Path
        STL, PLY, OBJ, 3MF, GLB or STEP file.
    unit : str, optional
        Unit of the file's numbers ("mm", "inch", ...). STEP and 3MF carry their unit and GLB is in metres by its
        standard; the others do not say, and are refused unless told.
    faces : mapping, optional
        Names for faces: new name -> present name, or a point on the face [mm], or a list of these.
    angle : float
        Facets that meet at less than this belong to one face [deg].
    name : str, optional
        Name of the part; the file's name by default.
    deflection : float, optional
        STEP only: largest distance of the facets, which are drawn and seed the search, from the exact surface [mm].
    body : str, optional
        STEP only: one body of several, by name or path ("Vice/Jaw_2"), all below an assembly, or "*" for all
        together. By default those of the one part in the file; several parts are refused, with their names.
    cache : bool, str or Path
        STEP only: where the exact model is kept, so that the same file with the same options is read once and loaded
        without the CAD kernel from then on. True for the user's cache folder (`probekit.cache.folder`), or a folder;
        by default nothing is kept. If that is not possible, a note of the nominal says so. Whoever can write to the
        folder can change what is measured against.
    progress : callable, optional
        STEP only: told the name of each step as it begins, and the part of the job done so far (0 to 1). While the CAD
        kernel reads or makes shapes, which of a large file take seconds each, nothing is told.

    Returns
    -------
    Nominal

    Raises
    ------
    InputError
        If the file cannot be read, has no unit, or holds no usable surface; if what reads it crashes on it, or needs
        more time or memory than it may.
    MissingKernelError
        For a STEP file, if the CAD kernel is not installed.

    Warns
    -----
    ProbekitWarning
        If the size is implausible for a machined part, the surface is open, or a given unit overrules the file's.
    """
    path = Path(path)
    if path.suffix.lower() in STEP_FORMATS:
        if unit is not None:
            raise InputError("a STEP file states its own unit", file=path, found=f"unit={unit!r}", todo="Leave it out.")
        part = from_step(
            path, faces=faces, name=name, deflection=deflection, body=body, place=_place(cache), progress=progress
        )
        _warn_if_implausible(part)
        return part
    if deflection is not None or body is not None:
        raise InputError("deflection= and body= are for STEP files", file=path)
    vertices, facets, file_unit, checksum = _mesh(path, progress)
    unit_source, factor = _unit(path, file_unit, unit)
    return from_arrays(
        vertices * factor,
        facets,
        faces=faces,
        angle=angle,
        name=name or path.stem,
        unit_source=unit_source,
        source=str(path),
        sha256=checksum,
    )


def can_read(
    path: str | Path,
    *,
    deflection: float | None = None,
    body: str | None = None,
    cache: bool | str | Path = False,
    progress: Progress | None = None,
) -> bool:
    """Whether what this kind of file needs is installed: the CAD kernel for STEP, nothing for meshes.

    With a cache, a STEP file that is not in it is read and kept, so that `load` finds it there.

    Parameters
    ----------
    path : str or Path
        Only its ending counts, unless there is a cache.
    deflection, body, cache, progress
        As in `load`. The kernel is not imported for a model that is kept.

    Raises
    ------
    InputError
        With a cache, if the file cannot be read.
    """
    path = Path(path)
    if path.suffix.lower() not in STEP_FORMATS:
        return True
    return kernel_serves(path, _place(cache), deflection=deflection, body=body, progress=progress)


def _place(cache: bool | str | Path) -> Path | None:
    if isinstance(cache, bool):
        return caching.folder() if cache else None
    return Path(cache)


def from_arrays(
    vertices: np.ndarray,
    facets: np.ndarray,
    *,
    facet_face: np.ndarray | None = None,
    face_names: tuple[str, ...] | None = None,
    faces: Mapping[str, FaceChoice] | None = None,
    angle: float = 25.0,
    name: str = "part",
    unit_source: str = "arrays in mm",
    source: str = "",
    sha256: str = "",
) -> Nominal:
    """Make a nominal of plain arrays.

    Many parameters: what a file would say of its mesh (faces, names, unit, origin) is stated here one by one, for the
    record.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    facet_face : (f,) int, optional
        Face of each facet, if known; the mesh must then need no mending. By default faces are found by `angle`.
    face_names : tuple of str, optional
        Names that go with `facet_face`.
    faces, angle, name
        As in `load`.
    unit_source, source, sha256 : str
        For the record.

    Raises
    ------
    InputError
        See `probekit.nominal.mend`; also if `facet_face` is given for a mesh that has facets to drop, or does not
        match `face_names`.
    """
    file = source or None
    given = np.asarray(facets).reshape(-1, 3)
    raw = np.asarray(vertices, dtype=float).reshape(-1, 3)
    vertices, facets, notes = mend(raw, given, file=file)
    if facet_face is None:
        facet_face = group_facets(vertices, facets, angle=angle)
    elif len(facet_face) != len(given) or not _same_facets(vertices[facets], raw[given]):
        raise InputError(
            "faces were given for a mesh whose facets do not match",
            file=file,
            found=f"{len(facet_face)} entries, {len(given)} facets of which {len(facets)} are left after the repair",
            todo="Repair the mesh first, or let probekit find the faces.",
        )
    facet_face = np.array(facet_face, dtype=np.int32)
    names = tuple(face_names) if face_names else stable_names(int(facet_face.max()) + 1)
    if set(facet_face.tolist()) != set(range(len(names))) or len(set(names)) != len(names):
        raise InputError(
            "the faces do not match their names",
            file=file,
            found=f"{len(names)} names, faces {facet_face.min()} to {facet_face.max()}",
            expected="different names, one for each face, and facets in each face",
        )
    part = Nominal(vertices, facets, facet_face, names, name, unit_source, source, sha256, tuple(notes))
    _warn_if_implausible(part)
    return name_faces(part, faces) if faces else part


def _same_facets(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two lists of facets (f, 3, 3) have the same corners, facet by facet; the winding may differ."""
    if one.shape != other.shape:
        return False
    order = (np.lexsort(np.moveaxis(each, -1, 0)[::-1], axis=-1)[..., None] for each in (one, other))
    one, other = (np.take_along_axis(each, at, axis=1) for each, at in zip((one, other), order, strict=True))
    return np.array_equal(one, other)


def _mesh(path: Path, progress: Progress | None) -> tuple[np.ndarray, np.ndarray, str | None, str]:
    """Vertices, facets, unit and checksum of a mesh file; of other formats than STL read in a process of its own.

    An STL file is a list of numbers: what it takes grows with its length and no further.
    """
    check_file(path)
    content = content_of(path)
    checksum = hashlib.sha256(content).hexdigest()
    if path.suffix.lower() == ".stl" or not apart():
        return *parsed(path, content), checksum
    del content
    with read_apart("mesh", path, progress) as (folder, told):
        vertices, facets = (np.load(folder / f"{name}.npy", allow_pickle=False) for name in ("vertices", "facets"))
    return vertices, facets, told["unit"], checksum


def _unit(path: Path, file_unit: str | None, given: str | None) -> tuple[str, float]:
    if given is None and file_unit is None:
        raise InputError(
            "the file does not state its unit",
            file=path,
            expected="unit=, one of " + ", ".join(sorted(UNITS)),
            todo='State it, for instance unit="mm".',
        )
    if given is None:
        standard, factor = millimetres_per(file_unit, file=str(path))
        return f"{path.suffix[1:].upper()} file: {standard}", factor
    standard, factor = millimetres_per(given)
    if file_unit is not None and millimetres_per(file_unit)[0] != standard:
        warnings.warn(
            f"{path}: the file says {file_unit}, but {standard} was given and is used", ProbekitWarning, stacklevel=3
        )
    return f"given: {standard}", factor


def implausible_size(part: Nominal) -> str:
    """What is to be said of a part that is too small or too large for a machined one; empty if it is not."""
    if _SMALLEST <= part.diagonal <= _LARGEST:
        return ""
    return (
        f"the part is {part.diagonal:.3g} mm across, which is implausible for a machined part "
        f"(unit from {part.unit_source}): check the unit"
    )


def _warn_if_implausible(part: Nominal) -> None:
    where = f"{part.source}: " if part.source else ""
    if said := implausible_size(part):
        warnings.warn(f"{where}{said}", ProbekitWarning, stacklevel=3)
    for note in open_note(part.open_edges):
        warnings.warn(f"{where}{note}", ProbekitWarning, stacklevel=3)
