"""What a study can say of each tolerance, size and datum of a model, as keys of its table; or why it cannot.

Whether it can is asked of the classes that judge: what keys they take, which modifiers set them, and whether the
finished table makes a tolerance.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from ..fit.datums.features import Datum
from ..settings import FILL_IN
from ..tolerance.spec_table import read_tolerance

if TYPE_CHECKING:
    from ..nominal.exact.pmi_model import ModelPmi, ModelTarget, ModelTolerance
    from .features import Feature, Features

__all__ = ["BOUNDARIES", "FILL_IN", "SIZED", "NotJudgedError", "Table", "Tables"]

#: Modifiers of a datum that are material boundaries, as its letter shows them and as its table does.
BOUNDARIES = {"maximum material requirement": ("(M)", "MMB"), "least material requirement": ("(L)", "LMB")}
#: Modifiers of a datum that let its simulator translate: of Y14.5, of ISO 5459.
TRANSLATIONS = ("translation", "distance variable")
SIZED = ("cylinder", "sphere", "width")


class NotJudgedError(Exception):
    """Why a study has no words for it; never leaves `probekit.draft`."""


@dataclass
class Table:
    """Keys of a table with their values, notes on some of them, and remarks to stand before it.

    `trial` has a value for each key that is left to a person, so that the table can be tried.
    """

    keys: dict[str, Any]
    notes: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    trial: dict[str, Any] = field(default_factory=dict)

    def fill_in(self, key: str, note: str, trial: Any = None) -> None:
        """Leave a key to a person; `trial` is a value that a person could give."""
        self.keys[key], self.notes[key], self.trial[key] = FILL_IN, f"fill in: {note}", trial

    def tried(self) -> Table:
        """The same, if a study takes it.

        Raises
        ------
        NotJudgedError
            With the reason.
        """
        keys = {key: self.trial[key] if key in self.trial else value for key, value in self.keys.items()}
        try:
            read_tolerance({key: value for key, value in keys.items() if value is not None})
        except InputError as error:
            raise NotJudgedError(f"no study can say this yet: {error}") from None
        return self


class Tables:
    """Makes the tables of datums, and what tables of tolerances say of features and datums.

    Parameters
    ----------
    pmi : ModelPmi
    features : Features
    """

    def __init__(self, pmi: ModelPmi, features: Features) -> None:
        self.pmi, self.features = pmi, features
        self.lower = {one.refines: one for one in pmi.tolerances if one.refines}
        self._faces_of = {letter: self._datum_faces(letter) for letter in {one.letter for one in pmi.datums}}
        self._twice = {one.letter for one in pmi.datums if sum(one.letter == d.letter for d in pmi.datums) > 1}
        self._at_boundary: dict[str, str] = {}
        self._translated: set[str] = set()

    def of(self, faces: Iterable[str]) -> list[Feature]:
        """Features that faces belong to; refused if there is none."""
        if not (found := self.features.of(faces)):
            raise NotJudgedError("it is linked to no known face")
        return found

    def datum_features(self, letters: Iterable[str]) -> list[Feature]:
        """Features of one datum, or of a common one."""
        return self.features.of(face for letter in letters for face in self._faces_of[letter])

    def _kinds(self, letters: tuple[str, ...], features: list[Feature]) -> list[str]:
        """Kinds of the features of a datum; the two sides of a slot or web, each a feature, are one width."""
        faces = [face for letter in letters for face in self._faces_of[letter]]
        if len(letters) == 1 and len(features) == 2 and self.features.opposed(faces):
            return ["width", "width"]
        return [feature.kind for feature in features]

    def letters(self, one: ModelTolerance) -> list[str]:
        """Datums of a tolerance as a study writes them.

        Raises
        ------
        NotJudgedError
            If one is unknown, ambiguous, or has modifiers that are not judged.
        """
        found = []
        for letters in one.datums:
            name = "-".join(letters)
            if unknown := [letter for letter in letters if letter not in self._faces_of]:
                raise NotJudgedError(f"its datum {unknown[0]} is not in the model")
            if twice := [letter for letter in letters if letter in self._twice]:
                raise NotJudgedError(f"several datums have the letter {twice[0]}; draft one body at a time")
            owners = (*letters, name)
            own = [m.split(": ", 1)[1] for m in one.modifiers if any(m.startswith(f"datum {o}: ") for o in owners)]
            if len(set(own)) > 1 or not set(own) <= {*BOUNDARIES, *TRANSLATIONS}:
                raise NotJudgedError(
                    f"its datum reference has modifiers that are not judged: datum {name}: {', '.join(own)}"
                )
            if own and own[0] in TRANSLATIONS:
                self._translated.add(name)
                found.append(name + "(>)")
            else:
                found.append(name + (self._at(name, letters, own[0]) if own else ""))
        return found

    def _at(self, name: str, letters: tuple[str, ...], modifier: str) -> str:
        """The mark of a material boundary, if the datum can have one."""
        mark, boundary = BOUNDARIES[modifier]
        features = self.datum_features(letters)
        kinds, names = tuple(self._kinds(letters, features)), tuple(one.name for one in features)
        if not features or not set(kinds) <= set(SIZED):
            raise NotJudgedError(f"its datum {name} has a material boundary, but is not made of features of size")
        try:
            Datum(name, kinds, names, boundary=(boundary, 1.0))
        except InputError as error:
            raise NotJudgedError(f"its datum {name} has a material boundary: {error}") from None
        if self._at_boundary.setdefault(name, boundary) != boundary:
            raise NotJudgedError(f"its datum {name} is at another material boundary elsewhere")
        return mark

    def datums(self) -> list[Table]:
        """Keys of [[datum]] tables, of all letters that tolerances refer to. Call it after all `letters`."""
        used = [letters for one in self.pmi.tolerances for letters in one.datums]
        tables = []
        for letters in dict.fromkeys(used):
            if set(letters) <= self._faces_of.keys():
                tables.append(self._datum("-".join(letters), letters))
        return tables

    def frame(self) -> list[str]:
        """Letters of the datum frame that most tolerances share, the fuller one first; none if there is none."""
        count: dict[tuple[str, ...], int] = {}
        for one in self.pmi.tolerances:
            letters = tuple("-".join(group) for group in one.datums)
            if letters and all(letter in self._faces_of for group in one.datums for letter in group):
                count[letters] = count.get(letters, 0) + 1
        return list(max(count, key=lambda letters: (count[letters], len(letters)))) if count else []

    def _datum(self, name: str, letters: tuple[str, ...]) -> Table:
        features = self.datum_features(letters)
        table = Table({"letter": name})
        targets = [target for one in self.pmi.datums if one.letter in letters for target in one.targets]
        if targets:
            _targets(table, targets)
        elif not features:
            table.keys["kind"] = FILL_IN
            table.notes["kind"] = "fill in: plane, cylinder, width, ...; the model links this datum to no face"
            table.keys["features"], table.notes["features"] = FILL_IN, "fill in: the features that it is on"
        if not features:
            return table
        kinds = self._kinds(letters, features)
        table.keys.setdefault("kind", kinds[0] if len(set(kinds)) == 1 else kinds)
        table.keys["features"] = [feature.name for feature in features]
        if name in self._at_boundary:
            table.keys["boundary"] = [self._at_boundary[name], FILL_IN]
            limits = [s.limits for s in self.pmi.sizes if s.limits and set(features) <= set(self.features.of(s.faces))]
            known = f"; its limits of size are {limits[0][0]:g} to {limits[0][1]:g}" if limits else ""
            known += "; one size for all its features, or one for each" if len(features) > 1 else ""
            table.notes["boundary"] = (
                "fill in: size of its material boundary [mm]: of its limit of size with its tolerance of form, "
                f"orientation or position to the datums before it{known}"
            )
        if name in self._translated:
            table.keys["translation"] = FILL_IN
            table.notes["translation"] = (
                "fill in: the direction [x, y, z] along which it may leave its basic place to the datums before it; "
                "the drawing shows it, or the line from the datum before it to this one is meant"
            )
        return table

    def _datum_faces(self, letter: str) -> list[str]:
        return [face for one in self.pmi.datums if one.letter == letter for face in one.faces]


def _targets(table: Table, targets: list[ModelTarget]) -> None:
    """Datum targets: a point or a circle as it stands in the model; the rest of a line or an area is left open."""
    table.keys["kind"] = "targets"
    if any(one.point is None for one in targets):
        table.fill_in("targets", '[{ name = "A1", point = [x, y, z], radius = 2.0 }, ...], as the drawing has them')
        table.remarks.append("Datum targets, whose places the model does not state: " + _shown(targets))
        return
    made = []
    for one in targets:
        assert one.point is not None
        made.append({"name": one.name, "point": list(one.point)})
        sizes = dict(one.sizes)
        if one.kind == "line":
            made[-1]["to"] = FILL_IN
        elif "target diameter" in sizes and one.kind == "circle":
            made[-1]["radius"] = sizes["target diameter"] / 2
        elif one.kind != "point":
            made[-1]["radius"] = FILL_IN
    table.keys["targets"] = made
    table.notes["targets"] = 'fill in what is open; touches within "radius" [mm] of a target are its own (1 by default)'
    table.remarks.append("Datum targets of the model: " + _shown(targets))


def _shown(targets: list[ModelTarget]) -> str:
    """Targets in words."""
    told = []
    for one in sorted(targets, key=lambda one: one.name):
        sizes = ", ".join(f"{name} {size:g}" for name, size in one.sizes)
        along = (
            f", along ({', '.join(f'{v:g}' for v in one.along)})" if one.along and one.kind not in ("point",) else ""
        )
        told.append(f"{one.name} {one.kind} ({one.source_id}{along}{', ' + sizes if sizes else ''})")
    return "; ".join(told) + "."
