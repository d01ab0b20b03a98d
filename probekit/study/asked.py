"""The targets that the tables ``[[plan]]`` of a study ask for, kept in the user's cache between runs.

They are made for every inspection, which tells by them what is missing from the results, and for every plan. What they
are made of is what planning takes (`probekit.study.kept_plan`).
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from .. import cache
from ..errors import ProbekitWarning
from .kept_plan import described, inputs_sum, plain, table_of
from .machinery import probe_of, regions_of
from .planning import targets_of

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from .model import Study

__all__ = ["targets_made"]


def targets_made(study: Study, part: Nominal, tell: Callable[[], None] = lambda: None) -> pd.DataFrame:
    """The targets of the tables ``[[plan]]``, from the cache if they were made of the same before.

    Parameters
    ----------
    study : Study
    part : Nominal
        The nominal that the study names.
    tell : callable
        Called after each table.

    Raises
    ------
    InputError
        If they cannot be made.
    """
    place = cache.folder()
    name = None if place is None else _name(study)
    if place is None or name is None:
        return _made(study, part, tell)
    found = _fetch(name, place)
    if found is not None:
        return found
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ProbekitWarning)
        targets = _made(study, part, tell)
    for one in caught:
        warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
    if caught:
        return targets  # what was said while they were made must be said in every run
    try:
        content = json.dumps(described(targets), separators=(",", ":"), default=plain).encode()
    except TypeError:
        return targets
    cache.keep(name, f"targets of {study.path.name}", [content], place)
    # what was written is used from now on, so that the first run and those after it have the same bytes
    again = _fetch(name, place)
    return targets if again is None else again


def _name(study: Study) -> str | None:
    """The name in the cache; None if a file that planning takes cannot be read."""
    try:
        return cache.name_of("targets", inputs_sum(study))
    except OSError:
        return None


def _fetch(name: str, place: Path) -> pd.DataFrame | None:
    content = cache.fetch(name, place)
    try:
        return None if content is None else table_of(json.loads(bytes(content)))
    except (ValueError, TypeError, KeyError, AttributeError):
        return None


def _made(study: Study, part: Nominal, tell: Callable[[], None]) -> pd.DataFrame:
    wanted, regions = study.settings["plan"], regions_of(study)
    return targets_of(wanted, part, file=study.path, ball_radius=_ball(study), regions=regions, tell=tell)


def _ball(study: Study) -> float:
    stylus = study.settings.get("stylus", {})
    whole = {"ball_diameter", "stem_diameter", "length"} <= set(stylus)
    return probe_of(study).radius if whole else 0.5 * stylus.get("ball_diameter", 0.0)
