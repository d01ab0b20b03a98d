"""Files that the keys of a study name, and that they lie in its folder, or in one that it permits."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import InputError

__all__ = ["check_inside", "named_files"]

#: Table and key of each file that a study reads.
_KEYS = (
    *(("part", "model"), ("part", "without_kernel")),
    *((table, key) for table in ("touches", "artefact") for key in ("file", "plan", "moves")),
    *(("touches", "again"), ("touches", "again_plan"), ("surface", "earlier")),
    *(("program", "milling"), ("program", "dialect"), ("simulate", "model"), ("simulate", "stock")),
)


def named_files(settings: Mapping[str, Any]) -> dict[str, str]:
    """Files that a study reads: the key that names each -> the name as it stands there.

    Parameters
    ----------
    settings : mapping
        Tables of the study.
    """
    given = {f"{table}.{key}": settings.get(table, {}).get(key) for table, key in _KEYS}
    given["stylus.qualification.file"] = settings.get("stylus", {}).get("qualification", {}).get("file")
    given |= {f"plan.earlier, {number}": one.get("earlier") for number, one in enumerate(settings.get("plan", ()), 1)}
    for table in ("reach", "simulate"):
        for number, name in enumerate(settings.get(table, {}).get("fixtures", ()), 1):
            given[f"{table}.fixtures, {number}"] = name
    return {key: name for key, name in given.items() if isinstance(name, str)}


def check_inside(settings: Mapping[str, Any], file: Path) -> None:
    """Raise if a study names a file or an archive outside its folder and the folders that ``[study] outside`` lists.

    Links are followed: what counts is where a file lies.

    Parameters
    ----------
    settings : mapping
        Tables of the study.
    file : Path
        The study file.

    Raises
    ------
    InputError
        It names the key, and the line that would permit it.
    """
    listed = settings.get("study", {}).get("outside", ())
    allowed = [_place(file.parent / one) for one in (".", *listed)]
    named = named_files(settings)
    if "archive" in settings:
        named["archive.folder"] = settings["archive"]["folder"]
    for number, one in enumerate(settings.get("tolerance", ()), 1):
        module, colon, _ = str(one.get("kind", "")).partition(":")
        if colon and "/" not in module:
            named[f"tolerance {number}.kind"] = str(Path(*module.split(".")).with_suffix(".py"))
    for key, name in named.items():
        place = _place(file.parent / name)
        if any(place.is_relative_to(one) for one in allowed):
            continue
        whole = key == "archive.folder"
        above = Path(name) if whole else Path(name).parent
        if not place.is_relative_to(_place(file.parent / above)):  # by a link within the folder
            above = place if whole else place.parent
        lines = ", ".join(f'"{one}"' for one in (*(Path(one).as_posix() for one in listed), above.as_posix()))
        raise InputError(
            "a study keeps to its folder unless it says otherwise, and this lies outside",
            file=file,
            column=key,
            found=str(place),
            expected=f"a place in {allowed[0]}" + (", or in a folder of [study] outside" if listed else ""),
            todo=f"Move it there; or permit the folder that it lies in, by the lines [study] and outside = [{lines}]. "
            "Do so only if you know who wrote the study.",
        )


def _place(path: Path) -> Path:
    return Path(os.path.realpath(path))
