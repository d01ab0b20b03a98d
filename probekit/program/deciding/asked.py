"""The phases of a program that decides, as asked for: what is touched, reckoned and shifted, within which limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ...errors import InputError
from ...show import shown

__all__ = ["Asked", "CutAgain", "Phase", "bearings", "left_name", "size_name"]

_ALONG = 1e-6  # of a direction that counts as along the tool


@shown
@dataclass(frozen=True)
class Asked:
    """An estimate that a phase asks for.

    Parameters
    ----------
    name : str
    kind : {"height", "middle", "angle"}
    features : tuple of str
        Whose touches it is reckoned of.
    direction : (3,) float
        Part frame.
    spread : float
        Largest spread of the touches that check one another [mm].
    along : (3,) float, optional
        Of an angle.
    limit : float, optional
        Largest size of the result [mm, degree]; an angle needs one, for it is never corrected.
    """

    name: str
    kind: str
    features: tuple[str, ...]
    direction: tuple[float, float, float]
    spread: float
    along: tuple[float, float, float] | None = None
    limit: float | None = None

    def __post_init__(self) -> None:
        if isinstance(self.features, str):
            object.__setattr__(self, "features", (self.features,))
        for what in ("spread", "limit"):
            value = getattr(self, what)
            if value is not None and not (isinstance(value, int | float) and 0 < value < math.inf):
                raise InputError(f"estimate '{self.name}': a limit is not usable", column=what, found=value)
        if self.kind == "angle" and self.limit is None:
            raise InputError(
                f"estimate '{self.name}': an angle has no limit",
                column="limit",
                todo="A work offset does not turn: state the angle [degree] beyond which the program stops.",
            )

    @property
    def sentence(self) -> str:
        """Kind and features, in one line."""
        return f"{self.name}: {self.kind} of {', '.join(self.features)}, spread up to {self.spread:g} mm"


@shown
@dataclass(frozen=True)
class CutAgain:
    """An operation of the milling program that a phase may have run again, once, its tool lower by what is left.

    Parameters
    ----------
    operation : str
        A tool or the whole comment that heads it in the milling program: "FINISH FLOOR", "T4".
    by : str
        The estimate that tells what is left: a height along Z.
    allowed : float
        Largest size of what is left with which the program goes on [mm].
    limit : float
        Most that may be left to be cut again [mm]: beyond it the program stops.
    to : str
        Work offset that takes the lowered copy for the operation: "G59".
    occurrence : int, optional
        Which one, from 1, where there are several such operations.
    """

    operation: str
    by: str
    allowed: float
    limit: float
    to: str
    occurrence: int | None = None

    def __post_init__(self) -> None:
        for what in ("allowed", "limit"):
            value = getattr(self, what)
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
                raise InputError("a limit is not usable", column=what, found=value, expected="a positive length [mm]")
        if self.limit <= self.allowed:
            raise InputError(
                "nothing would ever be cut again: no more may be left than is allowed",
                column="limit",
                found=self.limit,
                expected=f"more than allowed = {self.allowed:g}",
            )

    @property
    def sentence(self) -> str:
        """What is cut again, and within which limits, in one line."""
        return (
            f"'{self.operation}' again, once, if more than {self.allowed:g} and at most {self.limit:g} mm are left by "
            f"'{self.by}'; counted from {self.to}"
        )


@shown
@dataclass(frozen=True)
class Phase:
    """A part of a program, after which it may shift its work offset.

    Parameters
    ----------
    name : str
    features : tuple of str
        Touched in it; of the last phase all others.
    estimate : tuple of Asked
        Reckoned after it.
    to : str
        Work offset that takes the shifted copy: "G55"; "" if nothing is shifted.
    limit : float, optional
        Largest shift [mm].
    again : int
        How often the touches are made again, at most, while they disagree.
    set_up : float, optional
        Largest set-up error for which the first phase is planned [mm].
    after : str or int, optional
        Place in the milling program at which it is touched, as `probekit.program.merge` takes it; if not given, it
        follows the phase before it.
    occurrence : int, optional
        Which one, from 1, where there are several such places.
    recut : CutAgain, optional
        What is cut again if its touches find material left; they are then made again.
    """

    name: str
    features: tuple[str, ...] = ()
    estimate: tuple[Asked, ...] = ()
    to: str = ""
    limit: float | None = None
    again: int = 0
    set_up: float | None = None
    after: str | int = ""
    occurrence: int | None = None
    recut: CutAgain | None = None

    def __post_init__(self) -> None:
        if isinstance(self.features, str):
            object.__setattr__(self, "features", (self.features,))
        if self.recut is not None:
            self._check_recut(self.recut)
        shifts = [one for one in self.estimate if one.kind != "angle"]
        if bool(self.to) != (self.limit is not None):
            raise self._error("a shift needs both the work offset that takes it and a limit", "to and limit")
        if self.to and not shifts:
            raise self._error("nothing is estimated by which to shift", "estimate")
        if self.occurrence is not None and self.after == "":
            raise self._error("the place in the milling program is not stated", "after")
        if self.again and not self.estimate:
            raise self._error("touches are made again only where an estimate checks them", "estimate")

    @property
    def sentence(self) -> str:
        """What is touched and shifted, in one line."""
        shift = f"; shift into {self.to} up to {self.limit:g} mm" if self.to and self.limit is not None else ""
        place = f", after {self.after} of the milling" if self.after != "" else ""
        again = "" if self.recut is None else f"; {self.recut.sentence}"
        return f"{self.name}: {', '.join(self.features) or 'all others'}{place}{shift}{again}"

    @property
    def bears(self) -> float:
        """What is left of the set-up error after its shift, at most: its limit and the spread together [mm]."""
        return float(self.limit or 0.0) + max((one.spread for one in self.estimate), default=0.0)

    def _check_recut(self, recut: CutAgain) -> None:
        """Refuse what cannot tell how much lower the tool must go, or would make touches again for two reasons."""
        own = next((one for one in self.estimate if one.name == recut.by), None)
        if own is None:
            raise self._error(f"nothing is estimated that is called '{recut.by}'", "recut.by")
        length = math.hypot(*own.direction)
        if own.kind != "height" or length == 0 or abs(own.direction[2] / length - 1.0) > _ALONG:
            raise self._error("what is cut again needs a height along the tool, direction = [0, 0, 1]", "recut.by")
        if self.to:
            raise self._error("it cannot both shift the work offset and cut again", "recut")
        if self.again:
            raise self._error("touches that are made again after a cut are not repeated besides", "again")

    def _error(self, what: str, key: str) -> InputError:
        return InputError(f"phase '{self.name}': {what}", column=key)


def bearings(phases: Sequence[Phase], *, by_hand: bool = False) -> tuple[float, ...]:
    """The set-up error for which each phase is planned [mm].

    Parameters
    ----------
    phases : sequence of Phase
    by_hand : bool
        Whether a person enters the shifts: one with the wrong sign leaves twice the limit.

    Raises
    ------
    InputError
        If the first phase does not state it, or a name or a copy is used twice.
    """
    first = phases[0]
    if first.set_up is None or not 0 < first.set_up < math.inf:
        raise InputError(
            f"phase '{first.name}': the largest set-up error is not stated",
            column="set_up",
            found=first.set_up,
            expected="a positive length [mm]",
        )
    for what, given in (
        ("phases have the same name", [one.name for one in phases]),
        (
            "phases write the same work offset",
            [one for phase in phases for one in (phase.to, phase.recut.to if phase.recut else "") if one],
        ),
        (
            "phases cut the same operation again",
            [f"{one.recut.operation} {one.recut.occurrence or ''}".strip() for one in phases if one.recut],
        ),
        ("estimates have the same name", [one.name for phase in phases for one in phase.estimate]),
        ("phases touch the same feature", [one for phase in phases for one in phase.features]),
    ):
        if len(set(given)) < len(given):
            raise InputError(f"two {what}", column="phase", found=", ".join(given))
    found = [float(first.set_up)]
    for before, one in pairwise(phases):
        if one.set_up is not None:
            raise InputError(f"phase '{one.name}': only the first phase states the set-up error", column="set_up")
        if one.recut is not None and one.after == "":
            raise InputError(
                f"phase '{one.name}': what is cut again needs a place of its own",
                column="after",
                todo="State the operation after which it is touched: the probe comes from the tool change each time.",
            )
        found.append(before.bears + by_hand * float(before.limit or 0.0) if before.to else found[-1])
    left = (0.0 if one.recut is None else one.recut.limit for one in phases)
    return tuple(error + more for error, more in zip(found, left, strict=True))


def left_name(phase: Phase) -> str:
    """The name of what is left to cut after a phase, counted from where the operation was milled [mm]."""
    return f"left at {phase.name}"


def size_name(phase: Phase) -> str:
    """The name of the size of the shift after a phase [mm]."""
    return f"size of the shift into {phase.to}"
