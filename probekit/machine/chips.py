"""A chip between ball and part at some of the touches: an error that comes and goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from .errors import Contact, MachineError

__all__ = ["Chip"]


@dataclass(frozen=True)
class Chip(MachineError):
    """The ball meets a chip before the part, in some probing moves; it falls off after them.

    Parameters
    ----------
    thickness : float
        [mm]
    first, last : int
        The probing moves, counted from 1 in the order in which they are made; those made again count anew.
    """

    thickness: float
    first: int = 1
    last: int = 1

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.thickness <= 0 or not 1 <= self.first <= self.last:
            raise InputError(
                "a machine error is not usable: Chip", found=self, expected="a thickness, and moves from 1 on, in order"
            )

    def travel(self, contact: Contact) -> np.ndarray:  # noqa: D102
        made = np.arange(1, len(contact.direction) + 1)
        return np.where((made >= self.first) & (made <= self.last), -self.thickness, 0.0)
