"""The uncertainty of many touches at once: each one's own part, and what they share.

symbol   variable   meaning
s_i      own        standard uncertainty of touch i that no other touch shares [mm]
L_ic     factors    change of touch i when cause c moves by one standard uncertainty [mm]
V                   covariance of the touches: V = diag(s^2) + L L'

One number u for each touch does not say how much of it is common to all. A radius error enters a diameter twice and
cancels in a distance; a mean over many touches averages the own parts and keeps what is common. V says both, and is
never formed for many touches: sums and draws need s and L only (law of propagation, JCGM 102:2011, 6.2; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..errors import InputError
from ..show import shown

__all__ = ["ANEW", "Scatter"]

#: Own causes that are another in each repeat of a touch.
ANEW = ("probe repeatability", "latching")


@shown
@dataclass(frozen=True, eq=False)
class Scatter:
    """Uncertainty of the deviations of a table of touches.

    Attributes
    ----------
    own : (n,) float
        Standard uncertainty that each touch has to itself [mm].
    factors : (n, r) float
        Change of each deviation with one standard uncertainty of each common cause [mm].
    causes : (r,) str
        Name of each common cause; a cause of several independent parts has several columns of the same name.
    own_causes : mapping of str to (n,) float
        Standard uncertainties that make up `own` [mm], by name; empty if nothing is known of its parts.
    assumed : tuple of str
        Names, among `causes` and `own_causes`, of those whose size nobody stated.
    notes : tuple of str
        What has to be known to believe it.
    """

    own: np.ndarray
    factors: np.ndarray
    causes: tuple[str, ...]
    own_causes: dict[str, np.ndarray] | None = None
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        own, factors = np.asarray(self.own, dtype=float), np.asarray(self.factors, dtype=float)
        if own.ndim != 1 or factors.shape != (len(own), len(self.causes)):
            raise InputError(
                "one own uncertainty for each touch, and one column of factors for each cause",
                found=f"own {own.shape}, factors {factors.shape}, {len(self.causes)} causes",
                expected=f"(n,), (n, {len(self.causes)})",
            )
        if not (np.isfinite(own).all() and np.isfinite(factors).all() and (own >= 0).all()):
            raise InputError(
                "an uncertainty is negative or not finite", found=float(own.min(initial=0.0)), expected="mm"
            )
        object.__setattr__(self, "own", own)
        object.__setattr__(self, "factors", factors)

    @classmethod
    def independent(cls, u: np.ndarray) -> Scatter:
        """Touches that share nothing: `u` (n,) is each one's standard uncertainty [mm]."""
        u = np.asarray(u, dtype=float)
        return cls(u, np.zeros((len(u), 0)), ())

    @property
    def sentence(self) -> str:
        """How uncertain the touches are, by themselves and with what they share."""
        if not len(self.own):
            return "no touches"
        names = list(dict.fromkeys(self.causes))
        shared = (
            f"; {len(names)} common causes: {', '.join(names[:4])}{', ..' if len(names) > 4 else ''}" if names else ""
        )
        own, u = 1e3 * self.own, 1e3 * self.u
        return (
            f"{len(u)} touches: u {u.min():.2g} to {u.max():.2g} um, of it {own.min():.2g} to {own.max():.2g} um each "
            f"touch's own{shared}"
        )

    @property
    def u(self) -> np.ndarray:
        """(n,) standard uncertainty of each touch by itself [mm]."""
        return np.sqrt(self.own**2 + (self.factors**2).sum(axis=1))

    @property
    def assumed_share(self) -> float:
        """Part of the variance of all touches that comes from causes whose size nobody stated, 0 to 1."""
        if not self.assumed:
            return 0.0
        stated, total = (self.less(*self.assumed).u ** 2).sum(), (self.u**2).sum()
        return float(1.0 - stated / total) if total > 0 else 0.0

    def of(self, rows: np.ndarray) -> Scatter:
        """The same for some touches: `rows` (m,) positions."""
        parts = None if self.own_causes is None else {name: part[rows] for name, part in self.own_causes.items()}
        return replace(self, own=self.own[rows], factors=self.factors[rows], own_causes=parts)

    def with_causes(self, factors: np.ndarray, causes: tuple[str, ...]) -> Scatter:
        """The same with further common causes: `factors` (n, k) [mm], `causes` (k,) their names."""
        return replace(self, factors=np.hstack([self.factors, factors]), causes=self.causes + tuple(causes))

    def repeated(self, times: np.ndarray) -> Scatter:
        """The same of means over touches made `times` (n,) at the same place: what each repeat has anew averages.

        Of the own causes those in `ANEW`; all of the own part where nothing is known of its causes. What touches
        share stays, and so does what the place has to itself, such as roughness and form.
        """
        root = np.sqrt(np.asarray(times, dtype=float))
        if self.own_causes is None:
            return replace(self, own=self.own / root)
        parts = {name: part / root if name in ANEW else part for name, part in self.own_causes.items()}
        taken = sum((self.own_causes[name] ** 2 - part**2 for name, part in parts.items()), np.zeros(len(self.own)))
        return replace(self, own=np.sqrt(np.maximum(self.own**2 - taken, 0.0)), own_causes=parts)

    def less(self, *names: str) -> Scatter:
        """The same without some causes, own or common, such as those that a correction has taken away."""
        kept = [k for k, name in enumerate(self.causes) if name not in names]
        parts = {name: part for name, part in (self.own_causes or {}).items() if name not in names}
        taken = [part for name, part in (self.own_causes or {}).items() if name in names]
        own = np.sqrt(np.maximum(self.own**2 - sum((part**2 for part in taken), np.zeros(len(self.own))), 0.0))
        return replace(
            self,
            own=own if taken else self.own,
            factors=self.factors[:, kept],
            causes=tuple(self.causes[k] for k in kept),
            own_causes=None if self.own_causes is None else parts,
        )

    def covariance(self, gain: np.ndarray | None = None) -> np.ndarray:
        """Covariance of gain @ deviations, or of the deviations themselves.

        Parameters
        ----------
        gain : (m, n) float, optional
            Change of m results with the deviation of each touch.

        Returns
        -------
        (m, m) float
            [mm^2] for a gain without unit.
        """
        gain = np.eye(len(self.own)) if gain is None else np.atleast_2d(np.asarray(gain, dtype=float))
        own, common = gain * self.own, gain @ self.factors
        return own @ own.T + common @ common.T

    def u_of(self, gain: np.ndarray) -> np.ndarray:
        """Standard uncertainty of gain @ deviations: `gain` (m, n) or (n,) -> (m,) or () [mm]."""
        gain = np.asarray(gain, dtype=float)
        return np.sqrt(((gain * self.own) ** 2).sum(axis=-1) + ((gain @ self.factors) ** 2).sum(axis=-1))

    def draw(self, trials: int, rng: np.random.Generator) -> np.ndarray:
        """Errors of the touches in many repetitions: (trials, n) [mm], normal with mean zero and covariance V."""
        own = rng.standard_normal((trials, len(self.own))) * self.own
        return own + rng.standard_normal((trials, len(self.causes))) @ self.factors.T
