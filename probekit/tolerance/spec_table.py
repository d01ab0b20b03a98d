"""Tolerances from the tables of a study file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..making import blaming, check_keys, made, nearest, takes, tuples
from ..show import shown
from ..values import rule_of, types_of, words_of
from .evaluation import Evaluation
from .own import OFFERED, Own, function_of
from .position import Position
from .profile import Profile
from .spec import KINDS, Tolerance, hints_of, keys_of
from .symbols import frame_svg, frame_text

__all__ = ["Composite", "check_stated", "check_types", "read_tolerance"]

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
        `kind` (a key of `KINDS`; profile by default) and the attributes of its class. Or "module:function", a check of
        one's own in the folder of the file, and what it takes; caution: its code is run. Besides, `each = true` makes
        one tolerance of each feature, and `refining` (a table) the lower segment of a composite profile or position.
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
    if isinstance(kind, str) and ":" in kind:
        function, code = _own(kind, options, where, file)
        extra = {key: options.pop(key) for key in list(options) if key not in hints_of(Tolerance)}
        make: Callable[..., Tolerance] = partial(Own, function=function, code=code, options=tuples(extra))
        check_values(options, hints_of(Tolerance), where, file)
    elif isinstance(kind, str) and kind in KINDS:
        kinds, preset = KINDS[kind]
        make = partial(kinds, **preset)
        what = f"this key does not belong to a tolerance of kind '{kind}'"
        check_values(options, keys_of(kind), where, file, what=what)
        if not {"width", *kinds.instead_of_width} & set(options):
            raise InputError("the table [tolerance] lacks a key", file=file, column=f"{where}.width")
    else:
        expected = nearest(str(kind), KINDS)
        raise InputError("unknown kind of tolerance", file=file, column=f"{where}.kind", found=kind, expected=expected)
    if not isinstance(each, bool):
        raise InputError(
            "a value has the wrong type", file=file, column=f"{where}.each", found=each, expected="true or false"
        )
    if each and not isinstance(options.get("features"), list):
        what, found = "each = true needs a list of features", options.get("features")
        raise InputError(what, file=file, column=f"{where}.features", found=found, expected="a list")
    name = options.pop("name", kind)
    several = [{"features": one, "name": f"{name}, {one}"} for one in options["features"]] if each else [{"name": name}]
    read = [made(make, options | own, where, file=file) for own in several]
    if refining is None:
        return read
    return [Composite(read[0], _lower(read[0], options, refining, where, file))]


def check_stated(table: Mapping[str, Any], file: str | Path | None, where: str) -> None:
    """Refuse a table that `read_tolerance` would refuse, but run no code that it names."""
    if ":" not in str(table.get("kind", "")):
        read_tolerance(table, file=file, where=where)
    else:
        common = hints_of(Tolerance)
        check_values({key: value for key, value in table.items() if key in common}, common, where, file)


def check_values(
    options: Any, keys: Mapping[str, Any], where: str, file: str | Path | None, *, what: str = "unknown key"
) -> None:
    """Refuse keys that are not among `keys`, each with its type, and values that are none of that type.

    Raises
    ------
    InputError
    """
    check_keys(options, dict.fromkeys(keys, False), where, file=file, what=what)
    for key, value in options.items():
        value, rule = list(value) if isinstance(value, tuple) else value, rule_of(keys[key])
        _check_type(value, keys[key], f"{where}.{key}", file)
        if rule is not None and (wrong := rule.wrong(value)):
            raise InputError(wrong[0], file=file, column=f"{where}.{key}", found=value, expected=wrong[1])


def check_types(table: Mapping[str, Any], file: str | Path | None, where: str) -> None:
    """Refuse a value of the wrong type; whether its key belongs to the kind, and what it may be, is for later."""
    keys = keys_of(table["kind"]) if table.get("kind") in [*KINDS] else hints_of(Tolerance)
    for key, value in table.items():
        if key in keys:
            _check_type(value, keys[key], f"{where}.{key}", file)


def _check_type(value: Any, hint: Any, where: str, file: str | Path | None) -> None:
    types = types_of(hint)
    if not isinstance(value, types) or (isinstance(value, bool) and bool not in types):
        raise InputError("a value has the wrong type", file=file, column=where, found=value, expected=words_of(types))


def _own(
    kind: str, options: Mapping[str, Any], where: str, file: str | Path | None
) -> tuple[Callable[..., Evaluation], str]:
    """The function of a check of one's own, and what code it is; refused if it does not take the keys of the table."""
    with blaming(file, f"{where}.kind"):
        function, code = function_of(kind, Path(file).parent if file is not None else Path())
    further = dict(list(takes(function).items())[1:])
    stated = {key: value for key, value in options.items() if key not in ("name", "datums")}
    check_keys(stated, further, where, file=file, given=OFFERED, what=f"{kind} takes no such key")
    return function, code


def _lower(
    upper: Tolerance, options: Mapping[str, Any], refining: Any, where: str, file: str | Path | None
) -> Profile | Position:
    """Lower segment of a composite tolerance: as the upper one, but for what `refining` says."""
    if not isinstance(upper, Profile | Position):
        what = "only a profile or a position can be refined by a second segment"
        raise InputError(what, file=file, column=f"{where}.refining")
    where = f"{where}.refining"
    known = dict.fromkeys((key for key in _REFINED if hasattr(upper, key)), False)
    check_keys(refining, known, where, file=file)
    check_values(refining, hints_of(type(upper)), where, file)
    shared = {key: value for key, value in options.items() if key not in _REFINED}
    return made(
        type(upper), {**shared, "width": upper.width, "name": f"{upper.name}, refined", **refining}, where, file=file
    )
