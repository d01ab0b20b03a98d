"""Tolerances of position, size and runout as a drawing states them; see `probekit.tolerance.spec`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from ..show import shown
from .evaluation import Evaluation
from .placement import freedom_of
from .position import Group, evaluation_at, group_of
from .runout import runout
from .size import size
from .spec import Tolerance, Vector

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Position", "Runout", "Size"]


@shown
@dataclass(frozen=True, kw_only=True)
class Position(Tolerance):
    """Position of an axis, a centre or a middle plane, or of a pattern of them; see `probekit.tolerance.position`.

    `projected` says that `length` is a projected zone; it is drawn so. `pattern`: each feature is one of a pattern (see
    `probekit.tolerance.pattern`), and `at` one point for each; if not, all touches together make one. `separate`: not
    to be met at one placement together with others that share its datums.
    """

    of: str = "axis"
    pattern: bool = False
    at: Vector | tuple[Vector, ...] | None = None
    direction: Vector | None = None
    across: Vector | None = None
    modifier: str = ""
    limits: tuple[float, float] | None = None
    length: tuple[float, float] | None = None
    projected: bool = False
    method: str | None = None
    free: tuple[str, ...] = ()
    separate: bool = False

    characteristic: ClassVar[str] = "position"

    def _evaluate(self, found: pd.DataFrame, **place: Any) -> Evaluation:
        return evaluation_at(self.group(found), freedom_of(place["free"], place["pivot"]))

    def group(self, found: pd.DataFrame) -> Group:
        """Its features with their touches, for what is evaluated together."""
        own = {one: getattr(self, one) for one in ("modifier", "limits", "method")} | self._common()
        options = {one: getattr(self, one) for one in ("of", "direction", "across", "length")}
        return group_of(found, self._needed(), together=not self.pattern, at=self.at, options=options, **own)

    def _words(self) -> Iterator[str]:
        many = {"axis": "axes", "centre": "centres", "middle plane": "middle planes"}
        yield f"of the {many[self.of]}, as one pattern" if self.pattern else f"of the {self.of}"
        if self.free:
            yield "free: " + ", ".join(self.free)
        if self.separate:
            yield "separate requirement"
        if self.modifier:
            yield {"M": "at maximum material condition", "L": "at least material condition"}[self.modifier]
        if self.projected and self.length is not None:
            yield f"projected from {self.length[0]:g} to {self.length[1]:g} mm"

    def _cells(self) -> list[list[str]]:
        text = "dia " if self.of != "middle plane" and self.across is None else ""
        text = "S" + text if self.of == "centre" and text else text
        text += f"{self._needed():g}" + (f"({self.modifier})" if self.modifier else "")
        if self.projected and self.length is not None:
            text += f"(P){abs(self.length[1] - self.length[0]):g}"
        return [[text, *self.datums]]


@shown
@dataclass(frozen=True, kw_only=True)
class Size(Tolerance):
    """Limits of size; see `probekit.tolerance.size`. No feature control frame: it prints as a size with its limits."""

    limits: tuple[float, float]
    of: str = "cylinder"
    method: str = "two_point"
    opposed: float = 5.0

    characteristic: ClassVar[str] = "size"

    def _evaluate(self, found: pd.DataFrame, **_place: Any) -> Evaluation:
        own = {one: getattr(self, one) for one in ("of", "method", "opposed")}
        return size(found, tuple(self.limits), **own, **self._common())

    @property
    def frame(self) -> str:  # noqa: D102
        sign = {"cylinder": "\u2300", "sphere": "S\u2300"}.get(self.of, "")
        return f"{sign}{self.limits[0]:g} \u2026 {sign}{self.limits[1]:g}"

    def _amount(self) -> str:
        return f"{self.limits[0]:g} to {self.limits[1]:g} mm ({self.method.replace('_', ' ')})"

    def _repr_svg_(self) -> None:
        return None


@shown
@dataclass(frozen=True, kw_only=True)
class Runout(Tolerance):
    """Circular or total runout; see `probekit.tolerance.runout`."""

    total: bool = False
    reading: str = "radial"
    at: Vector = (0.0, 0.0, 0.0)
    axis: Vector = (0.0, 0.0, 1.0)
    apart: float = 0.5
    section: str | None = None

    @property
    def characteristic(self) -> str:  # noqa: D102
        return "total runout" if self.total else "circular runout"

    def _evaluate(self, found: pd.DataFrame, **_place: Any) -> Evaluation:
        own = {one: getattr(self, one) for one in ("total", "reading", "at", "axis", "apart", "section")}
        return runout(found, self._needed(), **own, **self._common())
