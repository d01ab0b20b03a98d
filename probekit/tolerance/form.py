"""Form: flatness, straightness, circularity, cylindricity.

The actual value is the width of the narrowest zone of the kind that holds the touches, wherever it lies: two parallel
planes, two parallel lines, two concentric circles, two coaxial cylinders (ASME Y14.5.1-2019 clause 6, ISO 1101; from
memory; both agree in this). It is a minimum zone; least squares can be asked for, and is never smaller. Both see the
touches only, so every value is a lower bound of the surface's. Axes and middle planes are in `median`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np

from ..errors import InputError
from ..fit import FREEDOMS, beneath
from ..fit.elements import Element, element
from ..show import shown
from .blocks import Block, of_circle, of_element, of_line
from .cover import Covered, direction_of, sections_of
from .enough import few, place_of, require_enough
from .evaluation import Evaluation
from .nominal_shape import require, require_turned
from .per_unit import counted, spans_of, windows_of, worst_window
from .spec import Direction, Length, Tolerance, only

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = ["Form", "circularity", "cylindricity", "flatness", "material_of", "section_axis", "straightness"]

Method = Literal["minimum_zone", "least_squares"]
_SETTLED = 2e-6  # touches this near to the largest distance rule [mm]


_SHAPES = {"flatness": "plane", "cylindricity": "cylinder"}


@shown
@dataclass(frozen=True, kw_only=True)
class Form(Tolerance):
    """Form of a plane, a cylinder, lines or circles.

    The deviation of a touch is its distance from the middle of the zone, outward; `details` has each section. Circles
    are taken square to the axis (ASME; ISO 1101 takes them square to the surface of a cone unless a direction is given,
    which is the same on a cylinder).

    Attributes
    ----------
    of : str
        "flatness": two parallel planes. "cylindricity": two coaxial cylinders, whatever their radius. "circularity":
        two concentric circles in each section. "straightness" of line elements of a surface: two parallel lines in the
        plane of line and normal.
    method : str
        "minimum_zone" or "least_squares".
    section : str or (3,) float, optional
        How touches are divided into lines or circles; see `LineProfile`. By default all are on one line, and circles
        are square to z.
    axis : (3,) float, optional
        Direction of the axis, needed when `section` is a column.
    apart : float
        Touches whose heights differ by less than this from the next lie on one section [mm].
    unit : float, optional
        Of flatness and straightness per unit: diameter, or length, of a window [mm]; the value is the largest over all
        windows, wherever they lie, judged as a whole. The drawing mostly gives a larger tolerance of the whole as well.
    """

    of: Literal["flatness", "cylindricity", "circularity", "straightness"]
    method: Method = field(default="minimum_zone", metadata=only(of=(*_SHAPES, "circularity", "straightness")))
    section: str | Direction | None = field(default=None, metadata=only(of=("straightness", "circularity")))
    axis: Direction | None = field(default=None, metadata=only(of=("circularity",)))
    apart: Length = field(default=0.5, metadata=only(of=("straightness", "circularity")))

    unit: Length | None = field(default=None, metadata=only(of=("flatness", "straightness")))

    kinds: ClassVar = {kind: {"of": kind} for kind in (*_SHAPES, "straightness", "circularity")}

    @property
    def characteristic(self) -> str:  # noqa: D102
        return self.of

    def _evaluate(self, deviations: pd.DataFrame, _nominal: Nominal | None, _free: Freedom) -> Evaluation:
        covered = self.covered(deviations)
        if self.unit is not None:
            return self._per_unit(deviations, covered, self.unit)
        if self.of in _SHAPES:
            return self._of_whole(deviations, covered, _SHAPES[self.of])
        if self.of == "straightness":
            return self._by_section(deviations, covered, "line", partial(_line, covered))
        across = _across(section_axis(self.section or "z", self.axis))
        return self._by_section(deviations, covered, "circle", partial(_circle, covered, across))

    def _of_whole(self, deviations: pd.DataFrame, covered: Covered, shape: str) -> Evaluation:
        """Form of one element fitted to all touches."""
        require(covered, shape)
        require_enough(shape, covered.contact, self.of, self.name, form=True)
        options: dict[str, Any] = {"ball": covered.ball}
        options |= {"outward": covered.outward} if shape == "plane" else {"material": material_of(covered)}
        options["start"] = beneath.nominal_beneath(covered.foot, covered.normal, shape)
        fitted = element(covered.measured, shape, method=self.method, **options)
        few_notes = few(shape, len(covered.rows), self.of, form=True)
        return self._zone(
            deviations,
            covered,
            _centred(fitted.residuals),
            blocks=self._placed(of_element(covered.contact, _normals(fitted, covered), sized=shape == "cylinder")),
            notes=(*_method_note(self.method), *few_notes, *fitted.notes),
            alternatives=partial(_other_forms, covered.measured, shape, options),
        )

    def _by_section(
        self, deviations: pd.DataFrame, covered: Covered, shape: str, fit: Callable[[np.ndarray, str], Element]
    ) -> Evaluation:
        """Form of one element in each section; the worst counts."""
        sections = self._sections(deviations, covered)
        fullest = max(sections.values(), key=lambda part: len(np.unique(place_of(covered.contact[part]))))
        require_enough(shape, covered.contact[fullest], self.of, self.name, form=True)
        values, details, notes = np.empty(len(covered.rows)), {}, list(_method_note(self.method))
        blocks: list[Block] = []
        for label, part in sections.items():
            fitted = fit(part, self.method)
            values[part] = _centred(fitted.residuals)
            blocks.append(self._block(covered, part, shape, fitted))
            details[label] = float(np.ptp(fitted.residuals))
            notes += [*_few_in(label, shape, len(part)), *(f"{label}: {note}" for note in fitted.notes)]

        def others() -> dict[str, float]:
            return {
                how.replace("_", " "): max(float(np.ptp(fit(part, how).residuals)) for part in sections.values())
                for how in ("minimum_zone", "least_squares")
            }

        more = {
            "details": details,
            "notes": tuple(notes),
            "alternatives": others,
            "blocks": self._placed(tuple(blocks)),
        }
        return self._zone(deviations, covered, values, **more)

    def _block(self, covered: Covered, part: np.ndarray, shape: str, fitted: Element) -> Block:
        """One section as a zone that is placed by its own touches."""
        points = covered.contact[part]
        if shape == "circle":
            flat = points @ _across(section_axis(self.section or "z", self.axis)).T
            return of_circle(part, flat, np.asarray(fitted.parameters["centre"]))
        return of_line(part, points @ np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0])

    def _placed(self, blocks: tuple[Block, ...]) -> tuple[Block, ...] | None:
        """What shares a placement; by least squares no zone is placed, and each touch counts by itself."""
        return blocks if self.method == "minimum_zone" else None

    def _per_unit(self, deviations: pd.DataFrame, covered: Covered, reach: float) -> Evaluation:
        """Form of one element in each window, of the fullest windows; the worst counts."""
        if self.of == "flatness":
            require(covered, "plane")
            windows = windows_of(covered, reach, None, least=4)

            def fit(window: np.ndarray, how: str) -> Element:
                return element(
                    covered.measured[window], "plane", method=how, ball=covered.ball, outward=covered.outward
                )

        else:
            lines = self._sections(deviations, covered).values()
            windows = spans_of(covered, reach, lines, least=3)
            fit = partial(_line, covered)

        def placed(window: np.ndarray) -> np.ndarray:
            return _centred(fit(window, self.method).residuals)

        def at_most(window: np.ndarray) -> float:
            return float(np.ptp(fit(window, "least_squares").residuals)) + 1e-6  # never less than the minimum zone

        window, values = worst_window(windows, at_most, placed)
        off = np.abs(values)
        return Evaluation.as_whole(
            deviations,
            covered.rows,
            2.0 * float(off.max()),
            self.needed_width(),
            name=self.name,
            kind=f"{self.of} per unit {'area' if self.of == 'flatness' else 'length'}",
            features=covered.names,
            high=float(values.max()),
            low=float(values.min()),
            deviations=np.zeros(len(covered.rows)),
            ruling=tuple(covered.ids[window][off >= off.max() - _SETTLED].tolist()),
            missed_rows=covered.missed,
            free=FREEDOMS,
            notes=(*_method_note(self.method), counted(windows, reach)),
            details={"windows": float(len(windows)), "touches in the worst window": float(len(window))},
        )

    def _zone(self, deviations: pd.DataFrame, covered: Covered, values: np.ndarray, **more: Any) -> Evaluation:
        return Evaluation.by_touch(
            deviations,
            covered.rows,
            values,
            self.needed_width(),
            name=self.name,
            kind=self.of,
            settled=_SETTLED,
            features=covered.names,
            missed_rows=covered.missed,
            free=FREEDOMS,
            **more,
        )

    def _sections(self, deviations: pd.DataFrame, covered: Covered) -> dict[str, np.ndarray]:
        section = ("z" if self.of == "circularity" else None) if self.section is None else self.section
        if section is None:
            return {"all": np.arange(len(covered.rows))}
        return sections_of(deviations, covered.rows, section, apart=self.apart)

    def _words(self) -> Iterator[str]:
        if self.unit is not None:
            yield f"within each {self.unit:g} mm " + ("across" if self.of == "flatness" else "of length")

    def _cells(self) -> list[list[str]]:
        return [[f"{self.needed_width():g}" + self._per()]]

    def _per(self) -> str:
        if self.unit is None:
            return ""
        return f"/{'dia ' if self.of == 'flatness' else ''}{self.unit:g}"


def flatness(deviations: pd.DataFrame, width: float, **options: Any) -> Evaluation:
    """Evaluate flatness [mm] of the table `deviations`: `width` and `options` are attributes of `Form`."""
    return Form(of="flatness", width=width, **options).evaluate(deviations)


def cylindricity(deviations: pd.DataFrame, width: float, **options: Any) -> Evaluation:
    """Evaluate cylindricity [mm] of the table `deviations`: `width` and `options` are attributes of `Form`."""
    return Form(of="cylindricity", width=width, **options).evaluate(deviations)


def circularity(deviations: pd.DataFrame, width: float, **options: Any) -> Evaluation:
    """Evaluate circularity [mm] of the table `deviations`: `width` and `options` are attributes of `Form`."""
    return Form(of="circularity", width=width, **options).evaluate(deviations)


def straightness(deviations: pd.DataFrame, width: float, **options: Any) -> Evaluation:
    """Evaluate straightness [mm] of lines in a table `deviations`: `width` and `options` are attributes of `Form`."""
    return Form(of="straightness", width=width, **options).evaluate(deviations)


def material_of(covered: Covered) -> Literal["inside", "outside"]:
    """Whether the material of a closed feature is inside (boss) or outside (bore), by the nominal's normals."""
    return beneath.material_of(covered.contact, covered.normal)


