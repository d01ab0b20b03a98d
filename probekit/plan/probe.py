"""The probe: ball, stem and body as turned shapes, further tips of a star, and its mesh for drawing.

Probe coordinates: the origin is the centre of the reference ball, z points along the tool axis towards the spindle, and
x is the program's X with all rotary axes at zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..errors import InputError
from ..geometry import across
from ..show import shown

__all__ = ["BY_HAND", "OVERTRAVEL", "PARTS", "STANDOFF", "Probe", "Segment", "Tip"]

#: What a segment of the probe is.
PARTS = ("ball", "stem", "body")

#: The orientation of a spindle that a person turns.
BY_HAND = "by hand"

#: How far off its target a probing move begins, and how far beyond it goes on, unless told [mm]: common practice.
STANDOFF, OVERTRAVEL = 3.0, 2.0

_STEP = 1e-9  # lengths below this mean nothing [mm]


@shown
@dataclass(frozen=True)
class Segment:
    """A convex piece of the probe: a turned frustum between two points, grown by a sphere.

    Attributes
    ----------
    part : {"ball", "stem", "body"}
        What it is.
    tip : int
        Tip it belongs to; -1 for the body.
    start, end : (3,) float
        Ends of its axis in probe coordinates [mm].
    start_radius, end_radius : float
        Radii of its flat ends [mm]; zero for a ball.
    grown : float
        Radius of the sphere that it is grown by [mm]: that of a ball, zero for the rest.
    """

    part: str
    tip: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    start_radius: float
    end_radius: float
    grown: float = 0.0


@shown
@dataclass(frozen=True)
class Tip:
    """A further tip, of a star or an angled stylus.

    Parameters
    ----------
    ball_diameter, stem_diameter : float
        [mm]
    length : float
        From the hub to the centre of the ball [mm].
    direction : (3,) float
        From the hub to the ball in probe coordinates: (0, 0, -1) is straight down, (1, 0, 0) to the side.
    effective_radius : float, optional
        From qualification [mm]; half the ball's diameter if not given.
    name : str
        What reports call it.

    Raises
    ------
    InputError
        If a size is not a positive number, the stem is thicker than the ball, or the direction is not usable.
    """

    ball_diameter: float
    stem_diameter: float
    length: float
    direction: tuple[float, float, float]
    effective_radius: float | None = None
    name: str = ""

    def __post_init__(self) -> None:
        _check_stylus(self.ball_diameter, self.stem_diameter, self.length, self.effective_radius)
        along = np.asarray(self.direction, dtype=float)
        size = np.linalg.norm(along) if along.shape == (3,) else math.nan
        if not np.isfinite(size) or size == 0:
            raise InputError("a tip needs a direction", column="direction", found=self.direction, expected="x, y, z")
        object.__setattr__(self, "direction", tuple(float(c) for c in along / size))

    @property
    def radius(self) -> float:
        """Effective radius of the ball [mm]."""
        return self.ball_diameter / 2 if self.effective_radius is None else self.effective_radius


@shown
@dataclass(frozen=True)
class Probe:
    """A touch probe in the spindle.

    Parameters
    ----------
    ball_diameter, stem_diameter : float
        Of the straight stylus [mm].
    length : float
        From the centre of the ball to the probe body [mm].
    body : tuple of (float, float)
        Outline of the body as it would be turned: height above the ball's centre and diameter [mm], upwards; two pairs
        of one height are a step. It may go on above the spindle nose, to describe the spindle; below it, the last
        diameter goes on up to the nose.
    tips : tuple of Tip
        Further tips that leave from the hub.
    hub : float, optional
        Height of the hub above the ball's centre [mm]; `length` if not given.
    tool_length : float, optional
        From the spindle nose to the centre of the reference ball [mm]; the top of the body if not given.
    effective_radius : float, optional
        From qualification [mm]; half the ball's diameter if not given.
    straight : bool
        False if there is no ball on the axis, only the `tips`; heights are still counted from where it would be.
    name : str
        What reports call it.
    orientation : float or "by hand", optional
        How the spindle comes to stand so that the tips point as described here: the angle of an oriented spindle stop
        [degree], or by a person. Needed to write a program with side tips.

    Raises
    ------
    InputError
        If a size is not a positive number, the outline does not go upwards from `length`, or there is no tip at all.

    Examples
    --------
    >>> probe = Probe(6.0, 4.0, 50.0, body=((50.0, 20.0), (60.0, 40.0), (110.0, 40.0)))
    >>> probe.radius, probe.tool_length
    (3.0, 110.0)
    """

    ball_diameter: float
    stem_diameter: float
    length: float
    body: tuple[tuple[float, float], ...] = ()
    tips: tuple[Tip, ...] = ()
    hub: float | None = None
    tool_length: float | None = None
    effective_radius: float | None = None
    straight: bool = True
    name: str = "probe"
    orientation: float | str | None = None

    def __post_init__(self) -> None:
        _check_stylus(self.ball_diameter, self.stem_diameter, self.length, self.effective_radius)
        object.__setattr__(self, "body", _checked_outline(self.body, self.length))
        object.__setattr__(self, "tips", tuple(self.tips))
        top = self.body[-1][0] if self.body else self.length
        for key, default in (("hub", self.length), ("tool_length", top)):
            value = default if getattr(self, key) is None else getattr(self, key)
            _positive(key, value)
            object.__setattr__(self, key, float(value))
        if self.hub > self.length + _STEP:
            raise InputError("the hub lies inside the body", column="hub", found=self.hub, expected=f"<= {self.length}")
        if self.tool_length < self.length - _STEP:
            raise InputError(
                "the stylus is longer than the tool",
                column="tool_length",
                found=self.tool_length,
                expected=f"at least the stylus length {self.length}",
                todo="Give the distance from the spindle nose to the centre of the reference ball.",
            )
        angle = self.orientation
        number = isinstance(angle, int | float | np.number) and not isinstance(angle, bool) and math.isfinite(angle)
        if angle is not None and angle != BY_HAND and not number:
            raise InputError(
                "the orientation of the spindle is not usable",
                column="orientation",
                found=angle,
                expected=f'degrees, or "{BY_HAND}"',
            )
        if not self.straight and not self.tips:
            raise InputError("a probe without a straight stylus needs tips", column="tips", found=0)

    @property
    def sentence(self) -> str:
        """The probe in one line."""
        tips = f", {len(self.tips)} further tips" if self.tips else ""
        return (
            f"{self.name}: ball {self.ball_diameter:g} mm, effective radius {self.radius:g} mm, "
            f"stem {self.stem_diameter:g} mm, {self.length:g} mm long, tool length {self.tool_length:g} mm{tips}"
        )

    @property
    def radius(self) -> float:
        """Effective radius of the reference ball [mm]."""
        return self.ball_diameter / 2 if self.effective_radius is None else self.effective_radius

    @property
    def choices(self) -> tuple[int, ...]:
        """Numbers of the tips that can touch: 0 is the straight stylus, k is ``tips[k - 1]``."""
        return tuple(range(0 if self.straight else 1, len(self.tips) + 1))

    @property
    def turned(self) -> bool:
        """Whether turning about the tool axis changes nothing."""
        return not self.tips

    def tip_name(self, tip: int) -> str:
        """What reports call a tip."""
        self._known(tip)
        return "straight tip" if tip == 0 else self.tips[tip - 1].name or f"tip {tip}"

    def tip_radius(self, tip: int = 0) -> float:
        """Effective radius of a tip's ball [mm]."""
        self._known(tip)
        return self.radius if tip == 0 else self.tips[tip - 1].radius

    def offset(self, tip: int = 0) -> np.ndarray:
        """(3,) centre of a tip's ball in probe coordinates [mm]; zero for the straight stylus."""
        self._known(tip)
        if tip == 0:
            return np.zeros(3)
        one = self.tips[tip - 1]
        return np.array([0.0, 0.0, self.hub]) + one.length * np.array(one.direction)

    def drawn_back(self, tip: int) -> np.ndarray:
        """(3,) way along its own stem that brings a side tip back to the hub, ball and all [mm]; zero for tip 0."""
        self._known(tip)
        if tip == 0:
            return np.zeros(3)
        one = self.tips[tip - 1]
        return -(one.length + one.ball_diameter / 2) * np.array(one.direction)

    def outline(self, tip: int | None = None) -> tuple[Segment, ...]:
        """The convex pieces whose union is the probe.

        Parameters
        ----------
        tip : int, optional
            Only the ball and the stem of this tip; None: everything, the body last.

        Returns
        -------
        tuple of Segment
        """
        if tip is not None:
            self._known(tip)
            return self._stylus(tip)
        styli = [piece for one in range(len(self.tips) + 1) for piece in self._stylus(one)]
        return (*styli, *self._body())

    def _stylus(self, tip: int) -> tuple[Segment, ...]:
        top = np.array([0.0, 0.0, self.length if tip == 0 else self.hub])
        one = self if tip == 0 else self.tips[tip - 1]
        ball, stem = one.ball_diameter / 2, one.stem_diameter / 2
        if tip == 0 and not self.straight:
            if self.length - self.hub <= _STEP:
                return ()
            return (Segment("stem", 0, (0.0, 0.0, self.hub), _triple(top), stem, stem),)
        centre = self.offset(tip)
        along = (top - centre) / np.linalg.norm(top - centre)
        leaves = centre + math.sqrt(max(ball**2 - stem**2, 0.0)) * along  # where the stem comes out of the ball
        pieces = [Segment("ball", tip, _triple(centre), _triple(centre), 0.0, 0.0, ball)]
        if (top - leaves) @ along > _STEP:
            pieces.append(Segment("stem", tip, _triple(leaves), _triple(top), stem, stem))
        return tuple(pieces)

    def _body(self) -> tuple[Segment, ...]:
        pairs = list(self.body) or [(self.length, self.stem_diameter)]
        if pairs[-1][0] < self.tool_length - _STEP:
            pairs.append((self.tool_length, pairs[-1][1]))
        return tuple(
            Segment("body", -1, (0.0, 0.0, low), (0.0, 0.0, high), d_low / 2, d_high / 2)
            for (low, d_low), (high, d_high) in pairwise(pairs)
            if high - low > _STEP
        )

    def mesh(self, *, sides: int = 32) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The probe for drawing, in probe coordinates.

        Parameters
        ----------
        sides : int
            Number of facets around.

        Returns
        -------
        vertices : (v, 3) float [mm]
        facets : (f, 3) int
            Counter-clockwise seen from outside; one closed shell per piece.
        part : (f,) int
            What each facet is of, into `PARTS`.
        """
        vertices, facets, part, count = [], [], [], 0
        for piece in self.outline():
            points, triangles = _shell(piece, sides)
            vertices.append(points)
            facets.append(triangles + count)
            part.append(np.full(len(triangles), PARTS.index(piece.part)))
            count += len(points)
        return np.vstack(vertices), np.vstack(facets), np.concatenate(part)

    def _known(self, tip: int) -> None:
        if not 0 <= tip <= len(self.tips):
            raise InputError("the probe has no such tip", column="tip", found=tip, expected=f"0 to {len(self.tips)}")


def _triple(point: np.ndarray) -> tuple[float, float, float]:
    return tuple(float(c) for c in point)


def _positive(key: str, value: object) -> None:
    if isinstance(value, bool) or not isinstance(value, (int, float, np.number)) or not 0 < float(value) < math.inf:
        raise InputError("a size of the probe is not usable", column=key, found=value, expected="a length in mm, > 0")


def _check_stylus(ball: float, stem: float, length: float, effective: float | None) -> None:
    for key, value in (("ball_diameter", ball), ("stem_diameter", stem), ("length", length)):
        _positive(key, value)
    if effective is not None:
        _positive("effective_radius", effective)
        if abs(effective - ball / 2) > 0.25 * ball:  # pre-travel is a few hundredths of a millimetre
            raise InputError(
                "the effective radius does not fit this ball",
                column="effective_radius",
                found=effective,
                expected=f"near {ball / 2}",
            )
    if stem > ball:
        raise InputError("the stem is thicker than the ball", column="stem_diameter", found=stem, expected=f"<= {ball}")
    if length < ball / 2:
        raise InputError(
            "the stylus is shorter than the radius of its ball",
            column="length",
            found=length,
            expected=f">= {ball / 2}",
        )


def _checked_outline(body: Sequence[Sequence[float]], length: float) -> tuple[tuple[float, float], ...]:
    pairs = tuple(tuple(pair) for pair in body)
    if not pairs:
        return ()
    if any(len(pair) != 2 for pair in pairs):
        raise InputError("the body is not an outline", column="body", found=body, expected="pairs of height, diameter")
    for height, diameter in pairs:
        _positive("body", height)
        _positive("body", diameter)
    heights = [height for height, _ in pairs]
    if abs(heights[0] - length) > 1e-6:
        raise InputError(
            "the body does not begin where the stylus ends",
            column="body",
            found=heights[0],
            expected=f"first height {length}",
            todo="Heights are counted from the centre of the ball.",
        )
    if any(b < a for a, b in pairwise(heights)) or heights[-1] <= heights[0]:
        raise InputError("the outline of the body must go upwards", column="body", found=heights)
    return tuple((float(height), float(diameter)) for height, diameter in pairs)


def _shell(piece: Segment, sides: int) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and facets of one piece: an outline of (radius, height) turned about its axis."""
    start, end = np.array(piece.start), np.array(piece.end)
    height = float(np.linalg.norm(end - start))
    axis = (end - start) / height if height > 0 else np.array([0.0, 0.0, 1.0])
    if piece.grown > 0:
        turn = np.linspace(-math.pi / 2, math.pi / 2, max(sides // 2, 4) + 1)[1:-1]
        outline = np.column_stack([piece.grown * np.cos(turn), piece.grown * np.sin(turn)])
        poles = (-piece.grown, piece.grown)
    else:
        outline = np.array([[piece.start_radius, 0.0], [piece.end_radius, height]])
        poles = (0.0, height)
    angle = 2 * math.pi * np.arange(sides) / sides
    round_ = np.column_stack([np.cos(angle), np.sin(angle)]) @ across(axis)
    rings = [start + radius * round_ + z * axis for radius, z in outline]
    vertices = np.vstack([*rings, start + poles[0] * axis, start + poles[1] * axis])
    here, ahead = np.arange(sides), np.roll(np.arange(sides), -1)
    facets = []
    for ring in range(len(outline) - 1):
        a, b = ring * sides + here, ring * sides + ahead
        facets += [np.column_stack([a, b, b + sides]), np.column_stack([a, b + sides, a + sides])]
    last, bottom = (len(outline) - 1) * sides, len(vertices) - 2
    facets.append(np.column_stack([np.full(sides, bottom), ahead, here]))
    facets.append(np.column_stack([np.full(sides, bottom + 1), last + here, last + ahead]))
    return vertices, np.vstack(facets)
