"""From what the scales show to where the ball really is, and to what the control reports.

The order of effects, from the program's word to the results file, is this and no other:

1. the control moves until its scales show X, Y, Z (and the rotary axes their angles);
2. errors of place are added, each taken at the scales' position: scale, squareness, grid, backlash, warming;
3. the ball's offset from the spindle's axis is added, and of a further tip its place in the probe, turned with spindle
   and head;
4. the rotary axes, as they really stand, carry the ball into the part frame;
5. there the part stands as it was made and set up; the ball meets it;
6. the probing move goes on by the sum of the trigger's ways (lobing, latency, scatter), or to its end;
7. the scales are read there, and the control's own, ideal kinematics bring X, Y, Z back to the part frame; for a
   further tip they add its nominal place in the probe, as of a spindle that stands at zero;
8. the result is rounded to the decimals of the file.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from ..plan.kinematics import Kinematics
from .errors import MachineError, Place

__all__ = ["Axes"]


class Axes:
    """The axes of a machine, as they are believed to be and as they are.

    Parameters
    ----------
    ideal : Kinematics
    errors : sequence of MachineError
    length : float
        From the spindle nose to the centre of the reference ball [mm].
    spindle_angle : float
        At which the spindle stands [degree].
    """

    def __init__(
        self, ideal: Kinematics, errors: Sequence[MachineError], *, length: float, spindle_angle: float
    ) -> None:
        self.ideal, self.real, self.errors, self.length = ideal, ideal, errors, length
        for error in errors:
            self.real = error.kinematics(self.real)
        self.spindle = Rotation.from_rotvec([0.0, 0.0, spindle_angle], degrees=True).as_matrix()
        self.offset = np.sum([error.ball_offset() for error in errors], axis=0) if errors else np.zeros(3)

    def ball(self, place: Place, angles: np.ndarray, tip: np.ndarray) -> np.ndarray:
        """Where the ball of a tip really is.

        Parameters
        ----------
        place : Place
            n positions of the scales.
        angles : (n, n_axes) float
            [degree]
        tip : (3,) float
            Place of the ball in probe coordinates [mm]; zero for the reference tip.

        Returns
        -------
        (n, 3) float
            In the part frame as the machine believes it to be [mm].
        """
        position = place.position + sum(error.displacement(place) for error in self.errors)
        return self._by_pose(
            position,
            angles,
            lambda points, pose: self.real.to_part(
                points + self._head(pose) @ self.spindle @ (self.offset + tip), pose, length=self.length
            ),
        )

    def reported(self, position: np.ndarray, angles: np.ndarray, tips: np.ndarray) -> np.ndarray:
        """(n, 3) ball centres in the part frame as the control reckons them from what the scales show.

        Parameters
        ----------
        position, angles
            Of the scales, n of each.
        tips : (n, 3) float
            Nominal places of the balls in probe coordinates [mm].
        """
        beside = self._by_pose(tips, angles, lambda rows, pose: rows @ self._head(pose).T)
        return self._by_pose(
            position + beside, angles, lambda points, pose: self.ideal.to_part(points, pose, length=self.length)
        )

    def directions_in_part(self, directions: np.ndarray, angles: np.ndarray) -> np.ndarray:
        """Directions (n, 3) of program coordinates in the part frame."""
        return self._by_pose(directions, angles, lambda rows, pose: rows @ self.ideal.part_motion(pose)[:3, :3])

    def turns(self, angles: np.ndarray, *, really: bool = False) -> np.ndarray:
        """(n, 3, 3) rotations from the part frame to the probe's own frame, as believed or as they are."""
        axes = self.real if really else self.ideal

        def turn(rows: np.ndarray, pose: Sequence[float]) -> np.ndarray:
            one = (self._head(pose) @ self.spindle).T @ axes.part_motion(pose)[:3, :3]
            return np.tile(one.ravel(), (len(rows), 1))

        return self._by_pose(np.zeros((len(angles), 9)), angles, turn).reshape(-1, 3, 3)

    def _head(self, pose: Sequence[float]) -> np.ndarray:
        """(3, 3) rotation that the axes of a head give to the spindle."""
        turn = np.eye(3)
        for axis, angle in zip(self.ideal.axes, pose, strict=True):
            if axis.moves == "head":
                turn = turn @ axis.turned(angle)
        return turn

    def _by_pose(self, rows: np.ndarray, angles: np.ndarray, change: object) -> np.ndarray:
        """Change rows, all of one set of angles at a time."""
        if not len(rows):
            return rows
        if not self.ideal.axes:
            return change(rows, ())
        out = np.empty_like(rows)
        poses, which = np.unique(angles, axis=0, return_inverse=True)
        for number, pose in enumerate(poses):
            chosen = which.ravel() == number
            out[chosen] = change(rows[chosen], tuple(pose.tolist()))
        return out
