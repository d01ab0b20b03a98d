"""Tolerances as a drawing states them: plain data that can be read, printed, drawn and evaluated.

Each prints as a sentence (`sentence`), as a feature control frame in text (`frame`), and drawn in a notebook.
`evaluate(found, nominal)` does what the functions of this room do; the classes hold no mathematics.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

from ..deviation.projection import projection_on
from ..errors import InputError
from ..show import shown
from .around import around_notes, checked_around
from .boundaries import Boundaries
from .evaluation import Evaluation
from .form import circularity, cylindricity, flatness, straightness, straightness_of_axis
from .line_profile import line_profile
from .orientation import orientation, orientation_of_axis
from .per_unit import per_unit
from .placement import Free
from .profile import profile
from .symbols import frame_svg, frame_text

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["Form", "LineProfile", "Orientation", "Profile", "Tolerance", "Vector"]

Vector = tuple[float, float, float]


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
        Features or faces; all touches if empty.
    between : mapping or None
        Limits along the surface, axis -> (from, to) [mm].
    datums : tuple of str
        Letters of the datum frame in order, such as "A", "B(M)": for the drawing, for what shares a frame, and for
        `evaluate_all`, which can establish it. The table of deviations must be in that frame.
    """

    width: float | None = None
    name: str = ""
    features: tuple[str, ...] = ()
    between: Mapping[str, tuple[float, float]] | None = None
    datums: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for one in ("features", "datums", "free"):
            value = getattr(self, one, None)
            if value is not None:
                object.__setattr__(self, one, (value,) if isinstance(value, str) else tuple(value))
        if not self.name:
            object.__setattr__(self, "name", self.characteristic)

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
        found: pd.DataFrame,
        nominal: Nominal | None = None,
        *,
        pivot: Vector = (0.0, 0.0, 0.0),
        free: Free | None = None,
    ) -> Evaluation:
        """Evaluate it on a table of deviations.

        Parameters
        ----------
        found : DataFrame
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
            From the function for its kind.
        """
        return self._evaluate(
            found, nominal=nominal, pivot=pivot, free=getattr(self, "free", ()) if free is None else free
        )

    def _evaluate(self, found: pd.DataFrame, **place: Any) -> Evaluation:
        raise NotImplementedError

    def _common(self) -> dict[str, Any]:
        return {"features": self.features or None, "between": self.between, "name": self.name}

    def _needed(self) -> float:
        if self.width is None:
            raise InputError(f"tolerance '{self.name}' needs a width", expected="mm")
        return self.width

    def _amount(self) -> str:
        return f"{self._needed():g} mm"

    def _words(self) -> Iterator[str]:
        yield from ()

    def _cells(self) -> list[list[str]]:
        return [[f"{self._needed():g}", *self.datums]]

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


@shown
@dataclass(frozen=True, kw_only=True)
class Profile(Tolerance):
    """Profile of a surface.

    Attributes
    ----------
    outside, boundaries, free, dynamic
        See `probekit.tolerance.profile`.
    unit : float or None
        Per unit area: diameter of the window [mm]; see `probekit.tolerance.per_unit`.
    along : (3,) float or None
        Per unit length: direction along which the window of length `unit` lies.
    separate : bool
        Not to be met at one placement together with others that share its datums.
    around : str
        "all over": every face of the part; all touches are judged unless `features` says which. "all around": the faces
        along an outline, which `features` names. Either is drawn, and when the tolerance is evaluated each face that
        has no touch is named in a note and a warning; faces "all around" that do not close to a ring get a note.
    """

    outside: float | None = None
    boundaries: Boundaries | None = None
    free: tuple[str, ...] = ()
    dynamic: bool = False
    unit: float | None = None
    along: Vector | None = None
    separate: bool = False
    around: str = ""

    characteristic: ClassVar[str] = "profile of a surface"

    def __post_init__(self) -> None:
        super().__post_init__()
        checked_around(self.around, self.features, self.name)

    def around_notes(self, found: pd.DataFrame, rows: np.ndarray, nominal: Nominal | None) -> tuple[str, ...]:
        """Notes on the faces that "all over" or "all around" asks for and that have no touch among `rows` (n,)."""
        part = None if nominal is None else projection_on(nominal).nominal
        return around_notes(found, rows, part, self.around, self.features, self.name)

    def _evaluate(self, found: pd.DataFrame, **place: Any) -> Evaluation:
        one = self._zone(found, **place)
        return replace(one, notes=(*one.notes, *self.around_notes(found, one.rows, place["nominal"])))

    def _zone(self, found: pd.DataFrame, **place: Any) -> Evaluation:
        if self.unit is not None:
            return per_unit(
                found,
                self._needed(),
                size=self.unit,
                along=self.along,
                outside=self.outside,
                nominal=place["nominal"],
                **self._common(),
            )
        return profile(
            found,
            self.width,
            outside=self.outside,
            boundaries=self.boundaries,
            dynamic=self.dynamic,
            **place,
            **self._common(),
        )

    def _amount(self) -> str:
        return f"{self.width:g} mm" if self.boundaries is None else "between two boundaries"

    def _words(self) -> Iterator[str]:
        if self.outside is not None:
            yield f"{self.outside:g} mm of it outside the material"
        if self.free:
            yield "free: " + ", ".join(self.free)
        if self.dynamic:
            yield "dynamic: the offset of the zone is free"
        if self.unit is not None:
            yield f"within each {self.unit:g} mm " + ("across" if self.along is None else "of length")
        if self.separate:
            yield "separate requirement"
        if self.around:
            yield self.around

    def _cells(self) -> list[list[str]]:
        text = f"{self.width:g}" if self.boundaries is None else "a \N{LEFT RIGHT ARROW} b"
        text += "" if self.outside is None else f"(U){self.outside:g}"
        text += "(D)" if self.dynamic else ""
        text += "" if self.unit is None else f"/{'dia ' if self.along is None else ''}{self.unit:g}"
        return [[text, *self.datums]]


