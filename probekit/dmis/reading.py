"""DMIS output read: measured points as touches, all measured features and tolerances as tables.

A feature stands there as it is nominally, ``F(label)=FEAT/...``, and as it was measured, ``FA(label)=FEAT/...``; a
tolerance as stated, ``T(label)=TOL/...``, and as found, ``TA(label)=TOL/...``. Points are contact points, after the
system's own compensation for the ball. The points of a feature that was fitted come as ``PTDATA/...`` after it. All of
this is from memory of ISO 22093.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from ..columns import MEASURED, NORMAL, TARGET
from ..errors import InputError
from ..show import shown
from ..touches.finish import finish
from ..touches.storage import load
from .statements import Statement, statements

__all__ = ["Reading", "read"]

_LENGTHS = {"MM": 1.0, "CM": 10.0, "M": 1000.0, "INCH": 25.4, "FEET": 304.8}
_ANGLES = {"ANGDEC": 1.0, "ANGRAD": 180.0 / np.pi, "ANGDMS": 1.0}
_PLACE, _DIRECTION = ("x", "y", "z"), ("i", "j", "k")
#: Kind of feature -> what its numbers are, in order; the numbers beyond these are numbered.
_ITEMS = {
    **dict.fromkeys(("POINT", "EDGEPT", "PLANE"), (*_PLACE, *_DIRECTION)),
    **dict.fromkeys(("CIRCLE", "CYLNDR"), (*_PLACE, *_DIRECTION, "diameter", "length")),
    "SPHERE": (*_PLACE, "diameter"),
    "CONE": (*_PLACE, *_DIRECTION, "angle"),
    "ARC": (*_PLACE, *_DIRECTION, "radius", "angle", "angle 2"),
    "LINE": (*_PLACE, *_DIRECTION, "i2", "j2", "k2"),
}
_BOUNDED = (*_PLACE, "x2", "y2", "z2", *_DIRECTION)  # of a line between two points
_ANGULAR = ("angle", "angle 2")
_UNITLESS = (*_DIRECTION, "i2", "j2", "k2")
_FRAMES = ("RECALL", "DATSET", "ROTATE", "TRANS", "LOCATE")
_NAMES = {"PARTID": "part", "PARTSN": "serial", "OPERID": "operator", "DATE": "date"}
_STATUS = {"INTOL": "INTOL", "OUTOL": "OUTOL"}
_KNOWN = {"FILNAM", "DMISMN", "DMISMD", "UNITS", "FEAT", "TOL", "OUTPUT", "PTDATA", "ENDFIL", "PRCOMP", "WKPLAN"}
_KNOWN |= {*_FRAMES, *_NAMES}
_SILENT = {"TEXT", "VFORM", "DISPLY", "TIME", "SNSLCT", "SNSDEF", "MODE", "PARTRV", "DATDEF", "SAVE", "PREC"}
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([ED][+-]?\d+)?")
_TURN = re.compile(r"-?\d+(:\d+){1,2}(\.\d+)?")  # degrees, minutes, seconds
_WORD = re.compile(r"[A-Z]\w*(\(.*\))?(\[.*\])?|'.*'|")
_MOST = 20_000_000  # characters


@shown
@dataclass(frozen=True, eq=False)
class Reading:
    """What a DMIS output file holds that a verification can use.

    Attributes
    ----------
    part : str
        What the part is called; empty if the file does not say.
    touches : DataFrame
        A touches table (`probekit.touches.table`) of the measured points [mm]: contact points, `radius` 0. A label
        such as P12 is the number 12 if all are so. `frame` tells in which coordinate system of the file a point is.
    values : DataFrame
        The measured features: `name, kind, item, nominal, actual`, lengths in mm, angles in degrees.
    tolerances : DataFrame
        `name, kind, features, stated, found, status`, in the words of the file: numbers as text, in its own units.
    notes : tuple of str
        What was not understood, and what to know.
    """

    part: str
    touches: pd.DataFrame
    values: pd.DataFrame
    tolerances: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """How much the file holds, in one line."""
        return (
            f"DMIS output{f' of {self.part}' if self.part else ''}: {len(self.touches)} measured points, "
            f"{self.values['name'].nunique()} features, {len(self.tolerances)} tolerances"
            + (f"; {len(self.notes)} notes" if self.notes else "")
        )

    @property
    def table(self) -> pd.DataFrame:
        """The measured features."""
        return self.values


@dataclass
class _File:
    """What was read so far."""

    path: str
    length: float = 0.0
    angle: str = ""
    frame: int = 0
    frames: dict[int, str] = field(default_factory=lambda: {0: "as the file begins"})
    plane: str = "XYPLAN"
    nominal: dict[str, tuple[str, dict[str, float], int]] = field(default_factory=dict)
    actual: dict[str, tuple[str, dict[str, float], int, int]] = field(default_factory=dict)
    points: list[tuple[str, tuple[float, ...], int, int]] = field(default_factory=list)
    stated: dict[str, tuple[str, str]] = field(default_factory=dict)
    found: dict[str, tuple[str, str, str]] = field(default_factory=dict)
    of: dict[str, str] = field(default_factory=dict)
    about: dict[str, str] = field(default_factory=dict)
    left: dict[str, int] = field(default_factory=dict)
    ended: bool = False

    def error(self, what: str, line: int, **more: str) -> InputError:
        return InputError(what, file=self.path, line=line, **more)


def read(path: str | Path) -> Reading:
    """Read a file of DMIS output (ISO 22093, from memory).

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Reading

    Raises
    ------
    InputError
        If the file cannot be read, a line is no statement, a feature has no numbers or no unit before it, was measured
        twice, or nothing was measured.
    """
    text, sha256 = load(path)
    if len(text) > _MOST:
        raise InputError("the file is too large", file=path, found=f"{len(text)} characters", expected=f"{_MOST}")
    held = _File(str(path))
    for one in statements(text, path):
        _take(held, one)
    if not held.actual:
        raise InputError(
            "the file holds no measured feature",
            file=path,
            expected="statements FA(label)=FEAT/...",
            todo="Let the program OUTPUT the features that it measures.",
        )
    notes = [f"{word}: {n} statement{'s' * (n > 1)} not understood and left out" for word, n in held.left.items()]
    if not held.ended:
        notes.append("the file does not end with ENDFIL: it may be cut short")
    table = _touches(held, sha256)
    if table["frame"].nunique() > 1:
        notes.append("the points stand in several coordinate systems: " + ", ".join(dict.fromkeys(table["frame"])))
    return Reading(held.about.get("part", ""), table, _values(held), _tolerances(held), tuple(notes))


def _take(held: _File, one: Statement) -> None:
    """One statement more."""
    if one.word == "UNITS":
        _units(held, one)
    elif one.word == "FEAT" and one.kind in ("F", "FA"):
        _feature(held, one)
    elif one.word == "TOL" and one.kind in ("T", "TA") and one.given:
        numbers = ", ".join(given for given in one.given[1:] if given not in _STATUS)
        if one.kind == "T":
            held.stated[one.label] = (one.given[0], numbers)
        else:
            status = next((_STATUS[given] for given in one.given if given in _STATUS), "")
            held.found[one.label] = (one.given[0], numbers, status)
    elif one.word == "OUTPUT":
        labels = [re.fullmatch(r"([A-Z]+)\(([^()]*)\).*", given) for given in one.given]
        names = [match[2] for match in labels if match and match[1] in ("F", "FA")]
        held.of |= {match[2]: ", ".join(dict.fromkeys(names)) for match in labels if match and match[1] in ("T", "TA")}
    elif one.word == "PTDATA":
        if not held.actual:
            raise held.error("points stand before the feature that they are of", one.line, found="PTDATA")
        label, (_, _, _, frame) = next(reversed(held.actual.items()))
        held.points.append((label, _place(held, one, list(one.given)), one.line, frame))
    elif one.word in _FRAMES:
        if held.actual or held.nominal or held.frame:
            held.frame += 1
        held.frames[held.frame] = f"{one.word}/{','.join(one.given)} in line {one.line}"
    elif one.word == "PRCOMP" and "OFF" in one.given:
        raise held.error(
            "the points are not compensated for the ball",
            one.line,
            found=f"PRCOMP/{','.join(one.given)}",
            expected="contact points: PRCOMP/ON, or no such statement",
            todo="Output compensated points, or export the ball centres as CSV.",
        )
    elif one.word == "WKPLAN":
        held.plane = one.given[0] if one.given else ""
    elif one.word in _NAMES:
        text = ",".join(one.given)
        held.about[_NAMES[one.word]] = (text[1:-1] if text.startswith("'") else text).replace("''", "'")
    elif one.word == "ENDFIL":
        held.ended = True
    elif one.word not in _KNOWN | _SILENT:
        held.left[one.word] = held.left.get(one.word, 0) + 1


def _units(held: _File, one: Statement) -> None:
    lengths = [_LENGTHS[given] for given in one.given if given in _LENGTHS]
    angles = [given for given in one.given if given in _ANGLES]
    if len(lengths) != 1 or len(angles) > 1:
        raise held.error(
            "the unit is not one that is known", one.line, found=",".join(one.given), expected="MM or INCH"
        )
    held.length, held.angle = lengths[0], angles[0] if angles else "ANGDEC"


def _feature(held: _File, one: Statement) -> None:
    """A feature as it is nominally, or as it was measured."""
    if not one.given:
        raise held.error("the feature has no kind", one.line, expected="FEAT/POINT,CART,...")
    kind, given = one.given[0], list(one.given[1:])
    words = [word for word in given if not _NUMBER.fullmatch(word) and not _TURN.fullmatch(word)]
    if odd := next((word for word in words if not _WORD.fullmatch(word)), None):
        raise held.error("this is neither a number nor a word", one.line, found=odd)
    items = _BOUNDED if kind == "LINE" and "BND" in words else _ITEMS.get(kind, ())
    numbers = [word for word in given if word not in words]
    if (kind in _ITEMS and len(numbers) < 4 and (kind, len(numbers)) != ("POINT", 3)) or (
        kind == "POINT" and len(numbers) in (4, 5)
    ):
        raise held.error(
            "the feature lacks numbers",
            one.line,
            found=",".join(one.given),
            expected="a place, or place and direction" if kind == "POINT" else "a place and more",
            todo="The file may be truncated or damaged: copy it again from its source.",
        )
    found: dict[str, float] = {}
    if kind in _ITEMS:
        found = dict(zip(_PLACE, _place(held, one, given), strict=True))
        numbers = numbers[3:]
        items = items[3:]
    for k, text in enumerate(numbers):
        item = items[k] if k < len(items) else f"number {k + 1}"
        found[item] = _value(held, one, item, text)
    if one.kind == "F":
        held.nominal[one.label] = (kind, found, held.frame)
    elif one.label in held.actual:
        raise held.error(
            "the feature was measured twice",
            one.line,
            found=one.label,
            expected=f"once; the first is in line {held.actual[one.label][2]}",
            todo="Keep one part, and one measurement of each feature, in a file.",
        )
    else:
        held.actual[one.label] = (kind, found, one.line, held.frame)


def _place(held: _File, one: Statement, given: list[str]) -> tuple[float, ...]:
    """Three coordinates [mm], from Cartesian or polar ones."""
    numbers = [word for word in given if _NUMBER.fullmatch(word) or _TURN.fullmatch(word)][:3]
    if len(numbers) < 3:
        raise held.error("the point lacks coordinates", one.line, found=",".join(one.given), expected="three numbers")
    if "POL" not in given:
        return tuple(_value(held, one, "x", text) for text in numbers)
    if held.plane != "XYPLAN":
        raise held.error(
            "polar coordinates are read in the working plane XY alone",
            one.line,
            found=f"WKPLAN/{held.plane}",
            expected="WKPLAN/XYPLAN, or Cartesian coordinates",
            todo="Output Cartesian coordinates (CART).",
        )
    radius, turn, height = (
        _value(held, one, item, text) for item, text in zip(("x", "angle", "z"), numbers, strict=True)
    )
    return (radius * np.cos(np.radians(turn)), radius * np.sin(np.radians(turn)), height)


def _value(held: _File, one: Statement, item: str, text: str) -> float:
    """A number in mm or degrees; a direction, or what is not known here, as it stands."""
    if not held.length:
        raise held.error("the file does not say its unit", one.line, expected="UNITS/MM,ANGDEC before the features")
    try:
        if item in _ANGULAR:
            degrees = [float(part) for part in text.split(":")]
            sign = -1.0 if text.startswith("-") else 1.0
            turned = sign * sum(abs(part) / 60.0**k for k, part in enumerate(degrees))
            value = turned * _ANGLES[held.angle]
        else:
            number = float(text.replace("D", "E"))
            value = number if item in _UNITLESS or item.startswith("number") else number * held.length
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise held.error("this is not a finite number", one.line, found=text)
    return value


def _stated(held: _File, label: str, frame: int) -> dict[str, float]:
    """The numbers of a feature as it is nominally; none if they were stated in another coordinate system."""
    _, numbers, stated_in = held.nominal.get(label, ("", {}, frame))
    return numbers if stated_in == frame else {}


def _touches(held: _File, sha256: str) -> pd.DataFrame:
    """The measured points: features that are points, and the points of the others."""
    rows, lines = [], []
    for label, (kind, found, line, frame) in held.actual.items():
        if kind != "POINT":
            continue
        aim = _stated(held, label, frame)
        whole = all(name in aim for name in (*_PLACE, *_DIRECTION))
        target = [aim[name] if whole else np.nan for name in (*_PLACE, *_DIRECTION)]
        rows.append((label, label, *target, *(found[name] for name in _PLACE), held.frames[frame]))
        lines.append(line)
    of_fitted: dict[str, int] = {}
    for label, place, line, frame in held.points:
        if held.actual[label][0] != "POINT":  # the point of a point is the feature itself
            of_fitted[label] = of_fitted.get(label, 0) + 1
            rows.append((f"{label}_{of_fitted[label]}", label, *[np.nan] * 6, *place, held.frames[frame]))
            lines.append(line)
    table = pd.DataFrame(rows, columns=["touch", "feature", *TARGET, *NORMAL, *MEASURED, "frame"])
    table.insert(table.columns.get_loc("frame"), "reason", "")
    table["radius"] = 0.0
    numbers = [re.fullmatch(r"[A-Z_]*?0*(\d{1,15})", str(label)) for label in table["touch"]]
    if len(table) and all(numbers) and len({int(match[1]) for match in numbers if match}) == len(table):
        table["touch"] = [int(match[1]) for match in numbers if match]
    table.attrs = {"unit": "mm", "recorded": "contact", "source": held.path, "sha256": sha256, **held.about}
    return finish(table, lines, "mm") if len(table) else table


def _values(held: _File) -> pd.DataFrame:
    rows = [
        (label, kind, item, _stated(held, label, frame).get(item, np.nan), value)
        for label, (kind, found, _, frame) in held.actual.items()
        for item, value in found.items()
    ]
    return pd.DataFrame(rows, columns=["name", "kind", "item", "nominal", "actual"])


def _tolerances(held: _File) -> pd.DataFrame:
    labels = dict.fromkeys((*held.stated, *held.found))
    rows = []
    for label in labels:
        kind, stated = held.stated.get(label, ("", ""))
        also, found, status = held.found.get(label, ("", "", ""))
        rows.append((label, kind or also, held.of.get(label, ""), stated, found, status))
    return pd.DataFrame(rows, columns=["name", "kind", "features", "stated", "found", "status"])
