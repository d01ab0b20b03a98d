"""Tolerances from the tables of a study file, and their evaluation together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from .profile_forms import composite, simultaneous
from .spec import Form, LineProfile, Orientation, Position, Profile, Runout, Size, Tolerance
from .symbols import frame_svg, frame_text

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from .evaluation import Evaluation

__all__ = ["KINDS", "Composite", "evaluate_all", "read_tolerance"]

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


@dataclass(frozen=True)
class Composite:
    """Composite profile: two segments under one symbol; see `probekit.tolerance.composite`."""

    locating: Profile
    relating: Profile

    @property
    def sentence(self) -> str:
        """Both segments in one line."""
        return f"composite: {self.locating.sentence}; refined by {self.relating.sentence}"

    @property
    def frame(self) -> str:
        """The feature control frame as text, one line a segment."""
        return frame_text("profile of a surface", self._cells())

    def _cells(self) -> list[list[str]]:
        return self.locating._cells() + self.relating._cells()

    def __str__(self) -> str:
        return self.sentence

    def _repr_svg_(self) -> str:
        return frame_svg("profile of a surface", self._cells(), title=self.sentence)


def read_tolerance(table: Mapping[str, Any], *, file: str | Path | None = None) -> list[Tolerance | Composite]:
    """Tolerances that one [[tolerance]] table of a study file states.

    Parameters
    ----------
    table : mapping
        `kind` (a key of `KINDS`; profile by default) and the attributes of its class. Besides, `each = true` makes one
        tolerance of each feature, and `refining` (a table) the lower segment of a composite profile.
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
    for key in ("at", "direction", "across", "turn", "axis", "limits", "length", "section"):
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


def evaluate_all(
    tolerances: Iterable[Tolerance | Composite],
    found: pd.DataFrame,
    nominal: Nominal | None = None,
    *,
    pivot: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> list[Evaluation]:
    """Evaluate tolerances, in their order.

    Profile tolerances that share datums and leave the same degrees of freedom are evaluated at one placement
    (simultaneous requirement, the default of ASME Y14.5), unless one says `separate`.

    Parameters
    ----------
    tolerances : iterable of Tolerance or Composite
    found : DataFrame
        Deviations table, in the datum frame.
    nominal, pivot
        See `Tolerance.evaluate`.

    Raises
    ------
    InputError, FitError
        From the evaluation of one.
    """
    tolerances = list(tolerances)
    groups: dict[tuple, list[int]] = {}
    for k, one in enumerate(tolerances):
        if isinstance(one, Profile) and one.free and one.datums and not (one.separate or one.dynamic or one.unit):
            groups.setdefault((one.datums, tuple(sorted(one.free))), []).append(k)
    results: dict[int, tuple[Evaluation, ...]] = {}
    for members in groups.values():
        together = simultaneous(found, [tolerances[k] for k in members], nominal=nominal, pivot=pivot)
        results |= {k: (one,) for k, one in zip(members, together, strict=True)}
    for k, one in enumerate(tolerances):
        if isinstance(one, Composite):
            results[k] = composite(found, one.locating, one.relating, nominal=nominal, pivot=pivot)
        elif k not in results:
            results[k] = (one.evaluate(found, nominal, pivot=pivot),)
    return [one for k in range(len(tolerances)) for one in results[k]]


def _lower(
    upper: Tolerance, options: Mapping[str, Any], refining: Mapping[str, Any], file: str | Path | None
) -> Profile:
    """Lower segment of a composite profile: as the upper one, but for what `refining` says."""
    if not isinstance(upper, Profile):
        raise InputError("only a profile can be refined by a second segment", file=file, column="tolerance.refining")
    for key in refining:
        if key not in ("width", "outside", "free", "datums", "name"):
            raise InputError(
                "unknown key", file=file, column=f"tolerance.refining.{key}", expected="width, outside, free, datums"
            )
    shared = {key: value for key, value in options.items() if key not in ("free", "datums", "name", "outside")}
    return Profile(**{**shared, "name": f"{upper.name}, refined", **refining})
