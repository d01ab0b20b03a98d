"""Figures for print and notebooks, in one quiet style. Needs matplotlib: the extra `notebook`.

Each function takes plain data or a result and gives a `Drawing`: a figure of matplotlib, to be changed like any other,
that shows itself in a notebook and is saved with `save`. The same input gives the same bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..errors import ProbekitError, how_to_install
from ..lazily import on_first_use

if TYPE_CHECKING:
    from .drawing import axes, save
    from .frames import control_frame
    from .general import histogram, lines, places
    from .sections import unrolled, whiskers
    from .studies import blind_spot, budget_bars, panels

__all__ = [
    "axes",
    "blind_spot",
    "budget_bars",
    "control_frame",
    "histogram",
    "lines",
    "panels",
    "places",
    "save",
    "unrolled",
    "whiskers",
]

if not TYPE_CHECKING:
    _get, __dir__ = on_first_use(
        __name__,
        {
            "drawing": "axes save",
            "frames": "control_frame",
            "general": "histogram lines places",
            "sections": "unrolled whiskers",
            "studies": "blind_spot budget_bars panels",
        },
    )

    def __getattr__(name: str) -> object:
        try:
            return _get(name)
        except ModuleNotFoundError as error:
            if (error.name or "").split(".")[0] != "matplotlib":
                raise
            raise ProbekitError(
                f"figures need matplotlib, which is not installed. {how_to_install('notebook')}"
            ) from error
