"""Size of a feature: local by two points, or global by least squares, maximum inscribed, minimum circumscribed.

ISO 14405-1 names these LP, GG, GX and GN; two-point size is its default. ASME Y14.5 asks for local sizes and, by its
rule one (Y14.5-2018, 5.8.1), that the envelope of perfect form at maximum material be kept: the actual mating envelope,
maximum inscribed in a bore and minimum circumscribed about a boss, is judged against the limit on that side as well.
ISO 8015 holds size and form independent, unless (E) is written; so does Y14.5 where (I) is. From memory.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np

from ..errors import FitError, InputError, TouchesError
from ..show import shown
from .axes import envelope, size_of
from .blocks import of_element
from .cover import Covered
from .enough import few
from .envelopes import envelope_of
from .evaluation import Evaluation
from .form import material_of
from .local_size import two_point_sizes
from .places import Places
from .propagation import element_gain
from .spec import Length, Limits, Tolerance

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..fit.elements.model import Element
    from ..nominal import Nominal

__all__ = ["Size", "size"]

_GLOBAL = ("least_squares", "maximum_inscribed", "minimum_circumscribed")


@shown
@dataclass(frozen=True, kw_only=True)
class Size(Tolerance):
    """Limits of size; it has no feature control frame and prints as a size with its limits.

    The actual value is the smallest tolerance about the middle of the limits that all sizes would meet; it is judged as
    a whole, and `details` has the sizes.

    Attributes
    ----------
    limits : (float, float)
        Smallest and largest size allowed [mm].
    of : str
        "cylinder", "width" or "sphere".
    method : str
        "two_point", "least_squares", "maximum_inscribed" or "minimum_circumscribed". By default two-point sizes; where
        no two touches are opposed, as on rings of an odd number, the least-squares size, and a note.
    opposed : float
        Two touches are opposed if their normals, and the line between them, are within this of each other [deg], as
        aimed or as they met the feature. Their size is seen from the centre of the section as made.
    independency : bool
        Size and form are independent: the envelope of perfect form at maximum material is not required. So it is in
        ISO unless the drawing says (E), in ASME where it says (I), or gives the feature a straightness of its axis.
    """

    limits: Limits
    of: Literal["cylinder", "width", "sphere"] = "cylinder"
    method: Literal["default", "two_point", "least_squares", "maximum_inscribed", "minimum_circumscribed"] = "default"
    opposed: Length = 5.0
    independency: bool = False

    characteristic: ClassVar[str] = "size"
    kinds: ClassVar = {"size": {}}
    instead_of_width: ClassVar = ("limits",)

    def _check(self) -> None:
        super()._check()
        if not (len(self.limits) == 2 and np.isfinite(self.limits).all() and 0 < self.limits[0] < self.limits[1]):
            what = "limits of size are two rising lengths"
            raise InputError(what, column="limits", found=self.limits, expected="(smallest, largest)")

    def _evaluate(self, deviations: pd.DataFrame, _nominal: Nominal | None, _free: Freedom) -> Evaluation:
        covered, middle = self.covered(deviations), (self.limits[0] + self.limits[1]) / 2
        values, pairs, said = two_point_sizes(covered, self.opposed, self.of)
        envelope_decides, places, envelopes = False, None, ()
        local = self.method == "two_point" or (self.method == "default" and len(values) > 0)
        method = "two_point" if local else self.method.replace("default", "least_squares")
        if local:
            if not len(values):
                raise TouchesError(
                    f"tolerance '{self.name}': no two touches are opposed within {self.opposed:g} deg",
                    todo="Touch opposite places, widen opposed=, or ask for a global size.",
                )
            gradient = np.zeros(len(covered.rows))
            gradient[pairs[int(np.abs(values - middle).argmax())]] = 1.0
            change = np.zeros((len(values), 2, len(covered.rows)))
            change[np.arange(len(values))[:, None], 0, pairs] = -2.0 if material_of(covered) == "outside" else 2.0
            off = 2.0 * (values - middle)
            places = Places(off[:, None], np.zeros(len(off)), change, np.zeros((len(off), 2, 6)))
            notes = [
                f"{len(values)} local sizes from opposed touches; elsewhere the feature may be smaller or larger",
                *said,
            ]
        else:
            value, fitted = size_of(covered, self.of, method)
            values, pairs = np.array([value]), np.array([fitted.active], dtype=int).reshape(1, -1)
            gradient = 2.0 * element_gain(covered.contact, covered.normal, fitted.active)[1]
            envelope_decides, envelopes = bool(fitted.active), envelope_of(covered, fitted)
            notes = [*few(self.of, len(covered.rows), "a size"), *fitted.notes]
            if self.method == "default":
                notes.insert(0, "no two touches are opposed: the least-squares size stands in for local sizes")
        off = np.abs(values - middle)
        boss = material_of(covered) == "inside"
        sense = 1.0 if boss else -1.0  # material left on: a larger boss, a smaller bore
        ruling = tuple(dict.fromkeys(pairs[off >= off.max() - 1e-9].ravel().tolist()))
        sign = 1.0 if (values - middle)[off.argmax()] >= 0 else -1.0  # in the middle either way is as near
        smallest, largest, worst = float(values.min()), float(values.max()), float(off.max())
        details = {"smallest size": smallest, "largest size": largest, "middle of limits": middle}
        if not self.independency:
            mating, said = self._envelope(covered)
            notes += said
            if mating is not None:
                details["mating envelope"] = mating[0]
                if not envelopes or envelopes[0].element.method != mating[1].method:
                    envelopes = (*envelopes, *envelope_of(covered, mating[1]))
                if sense * (mating[0] - middle) > worst + 1e-9:
                    worst, sign, ruling = sense * (mating[0] - middle), sense, tuple(mating[1].active)
                    gradient = 2.0 * element_gain(covered.contact, covered.normal, mating[1].active)[1]
                    envelope_decides = True
                    notes.append("the mating envelope decides: perfect form at maximum material (rule one)")
        return Evaluation.as_whole(
            deviations,
            covered.rows,
            2.0 * worst,
            self.limits[1] - self.limits[0],
            name=self.name,
            kind="size, " + method.replace("_", " "),
            features=covered.names,
            lower=float(self.limits[0] - middle),
            upper=float(self.limits[1] - middle),
            high=largest - middle,
            low=smallest - middle,
            ruling=tuple(covered.ids[list(ruling)].tolist()),
            missed_rows=covered.missed,
            notes=tuple(notes),
            details=details,
            alternatives=partial(_others, covered, self.of, self.opposed, middle),
            gradient=2.0 * sense * sign * gradient,
            places=None if envelope_decides else places,
            blocks=of_element(covered.contact, covered.normal, sized=False, rise=4.0 * sense * sign)
            if envelope_decides
            else None,
            envelopes=envelopes,
        )

    def _envelope(self, covered: Covered) -> tuple[tuple[float, Element] | None, list[str]]:
        """Size and element of the actual mating envelope; or None, and a note why there is none."""
        try:
            return size_of(covered, self.of, envelope(covered)), []
        except (FitError, InputError):
            return None, ["rule one is not checked: the touches do not fix the mating envelope"]

    @property
    def frame(self) -> str:  # noqa: D102
        sign = {"cylinder": "\u2300", "sphere": "S\u2300"}.get(self.of, "")
        return f"{sign}{self.limits[0]:g} \u2026 {sign}{self.limits[1]:g}"

    def _amount(self) -> str:
        method = "" if self.method == "default" else f" ({self.method.replace('_', ' ')})"
        return f"{self.limits[0]:g} to {self.limits[1]:g} mm{method}"

    def _repr_svg_(self) -> None:
        return None


def size(deviations: pd.DataFrame, limits: tuple[float, float], **options: Any) -> Evaluation:
    """Evaluate a size [mm] of the table `deviations`: `limits` and `options` are attributes of `Size`."""
    return Size(limits=limits, **options).evaluate(deviations)


def _others(covered: Covered, of: str, opposed: float, middle: float) -> dict[str, float]:
    """Actual value [mm] by each kind of size."""
    values = {}
    for how in _GLOBAL:
        with suppress(FitError, InputError):  # touches on half of it hold no envelope
            values[f"{how.replace('_', ' ')} size"] = size_of(covered, of, how)[0]
    local = two_point_sizes(covered, opposed, of)[0]
    found = {f"{words} ({value:.4f} mm)": 2.0 * abs(value - middle) for words, value in values.items()}
    if len(local):
        found[f"two-point sizes ({local.min():.4f} to {local.max():.4f} mm)"] = 2.0 * float(
            np.abs(local - middle).max()
        )
    return found