def _normals(fitted: Element, covered: Covered) -> np.ndarray:
    """(m, 3) normals of the element itself at the touches, on the side of those of the nominal."""
    along = np.asarray(fitted.parameters["direction"], dtype=float)
    if fitted.kind == "plane":
        normal = np.tile(along, (len(covered.contact), 1))
    else:
        off = covered.contact - np.asarray(fitted.parameters["point"], dtype=float)
        flat = off - np.outer(off @ along, along)
        normal = flat / np.maximum(np.linalg.norm(flat, axis=1), 1e-12)[:, None]
    return normal * np.sign(np.einsum("ij,ij", normal, covered.normal))


def _line(covered: Covered, part: np.ndarray, how: str) -> Element:
    require(covered, "line", part)
    points, normal = covered.measured[part], covered.normal[part].mean(axis=0)
    along = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    up = direction_of(normal - (normal @ along) * along, "of the surface")
    flat = np.column_stack([points @ along, points @ up])
    return element(flat, "line2", method=how, ball=covered.ball, outward=(0.0, 1.0))


def _circle(covered: Covered, across: np.ndarray, part: np.ndarray, how: str) -> Element:
    require_turned(covered, np.cross(*across), part)
    flat = covered.measured[part] @ across.T
    return element(flat, "circle2", method=how, ball=covered.ball, material=material_of(covered))


