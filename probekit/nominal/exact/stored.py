"""Exact models, and their tolerances, kept in the cache: a STEP file that was read once needs no CAD kernel again.

A model is kept as a description in JSON (the fields of its dataclasses, in their order) and the raw little-endian
numbers of its arrays. It is named by what it was made of: the STEP file, the options, and the versions of the kernel
and of probekit, the source of the modules that read it included. What is read back is checked against the types of the
fields, and lengths and indices against each other: a file that somebody else made raises no error either.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from math import prod
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from ... import __version__
from ... import cache as kept
from ...lazily import installed_version
from .brep import Brep, ExactFace
from .conics import Conic
from .creases import Creased
from .edges import Edge
from .offsets import Offset
from .pmi_model import ModelDatum, ModelPmi, ModelSize, ModelTarget, ModelTolerance
from .splines import Spline
from .surfaces import Elementary, Surface
from .swept import Extruded, Revolved

__all__ = ["fetch", "fetch_pmi", "keep", "kernel_version", "name_of"]

_SURFACES = (Elementary, Spline, Creased, Revolved, Extruded, Offset)
_PMI = (ModelPmi, ModelTolerance, ModelDatum, ModelTarget, ModelSize)
_KINDS = {kind.__name__: kind for kind in (Brep, ExactFace, Edge, Conic, *_SURFACES, *_PMI)}
_TYPES = ("<f8", "<i8", "<i4", "|u1", "|b1")
_ALIGNED = 8
_KERNELS = ("cadquery-ocp-novtk", "cadquery-ocp")
_MADE_BY = (Path(__file__).parent, Path(__file__).parents[1] / "topology.py", Path(__file__).parents[2] / "geometry.py")


class _OtherError(Exception):
    """Something that cannot be kept, such as a surface that only the kernel can evaluate."""


def name_of(step_sha256: str, **options: object) -> str | None:
    """The name of a model in the cache; None if the version of the kernel, which it depends on, cannot be told."""
    known, source = kernel_version(), kept.source_of(*_MADE_BY)
    return kept.name_of(step_sha256, sorted(options.items()), known, __version__, source) if known else None


def keep(model: Brep | ModelPmi, name: str, label: str, place: Path) -> str:
    """Keep a model, or the tolerances that it carries, under a name.

    Returns
    -------
    str
        Empty, or why it could not be written; empty also for a model with surfaces that only the kernel can evaluate,
        which is never kept.
    """
    parts: list[memoryview] = []
    try:
        described = json.dumps(_described(model, parts, [0]), separators=(",", ":")).encode()
    except _OtherError:
        return ""
    start = b"%d\n" % len(described) + described
    return kept.keep(name, label, [start + b" " * (-len(start) % _ALIGNED), *parts], place)


def fetch(name: str, place: Path) -> Brep | None:
    """The model that was kept under a name; None if there is none that can be used. Its arrays cannot be written to."""
    return _fetched(name, place, Brep)


def fetch_pmi(name: str, place: Path) -> ModelPmi | None:
    """The tolerances of a model that were kept under a name; None if there are none that can be used."""
    return _fetched(name, place, ModelPmi)


_Kept = TypeVar("_Kept", Brep, ModelPmi)


def _fetched(name: str, place: Path, kind: type[_Kept]) -> _Kept | None:
    content = kept.fetch(name, place)
    if content is None:
        return None
    try:
        length, mark, _ = bytes(content[:20]).partition(b"\n")
        begin = len(length + mark)
        end = begin + int(length)
        if not mark or not begin <= end <= len(content):
            return None
        described = json.loads(bytes(content[begin:end]))
        found = _reader(kind)(described, content[end + -end % _ALIGNED :])
        if isinstance(found, Brep):
            _check(found)
    except (ValueError, OverflowError, RecursionError):
        return None
    return found


@cache
def kernel_version() -> str:
    """Name and version of the CAD kernel as installed; empty if it is not."""
    for name in _KERNELS:
        try:
            return f"{name} {installed_version(name)}"
        except ModuleNotFoundError:  # which the error of a distribution that is not installed is
            continue
    return ""


def _described(value: Any, parts: list[memoryview], size: list[int]) -> Any:
    """A value as JSON has it; arrays as [type, place, *shape], their numbers behind those in `parts`."""
    if isinstance(value, np.ndarray):
        array = np.ascontiguousarray(value, dtype=value.dtype.newbyteorder("<"))
        if array.dtype.str not in _TYPES:
            raise _OtherError(f"an array of {value.dtype}")
        at, spare = size[0], bytes(-array.nbytes % _ALIGNED)
        parts += [memoryview(array.reshape(-1)).cast("B"), memoryview(spare)] if array.size else []
        size[0] += array.nbytes + len(spare)
        return [array.dtype.str, at, *value.shape]
    if is_dataclass(value):
        if _KINDS.get(type(value).__name__) is not type(value):
            raise _OtherError(f"a {type(value).__name__}")
        return {type(value).__name__: [_described(getattr(value, one.name), parts, size) for one in fields(value)]}
    if isinstance(value, tuple | list):
        return [_described(one, parts, size) for one in value]
    if isinstance(value, np.generic):
        return value.item()
    if value is None or isinstance(value, str | int | float):
        return value
    raise _OtherError(f"a {type(value).__name__}")


_Read = Callable[[Any, memoryview], Any]


@cache
def _reader(hint: Any) -> _Read:
    """What makes a value of a type of its description; it raises ValueError where this is of another type."""
    if hint is np.ndarray:
        return _array
    if hint is Surface:
        return _one_of(*_SURFACES)
    if hint in _KINDS.values():
        return _one_of(hint)
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _either(*inner)
    if origin is tuple:
        return _tuple(*inner)
    plain = {float: (float, int), int: (int,), str: (str,), bool: (bool,), NoneType: (NoneType,)}[hint]

    def read(node: Any, _: memoryview) -> Any:
        return _expect(node, type(node) in plain)

    return read


def _expect(value: Any, right: bool) -> Any:
    if not right:
        raise ValueError("not as it was written")
    return value


def _array(node: Any, numbers: memoryview) -> np.ndarray:
    _expect(node, type(node) is list and len(node) >= 2 and node[0] in _TYPES)
    kind, (at, *shape) = np.dtype(node[0]), node[1:]
    _expect(node, all(type(one) is int and 0 <= one < 1 << 48 for one in (at, *shape)) and len(shape) <= 8)
    count = prod(shape)
    _expect(node, at % _ALIGNED == 0 and at + count * kind.itemsize <= len(numbers))
    found = np.frombuffer(numbers, kind, count, at) if count else np.zeros(0, kind)
    return found.reshape(shape).astype(kind.newbyteorder("="), copy=False)


def _one_of(*kinds: type) -> _Read:
    def read(node: Any, numbers: memoryview) -> Any:
        _expect(node, type(node) is dict and len(node) == 1)
        ((name, values),) = node.items()
        kind = _expect(_KINDS.get(name), _KINDS.get(name) in kinds)
        readers = _fields(kind)
        _expect(values, type(values) is list and len(values) == len(readers))
        return kind(**{key: of(one, numbers) for (key, of), one in zip(readers, values, strict=True)})

    return read


@cache
def _fields(kind: type) -> tuple[tuple[str, _Read], ...]:
    hints = get_type_hints(kind)
    return tuple((one.name, _reader(hints[one.name])) for one in fields(kind))


def _either(*hints: Any) -> _Read:
    readers = [_reader(hint) for hint in hints]

    def read(node: Any, numbers: memoryview) -> Any:
        for of in readers:
            try:
                return of(node, numbers)
            except ValueError:
                continue
        raise ValueError("not as it was written")

    return read


def _tuple(*hints: Any) -> _Read:
    if hints[-1] is not Ellipsis:
        readers = [_reader(hint) for hint in hints]

        def of_each(node: Any, numbers: memoryview) -> Any:
            _expect(node, type(node) is list and len(node) == len(readers))
            return tuple(of(one, numbers) for of, one in zip(readers, node, strict=True))

        return of_each
    alike = _reader(hints[0])

    def of_all(node: Any, numbers: memoryview) -> Any:
        return tuple(alike(one, numbers) for one in _expect(node, type(node) is list))

    return of_all


def _check(brep: Brep) -> None:
    """Raise ValueError where lengths and indices contradict each other."""
    f = len(brep.facets)
    shapes = (
        (brep.vertices, (len(brep.vertices), 3)),
        (brep.facets, (f, 3)),
        (brep.facet_face, (f,)),
        (brep.corner_uv, (f, 3, 2)),
        (brep.corner_node, (f, 3)),
    )
    for array, shape in shapes:
        _expect(array, array.shape == shape)
    for index, below in ((brep.facets, len(brep.vertices)), (brep.facet_face, len(brep.faces))):
        _expect(index, index.dtype.kind == "i" and f > 0 and bool((index >= 0).all()) and int(index.max()) < below)
    node = brep.corner_node
    _expect(node, node.dtype.kind == "i" and bool((node >= 0).all()) and int(node.max()) < 1 << 31)
    _expect(brep, _finite(brep.vertices) and _finite(brep.corner_uv))
    for face in brep.faces:
        _expect(face, all(0 <= edge < len(brep.edges) for edge, _ in face.borders))
        _expect(face, all(pole.shape == (3,) and _finite(pole) for pole in face.poles))
        _check_surface(face.surface)
    for edge in brep.edges:
        _check_spline(edge.poles, edge.weights, (edge.knots,), (edge.degree,))


def _check_surface(surface: Any) -> None:
    if isinstance(surface, Spline):
        _check_spline(surface.poles, surface.weights, surface.knots, surface.degrees)
    elif isinstance(surface, Creased):
        rows = surface.parts
        _expect(rows, len(rows) > 0 and len(rows[0]) > 0 and all(len(row) == len(rows[0]) for row in rows))
        for row in rows:
            for part in row:
                _check_surface(part)
    elif isinstance(surface, Offset):
        _expect(surface, isinstance(surface.base, Spline | Extruded | Revolved) and np.isfinite(surface.distance))
        _check_surface(surface.base)
    elif isinstance(surface, Extruded):
        _check_profile(surface.profile)
        _expect(surface, surface.direction.shape == (3,) and _finite(surface.direction))
    else:
        _expect(surface, surface.origin.shape == (3,) and surface.axes.shape == (3, 3))
        _expect(surface, _finite(surface.origin) and _finite(surface.axes))
        if isinstance(surface, Revolved):
            _check_profile(surface.profile)
        else:
            _expect(surface, all(type(one) is not np.ndarray for one in (surface.radius, surface.second, surface.side)))
            _expect(surface, surface.kind in ("plane", "cylinder", "cone", "sphere", "torus"))


def _check_profile(profile: Edge | Conic) -> None:
    if isinstance(profile, Conic):
        _expect(profile, profile.poles.shape == (3, 3) and _finite(profile.poles))
        _expect(profile, profile.kind in ("ellipse", "hyperbola", "parabola", "line"))
    else:
        _check_spline(profile.poles, profile.weights, (profile.knots,), (profile.degree,))


def _check_spline(
    poles: np.ndarray, weights: np.ndarray | None, knots: tuple[np.ndarray, ...], degrees: tuple[int, ...]
) -> None:
    """Poles (..., 3) over as many directions as there are knot vectors: n + degree + 1 knots that do not fall."""
    _expect(poles, poles.ndim == len(knots) + 1 and poles.shape[-1] == 3 and _finite(poles))
    _expect(weights, weights is None or (weights.shape == poles.shape[:-1] and _finite(weights)))
    for count, own, degree in zip(poles.shape, knots, degrees, strict=False):
        _expect(own, 1 <= degree < count and own.shape == (count + degree + 1,) and _finite(own))
        _expect(own, bool((own[1:] >= own[:-1]).all()) and own[degree] < own[-degree - 1])


def _finite(array: np.ndarray) -> bool:
    return array.dtype.kind == "f" and bool(np.isfinite(array).all())
