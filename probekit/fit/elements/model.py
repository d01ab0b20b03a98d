"""What a fitted element is, and how its parameters are named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from ...errors import InputError
from ...show import shown
from .shapes import Kind, State, retract, unit_frame

__all__ = [
    "METHODS",
    "Element",
    "parameter_covariance",
    "parameter_names",
    "parameters_of",
    "scaled",
    "state_of",
    "unscaled",
]

METHODS = ("least_squares", "minimum_zone", "maximum_inscribed", "minimum_circumscribed", "tangent")
_WORDS = {
    "least_squares": "least squares",
    "minimum_zone": "minimum zone",
    "maximum_inscribed": "maximum inscribed",
    "minimum_circumscribed": "minimum circumscribed",
    "tangent": "tangent from outside",
}


#: Kind and method whose certificate holds for any element of that kind.
_GLOBAL = {
    *((kind, "minimum_zone") for kind in ("line2", "plane", "width", "circle2")),
    *((kind, "minimum_circumscribed") for kind in ("circle2", "sphere")),
    *((kind, "tangent") for kind in ("plane", "line2")),
}


@shown
@dataclass(frozen=True, eq=False)
class Element:
    """A geometric element fitted to touches: what it is, where it is, how well it is known, what fixes it.

    Parameters
    ----------
    kind : str
        "point", "line2", "line", "plane", "circle2", "circle", "sphere", "cylinder", "cone", "torus", "ellipse2",
        "slot2" or "width" (two parallel planes). Those that end in 2 lie in a plane of two coordinates.
    method : str
        "least_squares", "minimum_zone", "maximum_inscribed", "minimum_circumscribed" or "tangent".
    parameters : mapping
        By kind [mm, degrees]: point: point. line2: point, direction, normal (outward if that was told). line: point,
        direction. plane: point, direction (outward if told). circle2: centre, radius. circle: centre, direction,
        radius. sphere: centre, radius. cylinder: point, direction, radius. cone: apex, direction (from the apex into
        the cone), half_angle, and point and radius: the point of the axis nearest the touches, the radius there.
        torus: centre, direction, major, minor. ellipse2: centre, semi_axes, angle (of the longer). slot2: centre,
        angle, length (between the arcs' centres), radius. width: point (of the mid-plane), direction, width.
        A point of a line, plane or axis is the one nearest the mean of the touches.
    form : float
        Largest less smallest residual [mm]; the width of the zone for a minimum zone. For a line (no side): the
        diameter of the cylinder about it that holds the touches.
    residuals : (n,) float
        Signed normal distance of each touch, positive away from the material [mm]. For a point or a line, which have
        no sides, the distance; for a circle, the radial part in its plane.
    names : tuple of str
        What the rows of `covariance` are: the parameters in the order of `parameters`, vectors as name_x, name_y,
        name_z.
    covariance : (k, k) float
        Covariance of the parameters named [mm, degrees]; NaN where it cannot be known (not least squares, no spare
        touches). Its rank is the number of independent parameters: a direction keeps length one, and a point of a
        line, plane or axis only moves off it.
    active : tuple of int
        Rows of touches that fix a minimum zone, inscribed, circumscribed or tangent element; empty for least squares.
    certificate : float
        Bound on how much a better element of that kind could still improve the objective [mm]; 0 when proved, up to
        rounding; NaN for least squares. It is a bound for any element of the kind, or if `local` for those nearby.
    notes : tuple of str
        What a reader should know before using the numbers.
    ambiguous : tuple of mapping
        Parameters of quite different elements of that kind that fit the touches about as well, and their `rms` [mm]:
        the touches do not tell which is meant. Empty if there is none, or a start was given.
    """

    kind: str
    method: str
    parameters: Mapping[str, np.ndarray | float]
    form: float
    residuals: np.ndarray
    names: tuple[str, ...]
    covariance: np.ndarray
    active: tuple[int, ...] = ()
    certificate: float = float("nan")
    notes: tuple[str, ...] = ()
    ambiguous: tuple[Mapping[str, np.ndarray | float], ...] = ()

    def __post_init__(self) -> None:
        values = {k: np.array(v) if np.ndim(v) else float(v) for k, v in self.parameters.items()}
        for value in (*values.values(), self.residuals, self.covariance):
            if isinstance(value, np.ndarray):
                value.setflags(write=False)
        object.__setattr__(self, "parameters", MappingProxyType(values))

    @property
    def local(self) -> bool:
        """Whether the certificate speaks only of elements nearby: quite another one may be better."""
        return self.method != "least_squares" and (self.kind, self.method) not in _GLOBAL

    @property
    def uncertainties(self) -> dict[str, float]:
        """Standard uncertainty of each parameter named [mm, degrees]."""
        return dict(zip(self.names, np.sqrt(np.maximum(np.diag(self.covariance), 0.0)).tolist(), strict=True))

    @property
    def sentence(self) -> str:
        """The element in one line."""
        sizes = ", ".join(
            f"{name.replace('_', ' ')} {value:.4f}{' deg' if 'angle' in name else ' mm'}"
            for name, value in self.parameters.items()
            if np.ndim(value) == 0
        )
        return (
            f"{self.kind} by {_WORDS[self.method]} through {len(self.residuals)} touches: "
            f"{sizes + ', ' if sizes else ''}form {self.form:.4f} mm"
            + ("; ambiguous: a quite different one fits about as well" if self.ambiguous else "")
        )


def unscaled(kind: Kind, state: State, shift: np.ndarray, scale: float) -> State:
    """The state in millimetres, from one fitted to (points - shift) / scale."""
    sizes = state.sizes * scale
    if kind.name == "cone":
        sizes[0] = state.sizes[0]
    return State(state.origin * scale + shift, state.rotation, sizes)


def state_of(kind: Kind, parameters: Mapping[str, np.ndarray | float]) -> State:
    """The state of parameters as `Element.parameters` has them, of a kind with a direction or a centre alone.

    Raises
    ------
    InputError
        If the kind has no start, or a parameter is missing or not finite.
    """
    places = {"sphere": "centre", "circle2": "centre", "circle": "centre", "torus": "centre"}
    if kind.name not in (*places, "cylinder", "cone", "width"):
        raise InputError(f"a {kind.name} has no start", todo="Omit start=.")
    sizes = {"cone": ("half_angle", "radius"), "torus": ("major", "minor"), "width": ("width",)}.get(
        kind.name, ("radius",)
    )
    place = places.get(kind.name, "point")
    turned = kind.name not in ("sphere", "circle2")
    wanted = (place, *(("direction",) if turned else ()), *sizes)
    lacking = [name for name in wanted if name not in parameters or not np.isfinite(parameters[name]).all()]
    if lacking:
        raise InputError(f"the start of a {kind.name} is incomplete", found=", ".join(parameters), expected=wanted)
    values = [float(parameters[name]) for name in sizes]
    if kind.name == "cone":
        values = [np.radians(values[0]), values[1] * np.cos(np.radians(values[0]))]
    origin = np.asarray(parameters[place], dtype=float)
    frame = unit_frame(np.asarray(parameters["direction"], dtype=float)) if turned else np.eye(3)
    return State(np.append(origin, np.zeros(3 - len(origin))), frame, np.array(values))


def scaled(kind: Kind, state: State, shift: np.ndarray, scale: float) -> State:
    """A state in millimetres as one of (points - shift) / scale: the inverse of `unscaled`."""
    sizes = state.sizes / scale
    if kind.name == "cone":
        sizes[0] = state.sizes[0]
    return State((state.origin - shift) / scale, state.rotation, sizes)


def parameters_of(kind: Kind, state: State) -> dict[str, np.ndarray | float]:
    """Parameters of a state, as `Element.parameters` has them."""
    name, sizes = kind.name, state.sizes
    place = state.origin[: kind.dims]
    axis = state.rotation[: kind.dims, kind.axis]
    if name == "point":
        return {"point": place}
    if name == "line2":
        return {"point": place, "direction": axis, "normal": state.rotation[:2, 0]}
    if name in ("line", "plane"):
        return {"point": place, "direction": axis}
    if name in ("circle2", "sphere"):
        return {"centre": place, "radius": sizes[0]}
    if name == "circle":
        return {"centre": place, "direction": axis, "radius": sizes[0]}
    if name == "cylinder":
        return {"point": place, "direction": axis, "radius": sizes[0]}
    if name == "cone":
        half_angle, distance = sizes
        up = distance / np.sin(half_angle) if abs(half_angle) > 1e-12 else np.inf
        with np.errstate(invalid="ignore"):
            apex = np.where(axis == 0, place, place - axis * up)
        radius = distance / np.cos(half_angle)
        return {
            "apex": apex, "direction": axis, "half_angle": np.degrees(half_angle), "point": place, "radius": radius,
        }  # fmt: skip
    if name == "torus":
        return {"centre": place, "direction": axis, "major": sizes[0], "minor": sizes[1]}
    if name == "width":
        return {"point": place, "direction": axis, "width": sizes[0]}
    angle = float(np.degrees(np.arctan2(axis[1], axis[0])))
    angle = -((90.0 - angle) % 180.0 - 90.0)  # in (-90, 90]
    if name == "ellipse2":
        return {"centre": place, "semi_axes": sizes, "angle": angle}
    return {"centre": place, "angle": angle, "length": sizes[0], "radius": sizes[1]}


def parameter_names(parameters: Mapping[str, np.ndarray | float]) -> tuple[str, ...]:
    """Name of every number in the parameters."""
    names: list[str] = []
    for name, value in parameters.items():
        if np.ndim(value) == 0:
            names.append(name)
        else:
            names += [f"{name}_{part}" for part in ("ab" if name == "semi_axes" else "xyz"[: len(value)])]
    return tuple(names)


def parameter_covariance(kind: Kind, state: State, of_step: np.ndarray, scale: float) -> np.ndarray:
    """Covariance of the named parameters from that of the step of `retract`, by central differences.

    Parameters
    ----------
    kind : Kind
    state : State
        In millimetres.
    of_step : (k, k) float
        Covariance of the step.
    scale : float
        Spread of the touches [mm]: the length that a difference of the step is small against.
    """
    free = kind.free
    turns = slice(len(kind.translate), len(kind.translate) + len(kind.rotate))
    width = np.full(free, 1e-6 * scale)
    width[turns] = 1e-6
    if kind.name == "cone":
        width[free - 2] = min(1e-6, 1e-3 * max(abs(float(state.sizes[0])), 1e-12))

    def flat(at: State) -> np.ndarray:
        return np.concatenate([np.atleast_1d(value) for value in parameters_of(kind, at).values()])

    columns = []
    with np.errstate(invalid="ignore"):
        for j in range(free):
            step = np.zeros(free)
            step[j] = width[j]
            change = flat(retract(kind, state, step)) - flat(retract(kind, state, -step))
            columns.append(change / (2 * width[j]))
    slope = np.column_stack(columns)
    names = parameter_names(parameters_of(kind, state))
    if "angle" in names:  # it may have wrapped between the two sides
        slope[names.index("angle")] = 0.0
        slope[names.index("angle"), turns] = np.degrees(1.0)
    finite = np.isfinite(slope).all(axis=1)
    known = np.where(finite[:, None], slope, 0.0) @ of_step @ np.where(finite[:, None], slope, 0.0).T
    return np.where(finite[:, None] & finite[None, :], known, np.nan)
