"""How the rotary axes of a machine turn part and tool: a small description, and the way between its coordinates.

Frames: the *part frame* is fixed to the part. *Program coordinates* are those of the work offset, along the machine's
linear axes; with all rotary axes at zero they are the part frame. The spindle points up the program's Z with all rotary
axes at zero, its tool hanging down.

Signs follow ISO 841 (from memory): a positive A, B or C turns the TOOL right-handedly about X, Y or Z as seen from the
workpiece. So a head turns by +angle, and a table turns the part by -angle. A machine built the other way says
``sense = -1``.

symbol   variable     meaning
H, T     -            rotation of the head chain, motion of the table chain, products in the order of `axes`
t        tool_axis    T^-1 H z: unit vector from the ball towards the spindle, in the part frame
L        gauge + len  from the head's pivot to the ball centre, along the tool [mm]
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from ..errors import InputError
from ..geometry import apply_motion, invert_motion
from ..show import shown

__all__ = ["Kinematics", "RotaryAxis"]

_LETTERS = {"A": (1.0, 0.0, 0.0), "B": (0.0, 1.0, 0.0), "C": (0.0, 0.0, 1.0)}
_Z = np.array([0.0, 0.0, 1.0])


@shown
@dataclass(frozen=True)
class RotaryAxis:
    """One rotary axis.

    Parameters
    ----------
    letter : {"A", "B", "C"}
        Address in the program; the axis lies along X, Y or Z unless `direction` says otherwise.
    moves : {"table", "head"}
        Whether it turns the part or the tool.
    point : (3,) float
        A point on the axis of a table, with all rotary axes at zero, in the part frame [mm]. Not used for a head: the
        axes of a head are taken to meet in one pivot on the spindle's axis.
    limits : (2,) float
        Least and largest angle [degree].
    direction : (3,) float, optional
        Direction of the axis with all rotary axes at zero, in program coordinates: for tilted axes.
    sense : {1, -1}
        -1 if a positive angle turns against ISO 841.

    Raises
    ------
    InputError
        If a value is not usable.
    """

    letter: str
    moves: str
    point: tuple[float, float, float] = (0.0, 0.0, 0.0)
    limits: tuple[float, float] = (-360.0, 360.0)
    direction: tuple[float, float, float] | None = None
    sense: int = 1

    def __post_init__(self) -> None:
        if self.letter not in _LETTERS:
            raise InputError(
                "a rotary axis has an unknown letter", column="letter", found=self.letter, expected="A B C"
            )
        if self.moves not in ("table", "head"):
            raise InputError(
                "the axis does not say what it turns", column="moves", found=self.moves, expected="table or head"
            )
        if self.sense not in (1, -1):
            raise InputError(
                "the sense of an axis must be a sign", column="sense", found=self.sense, expected="1 or -1"
            )
        given = _LETTERS[self.letter] if self.direction is None else self.direction
        along = np.asarray(given, dtype=float)
        length = np.linalg.norm(along) if along.shape == (3,) else math.nan
        if not np.isfinite(length) or length == 0:
            raise InputError("an axis needs a direction", column="direction", found=given, expected="three numbers")
        point = np.asarray(self.point, dtype=float)
        if point.shape != (3,) or not np.isfinite(point).all():
            raise InputError("an axis needs a point", column="point", found=self.point, expected="three numbers in mm")
        low, high = (float(limit) for limit in self.limits)
        if not low < high:
            raise InputError("the limits of an axis do not increase", column="limits", found=self.limits)
        object.__setattr__(self, "direction", tuple(float(c) for c in along / length))
        object.__setattr__(self, "point", tuple(float(c) for c in point))
        object.__setattr__(self, "limits", (low, high))

    def turned(self, angle: float) -> np.ndarray:
        """(3, 3) rotation that the axis gives to what it carries, at an angle [degree]."""
        signed = self.sense * angle * (1.0 if self.moves == "head" else -1.0)
        return Rotation.from_rotvec(np.radians(signed) * np.array(self.direction)).as_matrix()


@shown
@dataclass(frozen=True)
class Kinematics:
    """The rotary axes of a machine, and its travel.

    Parameters
    ----------
    axes : tuple of RotaryAxis
        At most two; none for a machine with three linear axes. Of two axes that turn the same thing, the one that
        carries the other comes first.
    gauge : float
        From the pivot of a head to the spindle nose, along the spindle [mm].
    travel : three pairs of float, optional
        Least and largest program X, Y, Z [mm] that the linear axes reach, with this work offset.

    Raises
    ------
    InputError
        If there are more than two axes, two with one letter, or travel that is not three increasing pairs.

    Examples
    --------
    >>> tilting = Kinematics((RotaryAxis("A", "table", limits=(-110, 30)), RotaryAxis("C", "table")))
    >>> tilting.kind
    'table/table'
    >>> tilting.tool_axis((90.0, 0.0)).round(6).tolist()
    [0.0, -1.0, 0.0]
    """

    axes: tuple[RotaryAxis, ...] = ()
    gauge: float = 0.0
    travel: tuple[tuple[float, float], ...] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "axes", tuple(self.axes))
        if len(self.axes) > 2:
            raise InputError("too many rotary axes", found=len(self.axes), expected="none, one or two")
        if len({axis.letter for axis in self.axes}) < len(self.axes):
            raise InputError("two rotary axes have the same letter", found=self.letters)
        if self.travel is not None:
            travel = np.asarray(self.travel, dtype=float)
            if travel.shape != (3, 2) or not (travel[:, 0] < travel[:, 1]).all():
                raise InputError(
                    "the travel is not usable", column="travel", found=self.travel, expected="three increasing pairs"
                )
            object.__setattr__(self, "travel", tuple((float(low), float(high)) for low, high in travel))

    @property
    def sentence(self) -> str:
        """Kind and axes of the machine, in one line."""
        axes = ", ".join(f"{axis.letter} {axis.limits[0]:g} to {axis.limits[1]:g} deg" for axis in self.axes)
        return self.kind + (f": {axes}" if axes else "")

    @property
    def letters(self) -> tuple[str, ...]:
        """Address letter of each axis."""
        return tuple(axis.letter for axis in self.axes)

    @property
    def kind(self) -> str:
        """What turns, from the first axis to the last: "3-axis", "table/table", "head/table", ..."""
        return "/".join(sorted(axis.moves for axis in self.axes)) or "3-axis"

    def part_motion(self, angles: Sequence[float] = ()) -> np.ndarray:
        """(4, 4) motion from the part frame to program coordinates, as the tables turn the part.

        Parameters
        ----------
        angles : (n_axes,) float
            Angle of each axis [degree].

        Raises
        ------
        InputError
            If there is not one finite angle per axis.
        """
        motion = np.eye(4)
        for axis, angle in zip(self.axes, self._checked(angles), strict=True):
            if axis.moves == "table":
                turn, point = axis.turned(angle), np.array(axis.point)
                step = np.eye(4)
                step[:3, :3], step[:3, 3] = turn, point - turn @ point
                motion = motion @ step
        return motion

    def spindle(self, angles: Sequence[float] = ()) -> np.ndarray:
        """(3,) unit vector from the ball towards the spindle, in program coordinates."""
        direction = _Z
        for axis, angle in zip(self.axes[::-1], self._checked(angles)[::-1], strict=True):
            if axis.moves == "head":
                direction = axis.turned(angle) @ direction
        return direction

    def tool_axis(self, angles: Sequence[float] = ()) -> np.ndarray:
        """(3,) unit vector from the ball towards the spindle, in the part frame."""
        return self.part_motion(angles)[:3, :3].T @ self.spindle(angles)

    def to_program(self, points: np.ndarray, angles: Sequence[float] = (), *, length: float = 0.0) -> np.ndarray:
        """Program coordinates X, Y, Z that bring the ball centre to points of the part.

        A head that has turned holds the ball beside the place where it would be at zero; this is reckoned in here, so
        that the control needs no tool-centre-point function: X, Y, Z are where the ball would be with the head at zero.

        Parameters
        ----------
        points : (..., 3) float
            Ball centres in the part frame [mm].
        angles : (n_axes,) float
            [degree]
        length : float
            From the spindle nose to the ball centre [mm]; matters for heads only.

        Returns
        -------
        (..., 3) float
        """
        motion = self.part_motion(angles)
        swing = (self.gauge + length) * (self.spindle(angles) - _Z)
        return apply_motion(motion, points) + swing

    def to_part(self, points: np.ndarray, angles: Sequence[float] = (), *, length: float = 0.0) -> np.ndarray:
        """Ball centres in the part frame from program coordinates: the inverse of `to_program`."""
        motion = self.part_motion(angles)
        swing = (self.gauge + length) * (self.spindle(angles) - _Z)
        return apply_motion(invert_motion(motion), points - swing)

    def angles_for(self, tool_axis: Sequence[float]) -> tuple[tuple[float, ...], ...]:
        """Angles that point the tool along a direction of the part, within the limits.

        Parameters
        ----------
        tool_axis : (3,) float
            From the ball towards the spindle, in the part frame.

        Returns
        -------
        tuple of (n_axes,) tuples
            None, one or two solutions [degree], those nearest to zero first. Where the direction leaves an axis free
            it is zero.

        Notes
        -----
        Both axes turn fixed lines: t = Qa(alpha) Qb(beta) z. With w = Qb(beta) z, w lies on two circles of the unit
        sphere: w.b = z.b and w.a = t.a (the second subproblem of Paden and Kahan, from memory).
        """
        wanted = np.asarray(tool_axis, dtype=float)
        wanted = wanted / np.linalg.norm(wanted)
        outer, inner = self._fixed_lines()
        found = []
        for w in _on_both_circles(outer, inner, wanted):
            angles = [0.0] * len(self.axes)
            for place, sign, line, start, end in (
                (*inner, _Z, w) if inner else (None, 0, None, None, None),
                (*outer, w, wanted) if outer else (None, 0, None, None, None),
            ):
                if place is not None:
                    angles[place] = sign * _angle_about(line, start, end)
            if np.abs(self.tool_axis(angles) - wanted).max() < 1e-9:
                found += [angles]
        inside = {fitted for angles in found if (fitted := self._within_limits(angles)) is not None}
        return tuple(sorted(inside, key=lambda angles: (sum(abs(a) for a in angles), angles)))

    def _fixed_lines(self) -> tuple[tuple | None, tuple | None]:
        """(place in axes, sign, direction) of the line next to the part and of the one next to the tool's z."""
        tables = [(n, axis) for n, axis in enumerate(self.axes) if axis.moves == "table"]
        heads = [(n, axis) for n, axis in enumerate(self.axes) if axis.moves == "head"]
        # T^-1 = T2^-1 T1^-1 turns by the opposite angle; then come H1, H2
        chain = [(n, axis.sense, np.array(axis.direction)) for n, axis in tables[::-1] + heads]
        if not chain:
            return None, None
        return (chain[0], chain[1]) if len(chain) == 2 else (None, chain[0])

    def _within_limits(self, angles: Sequence[float]) -> tuple[float, ...] | None:
        fitted = []
        for axis, angle in zip(self.axes, angles, strict=True):
            low, high = axis.limits
            turns = [angle + 360.0 * n for n in range(-2, 3) if low - 1e-9 <= angle + 360.0 * n <= high + 1e-9]
            if not turns:
                return None
            fitted.append(round(min(turns, key=abs), 9) + 0.0)
        return tuple(fitted)

    def _checked(self, angles: Sequence[float]) -> tuple[float, ...]:
        given = tuple(float(angle) for angle in angles) if len(angles) else (0.0,) * len(self.axes)
        if len(given) != len(self.axes) or not all(math.isfinite(angle) for angle in given):
            raise InputError("each rotary axis needs one angle", found=given, expected=f"{len(self.axes)} angles")
        return given