def _other_forms(points: np.ndarray, shape: str, options: Mapping[str, Any]) -> dict[str, float]:
    """Form [mm] by both methods."""
    return {
        how.replace("_", " "): float(np.ptp(element(points, shape, method=how, **options).residuals))
        for how in ("minimum_zone", "least_squares")
    }


def _method_note(method: str) -> tuple[str, ...]:
    return (
        () if method == "minimum_zone" else ("by least squares: never smaller than the minimum zone of the standard",)
    )


def _few_in(label: str, shape: str, n: int) -> tuple[str, ...]:
    return tuple(f"{label}: {note}" for note in few(shape, n, "its form", form=True))


def _centred(residuals: np.ndarray) -> np.ndarray:
    return residuals - (residuals.max() + residuals.min()) / 2


def section_axis(section: str | Iterable[float], axis: Iterable[float] | None) -> np.ndarray:
    """Direction of the axis: as given, or what the sections are square to."""
    if axis is not None:
        return direction_of(axis, "of the axis")
    if not isinstance(section, str):
        return direction_of(section, "of the axis")
    if section not in ("x", "y", "z"):
        raise InputError("sections named by a column need the direction of the axis", found=section, expected="axis=")
    return np.eye(3)["xyz".index(section)]


def _across(axis: np.ndarray) -> np.ndarray:
    """(2, 3) unit vectors square to an axis, right-handed with it."""
    first = np.cross(axis, np.eye(3)[int(np.abs(axis).argmin())])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first)])
