"""The tables of tolerances, kind by kind."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..fit import FREEDOMS
from ..nominal.exact.pmi_model import PER_UNIT, PROJECTED_ZONE, UNEQUAL
from ..tolerance.basic_angle import contradiction
from ..tolerance.spec import KINDS, keys_of, stated_by
from .sizes import MATERIAL, limits_of
from .tables import NotJudgedError, Table, Tables

if TYPE_CHECKING:
    from ..nominal.exact.pmi_model import ModelTolerance
    from .features import Feature

__all__ = ["tolerance_table"]

_OF = {"bore": "axis", "boss": "axis", "sphere": "centre", "slot": "middle plane", "web": "middle plane"}
_CLAMPED = {"free state": "it holds in the free state, and on the machine the part is clamped"}
_GONE = {
    "coaxiality": "coaxiality, as position of the axis: so ISO 1101 means it",
    "concentricity": "concentricity, as position of the axis. ISO 1101 means it so; ASME Y14.5 up to 2009 meant the "
    "median points of opposed touches, and from 2018 has position in its place",
    "symmetry": "symmetry, as position of the middle plane. ISO 1101 means it so; ASME Y14.5 up to 2009 meant the "
    "median points of opposed touches, and from 2018 has position in its place",
}


def tolerance_table(tables: Tables, one: ModelTolerance) -> Table:
    """Keys of a [[tolerance]] table.

    Raises
    ------
    NotJudgedError
        With the reason, if it cannot be judged as it stands in the model.
    """
    if one.kind not in _KINDS:
        raise NotJudgedError("there is no such kind of tolerance here")
    if not one.faces:
        raise NotJudgedError("it is linked to no known face")
    table = _KINDS[one.kind](tables, one)
    lower = tables.lower.get(one.source_id)
    if lower is not None:
        if {m for m in (*one.modifiers, *lower.modifiers) if one.modifiers.count(m) != lower.modifiers.count(m)}:
            raise NotJudgedError(f"its lower segment {lower.source_id} has other modifiers")
        table.keys["refining"] = {"width": lower.value} | ({"datums": tables.letters(lower)} if lower.datums else {})
        table.remarks.append(f"Its lower segment is {lower.source_id}.")
    return table.tried()


def _begun(tables: Tables, one: ModelTolerance, kind: str, more: Iterable[str] = (), *, datums: bool = True) -> Table:
    """What all kinds share, if nothing bears on it but `more`, which the caller sees to, and what the kind takes."""
    if kind not in KINDS:
        raise NotJudgedError("there is no such kind of tolerance here")
    takes, keys = stated_by(kind), keys_of(kind)
    table = Table({"kind": kind, "features": [feature.name for feature in tables.of(one.faces)], "width": one.value})
    odd = []
    for modifier in one.modifiers:
        if modifier in more or (datums and modifier.startswith("datum ")):
            continue
        if modifier in takes:
            key, value = takes[modifier]
            table.keys[key] = value
        elif modifier == PER_UNIT and "unit" in keys:
            _per_unit(table, one)
        else:
            odd.append(_CLAMPED.get(modifier, modifier))
    if odd:
        raise NotJudgedError(f"its modifiers would also have to be judged: {', '.join(odd)}")
    if datums and one.datums:
        table.keys["datums"] = tables.letters(one)
    return table


def _per_unit(table: Table, one: ModelTolerance) -> None:
    """Windows of a study are round, or lengths; the circle round a rectangle is the stricter reading."""
    table.keys["unit"] = one.unit[0]
    if one.unit_shape in ("rectangular", "square"):
        sides = (*one.unit, one.unit[0])[:2]
        table.keys["unit"] = round(float(np.hypot(*sides)), 9)
        table.notes["unit"] = (
            f"diameter of the circle round {sides[0]:g} x {sides[1]:g}: windows are round, so stricter"
        )
    elif one.unit_shape == "length" and table.keys["kind"] == "profile":
        table.fill_in("along", "the direction along which the unit of length is taken, [x, y, z]", [1.0, 0.0, 0.0])


def _profile(tables: Tables, one: ModelTolerance) -> Table:
    both = {"common zone", "separate requirement"}
    if both <= set(one.modifiers):
        raise NotJudgedError("its modifiers would also have to be judged: they contradict each other")
    if "all over" in one.modifiers:
        return _all_over(tables, one)
    table = _begun(tables, one, "profile", {"common zone", UNEQUAL})
    if one.outside is not None:
        table.keys["outside"], table.notes["outside"] = one.outside, "part of the zone outside the material"
    elif one.displacement is not None:
        added, shifted = one.displacement, one.value / 2 + one.displacement
        table.fill_in(
            "outside",
            f"the part of the zone outside the material; {added:g} if the drawing has it after U (ASME Y14.5), "
            f"{shifted:g} if it has {added:g} after UZ (ISO 1101)",
            0.0,
        )
    _shared(one, table)
    return table


def _all_over(tables: Tables, one: ModelTolerance) -> Table:
    own = {f for other in tables.pmi.tolerances if other.kind == one.kind and other is not one for f in other.faces}
    if odd := [m for m in one.modifiers if m != "all over" and not m.startswith("datum ")]:
        raise NotJudgedError(f"its modifiers would also have to be judged: {', '.join(odd)}")
    names = dict.fromkeys(tables.features.named(face) for face in one.faces if face not in own)
    if not names:
        raise NotJudgedError("it is all over the part, and every face has a profile of its own")
    table = Table({"kind": "profile", "features": list(names), "width": one.value})
    if one.datums:
        table.keys["datums"] = tables.letters(one)
    table.remarks.append("All over the part, but not where a face has a profile of its own.")
    _shared(one, table)
    return table


def _shared(one: ModelTolerance, table: Table) -> None:
    """How far several features share a zone, and what is free where no datum holds it."""
    several = len(table.keys["features"]) > 1
    if not one.datums:
        table.keys["free"], table.notes["free"] = list(FREEDOMS), "no datum holds the zone"
    if "separate requirement" in one.modifiers and not one.datums:
        del table.keys["separate"]
        table.keys["each"] = True
    elif several and not one.datums and "common zone" not in one.modifiers:
        table.remarks.append(
            "The features share one zone here, the stricter reading. The model does not state it: each = true judges "
            "every feature by a zone of its own."
        )


def _line_profile(tables: Tables, one: ModelTolerance) -> Table:
    table = _begun(tables, one, "profile of a line")
    _sections(table, "sections")
    if not one.datums:
        table.keys["free"], table.notes["free"] = list(FREEDOMS), "no datum holds the zone"
    return table


def _form(tables: Tables, one: ModelTolerance) -> Table:
    on = {"flatness": ("plane",), "cylindricity": ("bore", "boss"), "roundness": ("bore", "boss", "cone", "sphere")}
    kind = {"roundness": "circularity"}.get(one.kind, one.kind)
    if kind == "flatness" and MATERIAL & set(one.modifiers) and tables.features.opposed(one.faces):
        return _middle_flatness(tables, one)
    table = _begun(tables, one, kind, {"separate requirement"}, datums=False)
    features = tables.of(one.faces)
    if not all(feature.what in on[one.kind] for feature in features):
        what = ", ".join(dict.fromkeys(feature.what for feature in features))
        raise NotJudgedError(f"{kind} of a {what} is not judged")
    if kind == "circularity":
        _along_axis(table, features)
    return _each(table, features)


def _middle_flatness(tables: Tables, one: ModelTolerance) -> Table:
    """Flatness on two opposed planes at a material condition, which no single plane has: of what lies midway."""
    table = _begun(tables, one, "flatness of a middle plane", {"separate requirement"}, datums=False)
    if "modifier" in table.keys:
        limits_of(tables, one, table)
    table.remarks.append("It is on two opposed planes: the flatness of the plane midway between them is judged.")
    return table


def _each(table: Table, features: list[Feature]) -> Table:
    if len(features) > 1:
        table.keys["each"] = True
    return table


def _sections(table: Table, called: str) -> None:
    """How touches make sections or lines is a matter of how they are taken."""
    table.fill_in("section", f'the direction perpendicular to the {called}: "x", "y", "z" or [x, y, z]', "x")
    table.fill_in("apart", f"touches whose heights differ by less than this are on one of the {called} [mm]", 0.5)


def _along_axis(table: Table, features: list[Feature]) -> None:
    directions = {feature.direction for feature in features if feature.what != "sphere"}
    if len(directions) == 1 and None not in directions:
        table.keys["section"] = table.keys["axis"] = list(directions.pop() or ())
    else:
        table.fill_in("axis", "the direction perpendicular to the sections, [x, y, z]", [0.0, 0.0, 1.0])
        table.fill_in("section", "the same", [0.0, 0.0, 1.0])


def _straightness(tables: Tables, one: ModelTolerance) -> Table:
    features = tables.of(one.faces)
    if "diameter" in one.modifiers:
        table = _begun(tables, one, "straightness of an axis", {"diameter"}, datums=False)
        if not all(feature.what in ("bore", "boss") for feature in features):
            raise NotJudgedError("only the axis of a cylinder is judged for straightness")
        _along_axis(table, features)
        if "modifier" in table.keys:
            limits_of(tables, one, table)
    else:
        table = _begun(tables, one, "straightness", datums=False)
        _sections(table, "lines")
    return _each(table, features)


def _orientation(tables: Tables, one: ModelTolerance) -> Table:
    table = _begun(tables, one, one.kind, {"diameter", "separate requirement", PROJECTED_ZONE})
    features = tables.of(one.faces)
    whats = {feature.what for feature in features}
    if whats <= {"bore", "boss"}:
        table.keys["feature"] = "axis"
        _round(one, table)
        if PROJECTED_ZONE in one.modifiers:
            long = f"{one.projected[0][0]:g} mm " if one.projected else ""
            note = (
                f"[from, to] of the projected zone, {long}long, counted along the axis from the middle of the touches"
            )
            table.fill_in("length", note, [0.0, 1.0])
    elif whats != {"plane"} or {"diameter", PROJECTED_ZONE} & set(one.modifiers):
        raise NotJudgedError(f"{one.kind} of a {', '.join(sorted(whats))} is not judged")
    if not one.datums:
        raise NotJudgedError("it names no datum")
    _require_meant(tables, one, features)
    return _each(table, features)


def _require_meant(tables: Tables, one: ModelTolerance, features: list[Feature]) -> None:
    """Refuse an orientation that contradicts the angle at which its faces stand to its first datum in the model."""
    datum = tables.datum_features(one.datums[0])
    if len(datum) != 1 or datum[0].direction is None:
        return
    for feature in features:
        if feature.direction is not None:
            kind = "plane" if feature.what == "plane" else "axis"
            directions = np.array(feature.direction), np.array(datum[0].direction)
            stands = contradiction(one.kind, directions[0], kind, directions[1], datum[0].kind)
            if stands is not None:
                raise NotJudgedError(
                    f"{feature.name} stands at {stands:.1f} degrees to datum {'-'.join(one.datums[0])}, so {one.kind} "
                    "to it cannot be meant; check the model against the drawing"
                )


def _round(one: ModelTolerance, table: Table) -> None:
    """The zone of an axis is a cylinder if the model says so, else two planes that only the drawing shows."""
    if "diameter" not in one.modifiers:
        table.fill_in(
            "across",
            "the model does not say that the zone is round: the direction square to its two planes, [x, y, z]; or "
            "delete this line, if it is a diameter",
            [1.0, 0.0, 0.0],
        )


def _position(tables: Tables, one: ModelTolerance) -> Table:
    table = _begun(tables, one, "position", {"diameter", "spherical diameter", "common zone", PROJECTED_ZONE})
    features = tables.of(one.faces)
    kinds = {_OF.get(feature.what) for feature in features}
    whole = None in kinds and tables.features.opposed(one.faces)
    if whole:
        kinds = {"middle plane"}
    if len(kinds) != 1 or None in kinds:
        if "modifier" in table.keys:
            return _boundary(tables, one)
        what = ", ".join(dict.fromkeys(feature.what for feature in features))
        raise NotJudgedError(
            f"position of a {what} is not judged: only of axes, centres and middle planes, and at a material condition "
            "as a boundary"
        )
    table.keys["of"] = kinds.pop()
    if len(features) > 1 and not whole:
        table.keys["pattern"] = True
    if table.keys["of"] == "axis":
        _round(one, table)
    if "modifier" in table.keys:
        limits_of(tables, one, table)
    if PROJECTED_ZONE in one.modifiers:
        table.keys["projected"] = True
        _projected(tables, one, table, features)
    if not one.datums:
        table.keys["free"], table.notes["free"] = list(FREEDOMS), "no datum holds the zone"
    return table


def _boundary(tables: Tables, one: ModelTolerance) -> Table:
    """Position of faces that have no axis and no middle, at a material condition."""
    table = _begun(tables, one, "position of a boundary", {"common zone"})
    profiles = [p for p in tables.pmi.tolerances if p.kind == "profile of a surface" and set(p.faces) == set(one.faces)]
    if len(profiles) == 1 and profiles[0].displacement is None and profiles[0].value:
        outside = profiles[0].value / 2 if profiles[0].outside is None else profiles[0].outside
        table.keys["within"] = [round(outside - profiles[0].value, 9), round(outside, 9)]
        table.notes["within"] = f"deviations that the profile {profiles[0].source_id} allows"
    else:
        note = "smallest and largest deviation that the size or profile allows [mm], positive where material is left on"
        table.fill_in("within", note, [-0.1, 0.1])
    table.remarks.append("The faces have no axis and no middle plane: their surface is judged, as a boundary.")
    if not one.datums:
        table.keys["free"], table.notes["free"] = list(FREEDOMS), "no datum holds the zone"
    return table


def _projected(tables: Tables, one: ModelTolerance, table: Table, features: list[Feature]) -> None:
    """From where each axis meets the face at which the zone begins, out of the material, as far as the model says."""
    lengths = {round(length, 9) for length, _ in one.projected}
    starts = list(dict.fromkeys(face for _, faces in one.projected for face in faces))
    at, normals = [], []
    for feature in features:
        planes = [tables.features.plane(f) for f in starts if len(starts) == 1 or tables.features.meet(feature, f)]
        if len(planes) == 1 and planes[0] is not None and feature.point and feature.direction:
            point, normal = planes[0]
            origin, along = np.array(feature.point), np.array(feature.direction)
            if abs(along @ normal) > 1e-9:
                at.append((origin + along * ((point - origin) @ normal) / (along @ normal)).tolist())
                normals.append(normal)
    square = [n for n in normals if abs(abs(n @ np.array(features[0].direction or (0, 0, 0))) - 1) < 1e-9]
    if len(lengths) == 1 and len(at) == len(features) == len(square) and np.ptp(normals, axis=0).max() < 1e-9:
        table.keys["length"] = [0.0, lengths.pop()]
        table.keys["at"] = at if len(at) > 1 else at[0]
        table.keys["direction"] = [round(float(v), 12) + 0.0 for v in normals[0]]
        table.notes["length"] = f"the projected zone, out of {', '.join(map(tables.features.named, starts))}"
        return
    stated = f" (the model says {', '.join(f'{v:g}' for v in sorted(lengths))} mm)" if lengths else ""
    note = f"[from, to] of the projected zone over the true position, along its direction{stated}"
    table.fill_in("length", note, [0.0, 1.0])


def _as_position(tables: Tables, one: ModelTolerance) -> Table:
    table = _position(tables, replace(one, modifiers=(*one.modifiers, *(["diameter"] * (one.kind != "symmetry")))))
    table.remarks.append(f"Judged here: {_GONE[one.kind]}. fill in: check.")
    return table


def _runout(tables: Tables, one: ModelTolerance) -> Table:
    table = _begun(tables, one, one.kind.replace("run-out", "runout"))
    axes = [f for letters in one.datums[:1] for f in tables.datum_features(letters)]
    if not axes or axes[0].what not in ("bore", "boss", "cone") or not axes[0].point or not axes[0].direction:
        raise NotJudgedError("its first datum is not a known axis")
    table.keys |= {"at": list(axes[0].point), "axis": list(axes[0].direction)}
    features = tables.of(one.faces)
    readings = {{"bore": "radial", "boss": "radial", "plane": "axial"}.get(f.what, "normal") for f in features}
    if len(readings) != 1:
        raise NotJudgedError("its faces would be interpreted in different ways")
    table.keys["reading"] = readings.pop()
    return _each(table, features)


_KINDS: dict[str, Callable[[Tables, ModelTolerance], Table]] = {
    "profile of a surface": _profile,
    "profile of a line": _line_profile,
    "flatness": _form,
    "straightness": _straightness,
    "roundness": _form,
    "cylindricity": _form,
    "parallelism": _orientation,
    "perpendicularity": _orientation,
    "angularity": _orientation,
    "position": _position,
    "circular run-out": _runout,
    "total run-out": _runout,
    **dict.fromkeys(_GONE, _as_position),
}