def _on_both_circles(outer: tuple | None, inner: tuple | None, wanted: np.ndarray) -> list[np.ndarray]:
    """Unit vectors w that the inner axis can give to z and the outer axis can turn to the wanted direction."""
    if outer is None:
        return [wanted]
    a, b = outer[2], inner[2]
    along_a, along_b, between = float(wanted @ a), float(_Z @ b), float(a @ b)
    rest = 1.0 - between**2
    if rest < 1e-12:
        return []
    p, q = (along_a - between * along_b) / rest, (along_b - between * along_a) / rest
    base = p * a + q * b
    height = 1.0 - float(base @ base)
    if height < -1e-9:
        return []
    side = math.sqrt(max(height, 0.0) / rest) * np.cross(a, b)
    return [base + side, base - side] if height > 1e-12 else [base / np.linalg.norm(base)]


def _angle_about(line: np.ndarray, start: np.ndarray, end: np.ndarray) -> float:
    """Angle [degree] that turns `start` to `end` about a unit vector; zero where `start` lies on the line."""
    flat_start, flat_end = start - (start @ line) * line, end - (end @ line) * line
    if np.linalg.norm(flat_start) < 1e-9 or np.linalg.norm(flat_end) < 1e-9:
        return 0.0
    return math.degrees(math.atan2(float(line @ np.cross(flat_start, flat_end)), float(flat_start @ flat_end)))
