"""Planned sections: the curves that the tables ``[[section]]`` of a study name.

Each table takes the arguments of `probekit.plan.section`, or with ``how`` those of another function that gives curves,
and ``within``: how near to the curve the feet of its touches lie at most.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import plan
from ..errors import InputError
from ..making import check_keys, made, takes
from ..scene.sections import with_sections
from .planning import CURVES

if TYPE_CHECKING:
    from ..nominal import Nominal
    from ..scene.model import Scene

__all__ = ["sectioned"]

_WITHIN = 1.0  # [mm]
_MOST = 50  # sections of a page
_OWN = ("how", "within")


def sectioned(scene: Scene, wanted: Sequence[Mapping[str, Any]], part: Nominal, file: Path) -> Scene:
    """The scene with the planned sections of a study.

    Parameters
    ----------
    scene : Scene
    wanted : sequence of mapping
        The tables ``[[section]]``.
    part : Nominal
        The model that the scene shows.
    file : Path
        The study file, for errors.

    Raises
    ------
    InputError
        If a table names no way that there is, or arguments that this way does not take; and from the way itself, such
        as for a plane that misses the faces.
    """
    if len(wanted) > _MOST:
        raise InputError(
            "too many sections for a page", file=file, column="section", found=len(wanted), expected=f"at most {_MOST}"
        )
    for number, table in enumerate(wanted, 1):
        where, how = f"section {number}", table.get("how", "section")
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
        curves = made(way, given, where, file=file, given={"nominal": part})
        name = str(table.get("name", where))
        scene = with_sections(scene, part, curves, float(table.get("within", _WITHIN)), name)
    return scene
