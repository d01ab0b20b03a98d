"""Tolerances from the tables of a study file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..show import shown
from .spec import Form, LineProfile, Orientation, Profile, Tolerance
from .spec_located import Position, Runout, Size
from .symbols import frame_svg, frame_text

__all__ = ["KINDS", "Composite", "read_tolerance"]

#: Kind in a study file -> the class, and what of it the kind sets.
KINDS: dict[str, tuple[type[Tolerance], dict[str, Any]]] = {
    "profile": (Profile, {}),
    "profile of a line": (LineProfile, {}),
    "flatness": (Form, {"of": "flatness"}),
    "straightness": (Form, {"of": "straightness"}),
    "straightness of an axis": (Form, {"of": "straightness of an axis"}),
    "circularity": (Form, {"of": "circularity"}),
    "cylindricity": (Form, {"of": "cylindricity"}),
    "parallelism": (Orientation, {"of": "parallelism"}),
    "perpendicularity": (Orientation, {"of": "perpendicularity"}),
    "angularity": (Orientation, {"of": "angularity"}),
    "position": (Position, {}),
    "size": (Size, {}),
    "circular runout": (Runout, {"total": False}),
    "total runout": (Runout, {"total": True}),
}


@shown
@dataclass(frozen=True)
class Composite:
    """Composite profile or position: two segments under one symbol; see `probekit.tolerance.composite`."""

    locating: Profile | Position
    relating: Profile | Position

    @property
    def sentence(self) -> str:
        """Both segments in one line."""
        return f"composite: {self.locating.sentence}; refined by {self.relating.sentence}"

    @property
    def frame(self) -> str:
        """The feature control frame as text, one line a segment."""
        return frame_text(self.locating.characteristic, self._cells(), **self.locating._outside_of_frame())

    def _cells(self) -> list[list[str]]:
        return self.locating._cells() + self.relating._cells()

    def __str__(self) -> str:
        return self.sentence

    def _repr_svg_(self) -> str:
        outside = self.locating._outside_of_frame()
        return frame_svg(self.locating.characteristic, self._cells(), title=self.sentence, **outside)


def read_tolerance(table: Mapping[str, Any], *, file: str | Path | None = None) -> list[Tolerance | Composite]:
    """Tolerances that one [[tolerance]] table of a study file states.

    Parameters
    ----------
    table : mapping
        `kind` (a key of `KINDS`; profile by default) and the attributes of its class. Besides, `each = true` makes one
        tolerance of each feature, and `refining` (a table) the lower segment of a composite profile or position.
    file : str or Path, optional
        For the error.

    Raises
    ------
    InputError
        If the kind is unknown, a key does not belong to it or is missing.
    """
    options = dict(table)
    kind, each, refining = options.pop("kind", "profile"), options.pop("each", False), options.pop("refining", None)
    if kind not in KINDS:
        raise InputError(
            "unknown kind of tolerance", file=file, column="tolerance.kind", found=kind, expected=", ".join(KINDS)
        )
    made, preset = KINDS[kind]
    known = {one.name for one in fields(made)} - set(preset)
    for key in options:
        if key not in known:
            raise InputError(
                f"this key does not belong to a tolerance of kind '{kind}'",
                file=file,
                column=f"tolerance.{key}",
                expected=", ".join(sorted(known)),
            )
    for key in (
        "at",
        "direction",
        "across",
        "turn",
        "along",
        "to",
        "to_kind",
        "angle",
        "axis",
        "limits",
        "length",
        "section",
    ):
        if isinstance(options.get(key), list):
            options[key] = tuple(options[key])
    if "limits" in known and made is Size and "limits" not in options:
        raise InputError(
            "a size needs its limits", file=file, column="tolerance.limits", expected="[smallest, largest]"
        )
    if "width" not in options and made is not Size and options.get("boundaries") is None:
        raise InputError("the table [tolerance] lacks a key", file=file, column="tolerance.width")
    if each:
        features = options.pop("features", None)
        if not isinstance(features, list):
            raise InputError(
                "each = true needs a list of features",
                file=file,
                column="tolerance.features",
                found=features,
                expected="a list",
            )
        name = options.pop("name", kind)
        return [made(**preset, **options, features=one, name=f"{name}, {one}") for one in features]
    options.setdefault("name", kind)
    upper = made(**preset, **options)
    if refining is None:
        return [upper]
    return [Composite(upper, _lower(upper, options, refining, file))]


def _lower(
    upper: Tolerance, options: Mapping[str, Any], refining: Mapping[str, Any], file: str | Path | None
) -> Profile | Position:
    """Lower segment of a composite tolerance: as the upper one, but for what `refining` says."""
    if not isinstance(upper, Profile | Position):
        raise InputError(
            "only a profile or a position can be refined by a second segment", file=file, column="tolerance.refining"
        )
    for key in refining:
        if key not in ("width", "outside", "free", "datums", "name") or not hasattr(upper, key):
            raise InputError(
                "unknown key", file=file, column=f"tolerance.refining.{key}", expected="width, outside, free, datums"
            )
    shared = {key: value for key, value in options.items() if key not in ("free", "datums", "name", "outside")}
    return type(upper)(**{**shared, "name": f"{upper.name}, refined", **refining})
