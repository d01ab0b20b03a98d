"""How touches are compared with a nominal, as one value that is handed on by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..columns import array, words
from ..errors import InputError
from ..show import shown
from ..touches import Stylus
from .measuring import allowances_of, measured_from
from .table import deviations_table, other_ball

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["Projection", "distance_function", "projection_on", "require_same", "require_same_ball"]

_WORDS = {
    "compensate": ("foot", "target", "approach"),
    "along": ("foot", "target"),
    "normal": ("facet", "smooth"),
}


@shown
@dataclass(frozen=True, eq=False)
class Projection:
    """A nominal, and how touches are projected on it.

    Parameters
    ----------
    nominal : Nominal
    stylus : Stylus or float, optional
        The stylus, or its effective radius [mm]. Needed when ball centres were recorded and the table has no column
        `radius`; must be left out when contact points were. If it has a radius map, the radius is that of the
        direction of compensation, as the probe sees it (columns ``turn_x, turn_y, turn_z``, if the table has them).
    compensate : {"foot", "target", "approach"}
        Direction of compensation for the ball radius: the normal at the foot of the centre (exact for a smooth part),
        the target's normal, or against the approach. See `probekit.touches.compensate` for the error of each.
    along : {"foot", "target"}
        Deviation to the nearest point of the nominal, or from the target along the target's normal.
    normal : {"facet", "smooth"}
        Normal reported: the facet's own, or interpolated over the face. Does not change the deviation.
    named : bool
        A touch that names its face (column `bound`, else `face`, else a `feature` that is a face), or else has a target
        inside one, is projected on that face only. False: every touch on the whole model.
    max_distance : float, optional
        Deviations larger than this are flagged "far" [mm].
    ambiguity : float
        A foot is flagged "ambiguous" when another face is at most this much further away [mm]; looked for only
        where the touch is not bound to a face.
    allowance : float or mapping
        Machining allowance still on the part at this stage: the nominal is taken offset outward by this much along its
        normals, on all faces or by name of face; faces not named have none [mm]. Negative for an undersize.

    Raises
    ------
    InputError
        If a word is not known, a number is not usable, or a face does not exist.
    """

    nominal: Nominal
    stylus: Stylus | float | None = None
    compensate: Literal["foot", "target", "approach"] = "foot"
    along: Literal["foot", "target"] = "foot"
    normal: Literal["facet", "smooth"] = "facet"
    named: bool = True
    max_distance: float | None = None
    ambiguity: float = 0.001
    allowance: float | Mapping[str, float] = 0.0

    def __post_init__(self) -> None:
        for word, allowed in _WORDS.items():
            if getattr(self, word) not in allowed:
                raise InputError(
                    f"{word}= is not known", found=getattr(self, word), expected="one of " + ", ".join(allowed)
                )
        for name, least in (("max_distance", 0.0), ("ambiguity", 0.0)):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value >= least):
                raise InputError(f"{name}= is not usable", found=value, expected="mm, zero or more")
        allowances_of(self.allowance, self.nominal)

    @property
    def sentence(self) -> str:
        """The nominal, the stylus and the words that steer, in one line."""
        ball = (
            ""
            if self.stylus is None
            else f", {self.stylus.sentence if isinstance(self.stylus, Stylus) else f'radius {self.stylus:g} mm'}"
        )
        return f"on {self.nominal.sentence}{ball}; compensated along {self.compensate}, deviation along {self.along}"

    def project(self, touches: pd.DataFrame | np.ndarray) -> pd.DataFrame:
        """Project touches on the nominal.

        Parameters
        ----------
        touches : DataFrame or (n, 3) array
            Touches table, or bare contact points [mm] (ball centres, if there is a stylus).

        Returns
        -------
        DataFrame
            The deviations table; rows, order and index of the touches, nothing dropped. Its own columns say how each
            touch was measured (`probekit.columns.BY_TOUCH`).

        Raises
        ------
        InputError
            If the stylus is missing or superfluous, a face does not exist, or a target is needed and missing.
        """
        return deviations_table(self, touches)

    def measure(
        self, deviations: pd.DataFrame, *, smooth: bool = False
    ) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
        """Deviation of moved touches, for fits: each measured as the table's own columns say.

        Parameters
        ----------
        deviations : (n rows) DataFrame
            Deviations table.
        smooth : bool
            Give normals interpolated over each face in place of the gradient, which is constant on a facet.

        Returns
        -------
        callable
            Takes moved measured points (n, 3) [mm]; returns deviations (n,) [mm] and their gradient over those points,
            unit vectors (n, 3).

        Raises
        ------
        InputError
            If the table lacks one of the columns that say how a touch was measured.
        """
        return measured_from(deviations, self.nominal, smooth=smooth)


def projection_on(nominal: Nominal | Projection) -> Projection:
    """A projection as it is; of a bare nominal, the default one, with the radius of each touch from its table."""
    return nominal if isinstance(nominal, Projection) else Projection(nominal)


def distance_function(
    deviations: pd.DataFrame, nominal: Nominal | Projection, *, smooth: bool = False
) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Deviation of moved touches from a nominal, for fits; see `Projection.measure`.

    Parameters
    ----------
    deviations : (n rows) DataFrame
        Deviations table.
    nominal : Nominal or Projection
    smooth : bool
        Give normals interpolated over each face in place of the gradient.

    Returns
    -------
    callable

    Raises
    ------
    InputError
        If the table lacks one of the columns that say how a touch was measured.
    """
    return projection_on(nominal).measure(deviations, smooth=smooth)


