"""What every tolerance has: its keys with their types, its words, its frame, and how it is evaluated.

A kind of tolerance is one frozen dataclass, in the module that holds its mathematics. Its fields are the attributes,
the keys of a study file with the values they may have, and the options of the functions of this room, all in one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, get_type_hints

import numpy as np

from ..errors import InputError
from ..show import shown
from ..values import Each, Either, Number, Numbers, Table, Text, choices_of
from .cover import Covered, cover, require_projected
from .evaluation import Evaluation
from .placement import Free, freedom_of
from .symbols import frame_svg, frame_text

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = [
    "KINDS",
    "Direction",
    "Length",
    "Limits",
    "Names",
    "Tolerance",
    "Vector",
    "hints_of",
    "keys_of",
    "only",
    "stated",
    "stated_by",
]

Vector = tuple[float, float, float]
Direction = Annotated[Vector, Numbers(3, nonzero=True)]
Length = Annotated[float, Number(above=0)]
Limits = Annotated[tuple[float, float], Numbers(2, rising=True)]
Letters = Annotated[tuple[str, ...], Each(Text(), once=True)]
Names = Annotated[tuple[str, ...], Either(((str, Text()), (list, Each(Text(), once=True))))]

#: Kind in a study file -> the class, and what of it the kind sets; each class enters its own.
KINDS: dict[str, tuple[type[Tolerance], Mapping[str, Any]]] = {}


def only(**where: tuple[Any, ...]) -> dict[str, Any]:
    """Metadata of a field that has a meaning only where others have one of these values; elsewhere it is refused."""
    return {"only": where}


def stated(**words: Any) -> dict[str, Any]:
    """Metadata of a field that a modifier in a model sets: the modifier's words, joined by "_" -> the value.

    Drafts of studies take from here what a tolerance of a model can become; see `stated_by`.
    """
    return {"stated": {word.replace("_", " "): value for word, value in words.items()}}


@shown
@dataclass(frozen=True, kw_only=True)
class Tolerance:
    """What all tolerances have.

    Attributes
    ----------
    width : float or None
        Tolerance [mm].
    name : str
        What it is called; its kind by default.
    features : tuple of str
        Features, or faces, that it covers together; all touches if left out.
    between : mapping or None
        Limits along the surface: axis "x", "y" or "z" -> (from, to) [mm]. Judged by the target's coordinates, or by
        the foot's where there is no target.
    datums : tuple of str
        Letters of the datum frame in order, such as "A", "B(M)", "C(L)", "D(>)": for the drawing, for what shares a
        frame, and for `evaluate_all`, which can establish it. The table of deviations must be in that frame.
    """

    width: Annotated[float, Number(above=0, least=1e-6, most=1e5)] | None = None
    name: str = ""
    features: Names = ()
    between: Annotated[Mapping[str, tuple[float, float]], Table(Numbers(2, rising=True))] | None = None
    datums: Letters = ()

    #: Kinds that the class stands for -> what of it they set.
    kinds: ClassVar[Mapping[str, Mapping[str, Any]]] = {}
    #: Keys that a study may give in place of `width`.
    instead_of_width: ClassVar[tuple[str, ...]] = ()

    def __init_subclass__(cls) -> None:
        KINDS.update({kind: (cls, preset) for kind, preset in cls.__dict__.get("kinds", {}).items()})

    def __post_init__(self) -> None:
        for one in ("features", "datums", "free"):
            value = getattr(self, one, None)
            if value is None and one == "features":
                object.__setattr__(self, one, ())
            elif value is not None:
                object.__setattr__(self, one, (value,) if isinstance(value, str) else tuple(value))
            if one == "features" and value is not None and value != () and not self.features:
                raise InputError("a tolerance on no feature", column=one, todo="Leave it out for all touches.")
        for key in hints_of(type(self)):
            object.__setattr__(self, key, _plain(getattr(self, key)))
        if not self.name:
            object.__setattr__(self, "name", self.characteristic)
        self._check()

    def _check(self) -> None:
        """Refuse a word that a field does not know, and a field that has no meaning beside another."""
        for one in fields(self):
            value, known = getattr(self, one.name), choices_of(hints_of(type(self))[one.name])
            if known and value is not None and value not in known:
                words = " or ".join(repr(word) for word in known if word)
                what = f"tolerance '{self.name}': unknown value"
                raise InputError(what, column=one.name, found=value, expected=words)
            for other, allowed in one.metadata.get("only", {}).items():
                if value != one.default and (given := getattr(self, other)) not in allowed:
                    what = f"tolerance '{self.name}': this has no meaning where {other} is {given!r}"
                    raise InputError(what, column=one.name, found=value)

    @property
    def characteristic(self) -> str:
        """What is toleranced, in the words of the standard; a key of `symbols.SYMBOLS`, or "size"."""
        raise NotImplementedError

    @property
    def sentence(self) -> str:
        """The tolerance in one line."""
        where = ", ".join(self.features) if self.features else "all touches"
        text = "" if self.characteristic.startswith(self.name) else f"{self.name}: "
        text += f"{self.characteristic} {self._amount()} on {where}"
        for axis, (start, end) in (self.between or {}).items():
            text += f", {axis} from {start:g} to {end:g} mm"
        if self.datums:
            text += ", in the datum frame " + "|".join(self.datums)
        return text + "".join(f"; {word}" for word in self._words())

    @property
    def frame(self) -> str:
        """The feature control frame as text."""
        return frame_text(self.characteristic, self._cells(), **self._outside_of_frame())

    def evaluate(
        self,
        deviations: pd.DataFrame,
        nominal: Nominal | None = None,
        *,
        pivot: Vector = (0.0, 0.0, 0.0),
        free: Free | None = None,
    ) -> Evaluation:
        """Evaluate it on a table of deviations.

        Parameters
        ----------
        deviations : DataFrame
            Deviations table, in the datum frame.
        nominal : Nominal, optional
            Needed by zones with free degrees of freedom.
        pivot : (3,) float
            Point about which free turns are taken [mm].
        free : DatumFrame or iterable of str, optional
            What is free, in place of what the tolerance names: best the datum frame that the table is in. Form, size
            and runout have no use for it.

        Raises
        ------
        InputError, FitError
            If the table, or an attribute, cannot be used, or a best placement does not settle.
        """
        if hasattr(deviations, "columns"):  # a profile takes bare deviations, too
            require_projected(deviations, self.name)
        free = getattr(self, "free", ()) if free is None else free
        return self._evaluate(deviations, nominal, freedom_of(free, pivot))

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, free: Freedom) -> Evaluation:
        raise NotImplementedError

    def covered(self, deviations: pd.DataFrame) -> Covered:
        """The touches of a deviations table that it covers, with their places."""
        return cover(deviations, self.features or None, self.between, name=self.name)

    def needed_width(self) -> float:
        """The width [mm], which must be there."""
        if self.width is None:
            raise InputError(f"tolerance '{self.name}' needs a width", expected="mm")
        return self.width

    def _amount(self) -> str:
        return f"{self.needed_width():g} mm"

    def _words(self) -> Iterator[str]:
        yield from ()

    def _cells(self) -> list[list[str]]:
        return [[f"{self.needed_width():g}", *self.datums]]

    def _outside_of_frame(self) -> dict[str, str]:
        """Circles at the leader, and what is written beside the frame."""
        beside = [
            f"{axis} {start:g} \N{LEFT RIGHT ARROW} {end:g}" for axis, (start, end) in (self.between or {}).items()
        ]
        beside += ["SEP REQT"] if getattr(self, "separate", False) else []
        return {"around": getattr(self, "around", ""), "beside": ", ".join(beside)}

    def __str__(self) -> str:
        return self.sentence

    def _repr_svg_(self) -> str:
        return frame_svg(self.characteristic, self._cells(), title=self.sentence, **self._outside_of_frame())


@cache
def hints_of(kind: type[Tolerance]) -> dict[str, Any]:
    """Field -> its type, with the rule for its values where there is one."""
    hints = get_type_hints(kind, include_extras=True)
    return {one.name: hints[one.name] for one in fields(kind)}


def keys_of(kind: str) -> dict[str, Any]:
    """Keys that a study may give for a kind of tolerance -> their types; a key of `KINDS`."""
    made, preset = KINDS[kind]
    meant = {one.name: one.metadata.get("only", {}) for one in fields(made)}
    return {
        key: hint
        for key, hint in hints_of(made).items()
        if key not in preset and all(preset.get(other, allowed[0]) in allowed for other, allowed in meant[key].items())
    }


def stated_by(kind: str) -> dict[str, tuple[str, Any]]:
    """Modifiers of a model that a kind of tolerance takes: words -> the key that says so, and its value."""
    takes = keys_of(kind)
    return {
        words: (one.name, value)
        for one in fields(KINDS[kind][0])
        if one.name in takes
        for words, value in one.metadata.get("stated", {}).items()
    }


def _plain(value: Any) -> Any:
    """Lists and arrays as tuples, so that tolerances can be compared."""
    if isinstance(value, np.ndarray):
        value = value.tolist()
    return tuple(_plain(one) for one in value) if isinstance(value, list | tuple) else value
