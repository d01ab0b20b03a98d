"""Planned sections: the curves that the tables ``[[section]]`` of a study name.

Each table takes the arguments of `probekit.plan.section`, or with ``how`` those of another function that gives curves,
and ``within``: how near to the curve the feet of its touches lie at most. The curves are made as soon as the model is
there, before anything is measured: a plane that misses the part is found then.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import plan
from ..errors import InputError
from ..making import check_keys, made, takes
from ..scene.sections import with_sections
from .planning import CURVES

if TYPE_CHECKING:
    from ..nominal import Nominal
    from ..plan.targets.curves import Curve
    from ..scene.model import Scene
    from .model import Study

__all__ = ["Planned", "sectioned", "sections_of"]

_WITHIN = 1.0  # [mm]
_MOST = 50  # sections of a page
_OWN = ("how", "within")


@dataclass(frozen=True, eq=False)
class Planned:
    """A table ``[[section]]``, with the curves that the model gives for it.

    Attributes
    ----------
    name : str
    within : float
        How near to a curve the feet of its touches lie at most [mm].
    curves : tuple of Curve
    """

    name: str
    within: float
    curves: tuple[Curve, ...]


def sections_of(study: Study, part: Nominal) -> tuple[Planned, ...]:
    """The planned sections of a study on its model.

    Parameters
    ----------
    study : Study
    part : Nominal
        The model that it names.

    Raises
    ------
    InputError
        If a table names no way that there is, or arguments that this way does not take; and from the way itself, such
        as for a plane that misses the faces.
    """
    wanted, file = study.settings.get("section", ()), study.path
    if len(wanted) > _MOST:
        raise InputError(
            "too many sections for a page", file=file, column="section", found=len(wanted), expected=f"at most {_MOST}"
        )
    return tuple(_planned(table, f"section {number}", part, file) for number, table in enumerate(wanted, 1))


def _planned(table: Mapping[str, Any], where: str, part: Nominal, file: Path) -> Planned:
    how = table.get("how", "section")
    if how not in CURVES:
        raise InputError(
            "the table does not say how the curve is made",
            file=file,
            column=where,
            found=how,
            expected=", ".join(CURVES),
        )
    way = getattr(plan, how)
    given = {key: value for key, value in table.items() if key not in _OWN}
    check_keys(given, takes(way), where, file=file, given=("nominal",), what=f"{how} has no such key")
    curves = tuple(made(way, given, where, file=file, given={"nominal": part}))
    return Planned(str(table.get("name", where)), float(table.get("within", _WITHIN)), curves)


def sectioned(scene: Scene, planned: Iterable[Planned], part: Nominal) -> Scene:
    """The scene with planned sections.

    Parameters
    ----------
    scene : Scene
    planned : iterable of Planned
    part : Nominal
        The model that the scene shows.
    """
    for one in planned:
        scene = with_sections(scene, part, one.curves, one.within, one.name)
    return scene