def require_same(how: Projection, deviations: pd.DataFrame) -> None:
    """Refuse a table that was projected in another way than `how` says.

    Parameters
    ----------
    how : Projection
    deviations : (n rows) DataFrame
        Deviations table.

    Raises
    ------
    InputError
        If compensation, direction of the deviation, allowance or the radius of the ball differ.
    """
    require_same_ball(how, deviations)
    for name in ("compensate", "along"):
        there = set(words(deviations, name)) - {getattr(how, name)}
        if there and not (name == "compensate" and not (array(deviations, ["radius"]) > 0).any()):
            raise InputError(
                f"the table was projected with another {name}",
                found=", ".join(sorted(there)),
                expected=getattr(how, name),
                todo="Pass the Projection that made the table, in place of the bare nominal.",
            )
    offsets = np.append(allowances_of(how.allowance, how.nominal), 0.0)
    known = {name: k for k, name in enumerate(how.nominal.face_names)}
    expected = offsets[[known.get(str(name), -1) for name in words(deviations, "face")]]
    there = array(deviations, ["allowance"])[:, 0]
    missed = np.isnan(array(deviations, ["deviation"])[:, 0])  # these keep their face, and have nothing to lower
    if (np.abs(there - expected)[~missed] > 1e-9).any():
        raise InputError(
            "the table was projected with another machining allowance",
            found=f"{np.nanmax(np.abs(there)):g} mm",
            expected=f"{np.abs(expected).max():g} mm",
            todo="Pass the Projection that made the table, in place of the bare nominal.",
        )


def require_same_ball(how: Projection, deviations: pd.DataFrame) -> None:
    """Refuse a table whose touches were made with another ball than `how` says.

    A radius map is not compared, nor is a projection without a stylus, for which the table tells the radius.

    Parameters
    ----------
    how : Projection
    deviations : (n rows) DataFrame
        Deviations table.

    Raises
    ------
    InputError
    """
    radius = getattr(how.stylus, "effective_radius", how.stylus)
    if radius is None or getattr(how.stylus, "map", None) is not None:
        return
    used = array(deviations, ["radius"])[:, 0]
    if len(other_ball(used, radius)):
        worst = used[np.nanargmax(np.abs(used - radius))]
        raise InputError(
            "the table was projected with another ball radius",
            column="radius",
            found=float(worst),
            expected=f"{radius:g} mm, that of the stylus of the Projection",
            todo="Pass the Projection that made the table, or project the touches again with this one.",
        )
