"""What a study can say of each tolerance, size and datum of a model, as keys of its table; or why it cannot."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ..nominal.exact.pmi_model import UNEQUAL

if TYPE_CHECKING:
    from ..nominal.exact.pmi_model import ModelPmi, ModelSize, ModelTolerance
    from .features import Feature, Features

__all__ = ["FILL_IN", "NotJudgedError", "Table", "Tables"]

#: Stands for what a person must write; of the wrong type or not a name wherever it is put.
FILL_IN = "fill in"

_FREEDOMS = ("tx", "ty", "tz", "rx", "ry", "rz")
_M, _L = "maximum material requirement", "least material requirement"
_SIZED = ("cylinder", "sphere", "width")
_OF = {"bore": "axis", "boss": "axis", "sphere": "centre", "slot": "middle plane", "web": "middle plane"}
_SENSE = {
    "coaxiality": "write it as a position of the axis, if its standard means the same",
    "concentricity": "write it as a position of the axis, if its standard means the same",
    "symmetry": "write it as a position of the middle plane, if its standard means the same",
}


class NotJudgedError(Exception):
    """Why a study has no words for it; never leaves `probekit.draft`."""


@dataclass
class Table:
    """Keys of a table with their values, notes on some of them, and remarks to stand before it."""

    keys: dict[str, Any]
    notes: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def fill_in(self, key: str, note: str) -> None:
        """Leave a key to a person."""
        self.keys[key], self.notes[key] = FILL_IN, f"fill in: {note}"


class Tables:
    """Makes the tables of a draft.

    Parameters
    ----------
    pmi : ModelPmi
    features : Features
    """

    def __init__(self, pmi: ModelPmi, features: Features) -> None:
        self._pmi, self._features = pmi, features
        self._lower = {one.refines: one for one in pmi.tolerances if one.refines}
        self._faces_of = {letter: self._datum_faces(letter) for letter in {one.letter for one in pmi.datums}}
        self._at_boundary: set[str] = set()
        self._kinds: dict[str, Callable[[ModelTolerance], Table]] = {
            "profile of a surface": self._profile,
            "profile of a line": self._line_profile,
            "flatness": self._form,
            "straightness": self._straightness,
            "roundness": self._form,
            "cylindricity": self._form,
            "parallelism": self._orientation,
            "perpendicularity": self._orientation,
            "angularity": self._orientation,
            "position": self._position,
            "circular run-out": self._runout,
            "total run-out": self._runout,
        }

    def tolerance(self, one: ModelTolerance) -> Table:
        """Keys of a [[tolerance]] table.

        Raises
        ------
        NotJudgedError
            With the reason, if it cannot be judged as it stands in the model.
        """
        if one.kind not in self._kinds:
            raise NotJudgedError(f"there is no such kind of tolerance here: {_SENSE.get(one.kind, 'it is not judged')}")
        if not one.faces:
            raise NotJudgedError("it is linked to no known face")
        if one.value == 0:
            raise NotJudgedError("a tolerance of zero, which grows only with the size, is not judged")
        table = self._kinds[one.kind](one)
        lower = self._lower.get(one.source_id)
        if lower is not None:
            if {m for m in (*one.modifiers, *lower.modifiers) if one.modifiers.count(m) != lower.modifiers.count(m)}:
                raise NotJudgedError(f"its lower segment {lower.source_id} has other modifiers")
            table.keys["refining"] = {"width": lower.value} | ({"datums": self._letters(lower)} if lower.datums else {})
            table.remarks.append(f"Its lower segment is {lower.source_id}.")
        return table

    def size(self, one: ModelSize) -> Table:
        """Keys of the table of a size.

        Raises
        ------
        NotJudgedError
            With the reason, if it has no limits, or is no size of a cylinder, sphere or width.
        """
        if one.ends or one.degrees:
            raise NotJudgedError("a distance or angle between features is not judged")
        if one.fit and one.limits is None:
            raise NotJudgedError(f"its limits are those of the fit {one.fit}, which the model does not state")
        if one.limits is None:
            raise NotJudgedError("it has no limits of its own (basic, for reference, or under a general tolerance)")
        if one.modifiers:
            raise NotJudgedError(f"its modifiers would also have to be judged: {', '.join(one.modifiers)}")
        features = self._some(one.faces)
        kinds = {feature.kind for feature in features}
        if "radius" in one.of or len(kinds) != 1 or not kinds <= set(_SIZED):
            raise NotJudgedError("only diameters of cylinders and spheres and widths between two planes are judged")
        keys = {"kind": "size", "features": [feature.name for feature in features], "limits": list(one.limits)}
        return Table(keys | {"of": kinds.pop()} | ({"each": True} if len(features) > 1 else {}))

    def datums(self) -> list[Table]:
        """Keys of [[datum]] tables, of all letters that tolerances with a table refer to. Call it after `tolerance`."""
        used = [letters for one in self._pmi.tolerances for letters in one.datums]
        tables = []
        for letters in dict.fromkeys(used):
            faces = [face for letter in letters for face in self._faces_of.get(letter, ())]
            if not set(letters) <= self._faces_of.keys():
                continue
            tables.append(self._datum("-".join(letters), faces, letters))
        return tables

    def frame(self) -> list[str]:
        """Letters of the datum frame that most tolerances share, the fuller one first; none if there is none."""
        count: dict[tuple[str, ...], int] = {}
        for one in self._pmi.tolerances:
            letters = tuple("-".join(group) for group in one.datums)
            if letters and all(letter in self._faces_of for group in one.datums for letter in group):
                count[letters] = count.get(letters, 0) + 1
        return list(max(count, key=lambda letters: (count[letters], len(letters)))) if count else []

    def _datum(self, name: str, faces: list[str], letters: tuple[str, ...]) -> Table:
        features = self._features.of(faces)
        table = Table({"letter": name})
        targets = [one for one in self._pmi.datums if one.letter in letters and one.targets]
        if not features:
            table.keys["kind"] = "targets" if targets else FILL_IN
            if targets:
                table.fill_in(
                    "targets", '[{ name = "A1", point = [x, y, z], radius = 2.0 }, ...], as the drawing has them'
                )
            else:
                table.notes["kind"] = "fill in: plane, cylinder, width, ...; the model links this datum to no face"
                table.keys["features"], table.notes["features"] = FILL_IN, "fill in: the features that it is on"
            return table
        kinds = [feature.kind for feature in features]
        table.keys["kind"] = kinds[0] if len(set(kinds)) == 1 else kinds
        table.keys["features"] = [feature.name for feature in features]
        if targets:
            table.remarks.append(
                "The model also puts this datum on datum targets: fill in kind and targets, if they apply."
            )
        if name in self._at_boundary:
            table.keys["boundary"] = ["MMB", FILL_IN]
            table.notes["boundary"] = "fill in: size of its maximum material boundary [mm]"
        return table

    def _datum_faces(self, letter: str) -> list[str]:
        return [face for one in self._pmi.datums if one.letter == letter for face in one.faces]

    def _letters(self, one: ModelTolerance) -> list[str]:
        """Its datums as a study writes them."""
        found = []
        for letters in one.datums:
            name = "-".join(letters)
            if unknown := [letter for letter in letters if letter not in self._faces_of]:
                raise NotJudgedError(f"its datum {unknown[0]} is not in the model")
            own = [m for m in one.modifiers if any(m.startswith(f"datum {letter}: ") for letter in (*letters, name))]
            if own and {m.split(": ", 1)[1] for m in own} != {_M}:
                raise NotJudgedError(f"its datum reference has modifiers that are not judged: {', '.join(own)}")
            if own:
                kinds = [feature.kind for feature in self._features.of(self._datum_faces_of(letters))]
                if len(kinds) != 1 or kinds[0] not in _SIZED:
                    raise NotJudgedError(
                        f"its datum {name} has a material boundary, but is not a single feature of size"
                    )
                self._at_boundary.add(name)
            found.append(name + ("(M)" if own else ""))
        return found

    def _datum_faces_of(self, letters: Iterable[str]) -> list[str]:
        return [face for letter in letters for face in self._faces_of[letter]]

    def _some(self, faces: Iterable[str]) -> list[Feature]:
        if not (found := self._features.of(faces)):
            raise NotJudgedError("it is linked to no known face")
        return found

    def _begun(self, one: ModelTolerance, kind: str, allowed: Iterable[str], *, datums: bool = True) -> Table:
        """What all kinds share, if nothing but what is allowed bears on it."""
        odd = [m for m in one.modifiers if m not in allowed and not (datums and m.startswith("datum "))]
        if odd:
            raise NotJudgedError(f"its modifiers would also have to be judged: {', '.join(odd)}")
        names = [feature.name for feature in self._some(one.faces)]
        table = Table({"kind": kind, "features": names, "width": one.value})
        if datums and one.datums:
            table.keys["datums"] = self._letters(one)
        return table

    def _profile(self, one: ModelTolerance) -> Table:
        both = {"common zone", "separate requirement"}
        if both <= set(one.modifiers):
            raise NotJudgedError("its modifiers would also have to be judged: they contradict each other")
        if "all over" in one.modifiers:
            return self._all_over(one)
        table = self._begun(one, "profile", {*both, "all around", UNEQUAL})
        if one.outside is not None:
            table.keys["outside"], table.notes["outside"] = one.outside, "part of the zone outside the material"
        elif one.displacement is not None:
            added, shifted = one.displacement, one.value / 2 + one.displacement
            table.fill_in(
                "outside",
                f"the part of the zone outside the material; {added:g} if the drawing has it after U (ASME Y14.5), "
                f"{shifted:g} if it has {added:g} after UZ (ISO 1101)",
            )
        if "all around" in one.modifiers:
            table.keys["around"] = "all around"
        self._shared(one, table)
        return table

    def _all_over(self, one: ModelTolerance) -> Table:
        own = {
            face
            for other in self._pmi.tolerances
            if other.kind == one.kind and other is not one
            for face in other.faces
        }
        table = Table({"kind": "profile", "features": [], "width": one.value})
        names = dict.fromkeys(self._features.named(face) for face in one.faces if face not in own)
        table.keys["features"] = list(names)
        if odd := [m for m in one.modifiers if m != "all over" and not m.startswith("datum ")]:
            raise NotJudgedError(f"its modifiers would also have to be judged: {', '.join(odd)}")
        if one.datums:
            table.keys["datums"] = self._letters(one)
        table.remarks.append("All over the part, but not where a face has a profile of its own.")
        self._shared(one, table)
        return table

    def _shared(self, one: ModelTolerance, table: Table) -> None:
        """How far several features share a zone, and what is free where no datum holds it."""
        several = len(table.keys["features"]) > 1
        if not one.datums:
            table.keys["free"], table.notes["free"] = list(_FREEDOMS), "no datum holds the zone"
        if "separate requirement" in one.modifiers:
            table.keys["separate" if one.datums else "each"] = True
        elif several and not one.datums and "common zone" not in one.modifiers:
            table.remarks.append(
                "The features share one zone here, the stricter reading. The model does not state it: each = true "
                "judges "
                "every feature by a zone of its own."
            )

    def _line_profile(self, one: ModelTolerance) -> Table:
        table = self._begun(one, "profile of a line", ())
        self._sections(table, "sections")
        if not one.datums:
            table.keys["free"], table.notes["free"] = list(_FREEDOMS), "no datum holds the zone"
        return table

    def _form(self, one: ModelTolerance) -> Table:
        on = {"flatness": ("plane",), "cylindricity": ("bore", "boss"), "roundness": ("bore", "boss", "cone", "sphere")}
        kind = {"roundness": "circularity"}.get(one.kind, one.kind)
        table = self._begun(one, kind, {"separate requirement"}, datums=False)
        features = self._some(one.faces)
        if not all(feature.what in on[one.kind] for feature in features):
            what = ", ".join(dict.fromkeys(feature.what for feature in features))
            raise NotJudgedError(f"{kind} of a {what} is not judged")
        if kind == "circularity":
            self._along_axis(table, features)
        if len(features) > 1:
            table.keys["each"] = True
        return table

    def _sections(self, table: Table, called: str) -> None:
        """How touches make sections or lines is a matter of how they are taken."""
        table.fill_in("section", f'the direction perpendicular to the {called}: "x", "y", "z" or [x, y, z]')
        table.fill_in("apart", f"touches whose heights differ by less than this are on one of the {called} [mm]")

    def _along_axis(self, table: Table, features: list[Feature]) -> None:
        directions = {feature.direction for feature in features if feature.what != "sphere"}
        if len(directions) == 1 and None not in directions:
            table.keys["section"] = table.keys["axis"] = list(directions.pop())
        else:
            table.fill_in("axis", "the direction perpendicular to the sections, [x, y, z]")
            table.fill_in("section", "the same")

    def _straightness(self, one: ModelTolerance) -> Table:
        features = self._some(one.faces)
        if "diameter" in one.modifiers:
            table = self._begun(one, "straightness of an axis", {"diameter"}, datums=False)
            if not all(feature.what in ("bore", "boss") for feature in features):
                raise NotJudgedError("only the axis of a cylinder is judged for straightness")
            self._along_axis(table, features)
        else:
            table = self._begun(one, "straightness", (), datums=False)
            self._sections(table, "lines")
        if len(features) > 1:
            table.keys["each"] = True
        return table

    def _orientation(self, one: ModelTolerance) -> Table:
        table = self._begun(one, one.kind, {"diameter", "separate requirement"})
        features = self._some(one.faces)
        whats = {feature.what for feature in features}
        if whats <= {"bore", "boss"}:
            table.keys["feature"] = "axis"
            self._round(one, table)
        elif whats != {"plane"} or "diameter" in one.modifiers:
            raise NotJudgedError(f"{one.kind} of a {', '.join(sorted(whats))} is not judged")
        if not one.datums:
            raise NotJudgedError("it names no datum")
        if len(features) > 1:
            table.keys["each"] = True
        return table

    def _round(self, one: ModelTolerance, table: Table) -> None:
        """The zone of an axis is a cylinder if the model says so, else two planes that only the drawing shows."""
        if "diameter" not in one.modifiers:
            table.fill_in(
                "across",
                "the model does not say that the zone is round: the direction square to its two planes, [x, y, z]; or "
                "delete this line, if it is a diameter",
            )

    def _position(self, one: ModelTolerance) -> Table:
        projected = [m for m in one.modifiers if m.startswith("projected zone")]
        plain = {_M, _L, "diameter", "spherical diameter", "common zone", "separate requirement"}
        table = self._begun(one, "position", {*plain, *projected})
        features = self._some(one.faces)
        kinds = {_OF.get(feature.what) for feature in features}
        if len(kinds) != 1 or None in kinds:
            what = ", ".join(dict.fromkeys(feature.what for feature in features))
            raise NotJudgedError(f"position of a {what} is not judged: only of axes, centres and middle planes")
        table.keys["of"] = kinds.pop()
        if len(features) > 1:
            table.keys["pattern"] = True
        if table.keys["of"] == "axis":
            self._round(one, table)
        for modifier, letter in ((_M, "M"), (_L, "L")):
            if modifier in one.modifiers:
                table.keys["modifier"] = letter
                self._limits(one, table)
        if projected:
            table.keys["projected"] = True
            table.fill_in("length", "[from, to] of the projected zone over the true position, along its direction")
        if not one.datums:
            table.keys["free"], table.notes["free"] = list(_FREEDOMS), "no datum holds the zone"
        if "separate requirement" in one.modifiers:
            table.keys["separate"] = True
        return table

    def _limits(self, one: ModelTolerance, table: Table) -> None:
        own = set(self._features.of(one.faces))
        limits = {s.limits for s in self._pmi.sizes if s.limits and s.faces and own <= set(self._features.of(s.faces))}
        if len(limits) == 1:
            table.keys["limits"] = list(limits.pop())
        else:
            table.fill_in("limits", "smallest and largest size [mm]; the model does not link one to these faces")

    def _runout(self, one: ModelTolerance) -> Table:
        table = self._begun(one, one.kind.replace("run-out", "runout"), ())
        axes = [f for letters in one.datums[:1] for f in self._features.of(self._datum_faces_of(letters))]
        if not axes or axes[0].what not in ("bore", "boss", "cone"):
            raise NotJudgedError("its first datum is not a known axis")
        table.keys |= {"at": list(axes[0].point), "axis": list(axes[0].direction)}
        features = self._some(one.faces)
        readings = {{"bore": "radial", "boss": "radial", "plane": "axial"}.get(f.what, "normal") for f in features}
        if len(readings) != 1:
            raise NotJudgedError("its faces would be interpreted in different ways")
        table.keys["reading"] = readings.pop()
        if len(features) > 1:
            table.keys["each"] = True
        return table