@shown
@dataclass(frozen=True, kw_only=True)
class LineProfile(Tolerance):
    """Profile of a line; see `probekit.tolerance.line_profile` for what its attributes mean."""

    section: str | Vector = "z"
    apart: float = 0.5
    outside: float | None = None
    free: tuple[str, ...] = ()
    dynamic: bool = False

    characteristic: ClassVar[str] = "profile of a line"

    def _evaluate(self, found: pd.DataFrame, **place: Any) -> Evaluation:
        own = {one: getattr(self, one) for one in ("section", "apart", "outside", "dynamic")}
        return line_profile(found, self._needed(), **own, **place, **self._common())

    def _words(self) -> Iterator[str]:
        yield f"each section by {self.section}" if isinstance(self.section, str) else "each section"
        if self.free:
            yield "free: " + ", ".join(self.free)

    def _cells(self) -> list[list[str]]:
        text = f"{self._needed():g}" + ("" if self.outside is None else f"(U){self.outside:g}")
        return [[text + ("(D)" if self.dynamic else ""), *self.datums]]


@shown
@dataclass(frozen=True, kw_only=True)
class Form(Tolerance):
    """Flatness, straightness (of lines or of an axis), circularity, cylindricity: `of` says which.

    `section`, `axis` and `apart` divide the touches into sections or lines; see the function of that name.
    """

    of: str
    method: str = "minimum_zone"
    section: str | Vector | None = None
    axis: Vector | None = None
    apart: float = 0.5

    @property
    def characteristic(self) -> str:  # noqa: D102
        return "straightness" if self.of == "straightness of an axis" else self.of

    def _evaluate(self, found: pd.DataFrame, **_place: Any) -> Evaluation:
        common, width = self._common(), self._needed()
        if self.of == "flatness":
            return flatness(found, width, method=self.method, **common)
        if self.of == "cylindricity":
            return cylindricity(found, width, method=self.method, **common)
        if self.of == "straightness":
            return straightness(found, width, section=self.section, apart=self.apart, method=self.method, **common)
        section = "z" if self.section is None else self.section
        if self.of == "circularity":
            own = {"section": section, "axis": self.axis, "apart": self.apart, "method": self.method}
            return circularity(found, width, **own, **common)
        return straightness_of_axis(found, width, section=section, axis=self.axis, apart=self.apart, **common)

    def _words(self) -> Iterator[str]:
        if self.of == "straightness of an axis":
            yield "of the axis"

    def _cells(self) -> list[list[str]]:
        return [[("dia " if self.of == "straightness of an axis" else "") + f"{self._needed():g}"]]


@shown
@dataclass(frozen=True, kw_only=True)
class Orientation(Tolerance):
    """Parallelism, perpendicularity or angularity, of a plane or an axis; see `probekit.tolerance.orientation`."""

    of: str
    feature: str = "plane"
    direction: Vector | None = None
    across: Vector | None = None
    turn: Vector | None = None
    angle: float | tuple[float, ...] | None = None
    to: tuple[Vector, ...] = ()
    to_kind: tuple[str, ...] = ()
    length: tuple[float, float] | None = None
    method: str | None = None

    @property
    def characteristic(self) -> str:  # noqa: D102
        return self.of

    def _evaluate(self, found: pd.DataFrame, **place: Any) -> Evaluation:
        own = {one: getattr(self, one) for one in ("turn", "angle", "to", "to_kind")}
        common = {"kind": self.of, **own, "free": place["free"], **self._common()}
        if self.feature == "plane":
            return orientation(found, self._needed(), normal=self.direction, **common)
        own = {one: getattr(self, one) for one in ("direction", "across", "length", "method")}
        return orientation_of_axis(found, self._needed(), **own, **common)

    def _words(self) -> Iterator[str]:
        yield f"of the {self.feature}"
        if self.angle is not None:
            angles = (self.angle,) if isinstance(self.angle, int | float) else self.angle
            yield "basic angle " + " and ".join(f"{one:g}\N{DEGREE SIGN}" for one in angles)

    def _cells(self) -> list[list[str]]:
        round_zone = self.feature == "axis" and self.across is None
        return [[("dia " if round_zone else "") + f"{self._needed():g}", *self.datums]]
