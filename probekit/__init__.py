"""probekit: on-machine verification of freeform machined parts.

The rooms of the house, in the order of the pipeline; each is imported when first used::

    nominal -> plan -> program -> machine -> touches
        -> deviation -> fit -> plausibility -> uncertainty -> field -> tolerance
        -> verdict -> action -> scene -> settle -> report, widgets, figures

``study`` reads a ``study.toml`` and runs the whole way in one call; ``gauge`` judges the method over many runs;
``archive`` keeps every inspected part and tells its history; ``settle`` puts together what people answer on a page,
``share`` lets them answer together on the shop's own network.
Lengths are millimetres, angles degrees, frames right-handed; a name says so where it is otherwise (``_um``, ``_rad``).
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from . import (
        action,
        archive,
        deviation,
        dmis,
        field,
        figures,
        fit,
        gauge,
        machine,
        nominal,
        plan,
        plausibility,
        program,
        qif,
        report,
        scene,
        settle,
        share,
        study,
        tolerance,
        touches,
        uncertainty,
        verdict,
        widgets,
    )

__version__ = "0.1.0"

__all__ = [
    "FitError",
    "InputError",
    "ProbekitError",
    "ProbekitWarning",
    "UndeterminedError",
    "action",
    "archive",
    "deviation",
    "dmis",
    "field",
    "figures",
    "fit",
    "gauge",
    "machine",
    "nominal",
    "plan",
    "plausibility",
    "program",
    "qif",
    "report",
    "scene",
    "settle",
    "share",
    "study",
    "tolerance",
    "touches",
    "uncertainty",
    "verdict",
    "widgets",
]

_ERRORS = {"FitError", "InputError", "ProbekitError", "ProbekitWarning", "UndeterminedError"}


def __getattr__(name: str) -> object:
    if name in _ERRORS:
        return getattr(importlib.import_module("probekit.errors"), name)
    if name in __all__:
        return importlib.import_module(f"probekit.{name}")
    raise AttributeError(f"module 'probekit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
