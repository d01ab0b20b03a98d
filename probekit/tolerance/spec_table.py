"""Tolerances from the tables of a study file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..making import check_keys, made, nearest
from ..show import shown
from ..values import rule_of, types_of, words_of
from .position import Position
from .profile import Profile
from .spec import KINDS, Tolerance, keys_of
from .symbols import frame_svg, frame_text

__all__ = ["Composite", "read_tolerance"]

_REFINED = ("width", "outside", "free", "datums", "name")  # what a lower segment says for itself


@shown
@dataclass(frozen=True)
class Composite:
    """Composite profile or position: two segments under one symbol; see `probekit.tolerance.composite`."""

    locating: Profile | Position
    relating: Profile | Position

    @property
    def sentence(self) -> str:
        """Both segments in one line."""
        return f"composite: {self.locating.sentence}; refined by {self.relating.sentence}"

    @property
    def frame(self) -> str:
        """The feature control frame as text, one line a segment."""
        return frame_text(self.locating.characteristic, self._cells(), **self.locating._outside_of_frame())

    def _cells(self) -> list[list[str]]:
        return self.locating._cells() + self.relating._cells()

    def __str__(self) -> str:
        return self.sentence

    def _repr_svg_(self) -> str:
        outside = self.locating._outside_of_frame()
        return frame_svg(self.locating.characteristic, self._cells(), title=self.sentence, **outside)


def read_tolerance(
    table: Mapping[str, Any], *, file: str | Path | None = None, where: str = "tolerance"
) -> list[Tolerance | Composite]:
    """Tolerances that one [[tolerance]] table of a study file states.

    Parameters
    ----------
    table : mapping
        `kind` (a key of `KINDS`; profile by default) and the attributes of its class. Besides, `each = true` makes one
        tolerance of each feature, and `refining` (a table) the lower segment of a composite profile or position.
    file : str or Path, optional
        For the error.
    where : str
        How an error calls the table.

    Raises
    ------
    InputError
        If the kind is unknown, a key does not belong to it or is missing, or a value cannot be used.
    """
    options = dict(table)
    kind, each, refining = options.pop("kind", "profile"), options.pop("each", False), options.pop("refining", None)
    if kind not in KINDS:
        expected = nearest(str(kind), KINDS)
        raise InputError("unknown kind of tolerance", file=file, column=f"{where}.kind", found=kind, expected=expected)
    kinds, preset = KINDS[kind]
    check_values(options, kind, where, file)
    if not {"width", *kinds.instead_of_width} & set(options):
        raise InputError("the table [tolerance] lacks a key", file=file, column=f"{where}.width")
    if not isinstance(each, bool):
        raise InputError(
            "a value has the wrong type", file=file, column=f"{where}.each", found=each, expected="true or false"
        )
    if each and not isinstance(options.get("features"), list):
        what, found = "each = true needs a list of features", options.get("features")
        raise InputError(what, file=file, column=f"{where}.features", found=found, expected="a list")
    name = options.pop("name", kind)
    several = [{"features": one, "name": f"{name}, {one}"} for one in options["features"]] if each else [{"name": name}]
    read = [made(partial(kinds, **preset), options | own, where, file=file) for own in several]
    if refining is None:
        return read
    return [Composite(read[0], _lower(read[0], options, refining, kind, where, file))]


def check_values(options: Any, kind: str, where: str, file: str | Path | None) -> None:
    """Refuse keys that a kind of tolerance does not have, and values that no key of it can have.

    Raises
    ------
    InputError
    """
    keys = keys_of(kind)
    what = f"this key does not belong to a tolerance of kind '{kind}'"
    check_keys(options, dict.fromkeys(keys, False), where, file=file, what=what)
    for key, value in options.items():
        types, rule, column = types_of(keys[key]), rule_of(keys[key]), f"{where}.{key}"
        value = list(value) if isinstance(value, tuple) else value
        if not isinstance(value, types) or (isinstance(value, bool) and bool not in types):
            raise InputError(
                "a value has the wrong type", file=file, column=column, found=value, expected=words_of(types)
            )
        if rule is not None and (wrong := rule.wrong(value)):
            raise InputError(wrong[0], file=file, column=column, found=value, expected=wrong[1])


def _lower(
    upper: Tolerance, options: Mapping[str, Any], refining: Any, kind: str, where: str, file: str | Path | None
) -> Profile | Position:
    """Lower segment of a composite tolerance: as the upper one, but for what `refining` says."""
    if not isinstance(upper, Profile | Position):
        what = "only a profile or a position can be refined by a second segment"
        raise InputError(what, file=file, column=f"{where}.refining")
    where = f"{where}.refining"
    known = dict.fromkeys((key for key in _REFINED if hasattr(upper, key)), False)
    check_keys(refining, known, where, file=file)
    check_values(refining, kind, where, file)
    shared = {key: value for key, value in options.items() if key not in _REFINED}
    return made(
        type(upper), {**shared, "width": upper.width, "name": f"{upper.name}, refined", **refining}, where, file=file
    )
