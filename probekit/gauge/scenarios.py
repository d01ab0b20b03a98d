"""Parts with faults of known size, and how they are touched: what a check is tried on."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from ..deviation import Projection
from ..errors import InputError
from ..machine import run
from ..machine.errors import MachineError
from ..machine.made import Made
from ..plan import Kinematics, Probe
from ..show import shown

__all__ = ["Scenarios"]

Maker = Callable[[float, np.random.Generator], Made]


@shown
@dataclass(frozen=True, eq=False)
class Scenarios:
    """Faults with sizes, on parts that the virtual machine touches.

    Parameters
    ----------
    program : str or Path
        Text of the probing program, for `probekit.machine.run`.
    how : Projection
        How its touches are measured.
    probe : Probe or float
        The probe, or the diameter of its ball [mm].
    good : callable
        From a Generator to a part as made, `probekit.machine.AsMade`, without the fault: with the form errors and the
        set-up that good parts have. Each call draws another part.
    faults : mapping of str to callable
        Name -> from a size and a Generator to a part as made with a fault of that size [mm, or what the fault is
        measured in]. Draw the place of the fault, and the good part under it, from the Generator.
    sizes : mapping of str to sequence of float
        Name -> sizes that are tried.
    errors : sequence of MachineError
        Of the machine and the probe.
    kinematics : Kinematics, optional
    align : callable, optional
        From a deviations table to the one that is judged, for instance after `probekit.fit.rigid`.

    Raises
    ------
    InputError
        If there is no fault, a fault has no sizes, or one is not above zero.
    """

    program: str | Path
    how: Projection
    probe: Probe | float
    good: Callable[[np.random.Generator], Made]
    faults: Mapping[str, Maker]
    sizes: Mapping[str, Sequence[float]]
    errors: Sequence[MachineError] = ()
    kinematics: Kinematics | None = None
    align: Callable[[pd.DataFrame], pd.DataFrame] | None = field(default=None)

    def __post_init__(self) -> None:
        if not self.faults or set(self.faults) != set(self.sizes):
            raise InputError(
                "faults and sizes do not name the same",
                found=", ".join(self.sizes),
                expected=", ".join(self.faults) or "one",
            )
        for name, sizes in self.sizes.items():
            given = np.asarray(sizes, dtype=float)
            if given.ndim != 1 or not len(given) or not (given > 0).all() or len(set(given)) < len(given):
                raise InputError(
                    "the sizes of a fault are not usable", column=name, found=sizes, expected="above 0, each once"
                )

    @property
    def sentence(self) -> str:
        """What is tried, in one line."""
        parts = "; ".join(f"{name} of {', '.join(f'{one:g}' for one in self.sizes[name])}" for name in self.faults)
        return f"good parts; {parts}; touched with {len(self.errors)} errors of the machine"

    def cases(self) -> list[tuple[str, float]]:
        """Fault and size, the good part as ("", 0) first."""
        return [("", 0.0), *((name, float(size)) for name in self.faults for size in sorted(self.sizes[name]))]

    def tables(self, fault: str, size: float, runs: int, seed: int) -> Iterator[pd.DataFrame]:
        """Deviations tables of so many parts with that fault; the same for the same seed, whatever else is tried.

        Parts of the same number draw the same in all sizes of a fault, so that a larger one stands where a smaller
        stood.

        Raises
        ------
        InputError
            If the machine stopped before the end of the program.
        """
        for k in range(runs):
            rng = np.random.default_rng([seed, zlib.crc32(fault.encode()), k])
            made = self.good(rng) if not fault else self.faults[fault](size, rng)
            done = run(
                self.program,
                made,
                probe=self.probe,
                kinematics=self.kinematics,
                errors=self.errors,
                rng=np.random.default_rng([seed, zlib.crc32(fault.encode()), k, 1]),
            )
            if done.stopped:
                raise InputError(
                    f"the machine stopped on part {k + 1}{f' with {fault} {size:g}' if fault else ''}",
                    found=done.stopped,
                    todo="Give the program more overtravel, or take smaller faults.",
                )
            table = self.how.project(done.table)
            yield table if self.align is None else self.align(table)
