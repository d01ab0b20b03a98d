"""A QIF document read: its touches, its targets, and what it says of its characteristics.

Documents of others hold points in many ways: sets of points in text or binary, features that are points themselves,
features that name a range of a set. What cannot be used is named in `Reading.notes`, and never guessed: points in a
coordinate system of their own, points of other documents, values in units that the document does not define.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..columns import MEASURED, NORMAL, TARGET
from ..errors import InputError
from ..show import shown
from .document import checked
from .markup import local, parsed, texts
from .points import Points, measured_points, nominal_points
from .units import Units

if TYPE_CHECKING:
    from lxml import etree

__all__ = ["Reading", "read"]

_VALUES = ("name", "kind", "features", "tolerance", "value", "u", "unit", "status")


@shown
@dataclass(frozen=True, eq=False)
class Reading:
    """What a QIF document holds that a verification can use.

    Attributes
    ----------
    part : str
        What the part is called; empty if the document does not say.
    touches : DataFrame
        A touches table (`probekit.touches.table`) of the measured points [mm], with `radius` 0 where they are contact
        points, and `results`, the number of the set of results that each belongs to. ``attrs["recorded"]`` says
        whether they are contact points or centres of the ball.
    targets : DataFrame
        The nominal points with a normal, as a plan: `touch, feature, x0, y0, z0, i, j, k` [mm].
    values : DataFrame
        The characteristics measured: `name, kind, features, tolerance, value, u, unit, status`, in the words of the
        document; lengths in mm, angles in degrees.
    notes : tuple of str
        What was not understood, and what to know.
    """

    part: str
    touches: pd.DataFrame
    targets: pd.DataFrame
    values: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """How much the document holds, in one line."""
        return (
            f"QIF document{f' of {self.part}' if self.part else ''}: {len(self.touches)} measured points, "
            f"{len(self.targets)} targets, {len(self.values)} values"
            + (f"; {len(self.notes)} notes" if self.notes else "")
        )

    @property
    def table(self) -> pd.DataFrame:
        """The characteristics measured."""
        return self.values


def read(path: str | Path, *, largest: int = 200_000_000) -> Reading:
    """Read a document of QIF 3.0 (ISO 23952): touches, targets, and measured characteristics.

    Parameters
    ----------
    path : str or Path
    largest : int
        Most bytes that are read.

    Returns
    -------
    Reading

    Raises
    ------
    InputError
        If the file cannot be read, is too large, is no QIF 3 document or not valid by the published schema, has
        entities or a document type of its own, or mixes contact points with centres of the ball.
    """
    data = _bytes(path, largest)
    root = parsed(data, path)
    try:
        checked(root)
    except InputError as error:
        raise InputError(error.what, file=path, line=error.line, todo=error.todo) from None
    return _understood(root, path, hashlib.sha256(data).hexdigest())


def _bytes(path: str | Path, largest: int) -> bytes:
    try:
        file = Path(path)
        if not file.is_file():
            raise InputError("the file is not there, or is no file", file=path)
        size = file.stat().st_size
        if size > largest:
            raise InputError("the file is too large", file=path, found=f"{size} bytes", expected=f"{largest} at most")
        return file.read_bytes()
    except OSError as error:
        raise InputError(f"the file cannot be read ({error.strerror or error})", file=path) from None


def _understood(root: etree._Element, path: str | Path, sha256: str) -> Reading:
    """The parts of a valid document."""
    notes: list[str] = []
    units = Units.of(root, path)
    names, nominal_of = _items(root)
    targets = nominal_points(root, units, notes)
    points = measured_points(root, units, names, notes)
    table = _touches(points, targets, path, sha256)
    aims = pd.DataFrame(
        [{"touch": n, "feature": one.feature} for n, one in enumerate(targets.values(), 1)],
        columns=["touch", "feature"],
    )
    at = np.array([[*one.place, *one.normal] for one in targets.values()], dtype=float).reshape(-1, 6)
    aims[[*TARGET, *NORMAL]] = at
    part = next((text for text in texts(root, "Product", "PartSet", "Part", "Header", "Name") if text), "")
    values = _values(root, units, names, nominal_of, notes)
    if any(local(one) == "ExternalQIFDocument" for one in root.iter()):
        notes.append("the document refers to other documents; what stands in them was not read")
    return Reading(part, table, aims, values, tuple(dict.fromkeys(notes)))


def _items(root: etree._Element) -> tuple[dict[str, str], dict[str, etree._Element]]:
    """Name of each feature by the identity of its item or nominal; each element with an identity, by it."""
    elements = {one.get("id"): one for one in root.iter() if one.get("id")}
    names: dict[str, str] = {}
    for identity, one in elements.items():
        if local(one).endswith("FeatureNominal"):
            names[identity] = (
                next(iter(texts(one, "Name")), "") or f"{local(one).removesuffix('FeatureNominal')} {identity}"
            )
        elif local(one).endswith("FeatureItem"):
            names[identity] = next(iter(texts(one, "FeatureName")), "")
    return names, elements


def _touches(points: Points, targets: dict, path: str | Path, sha256: str) -> pd.DataFrame:
    """The measured points as a touches table."""
    n = len(points.place)
    table = pd.DataFrame({"touch": points.touch, "feature": points.feature})
    aims = [targets.get(one) for one in points.nominal]
    nothing = (np.nan,) * 3
    table[[*TARGET]] = np.array([one.place if one else nothing for one in aims], dtype=float).reshape(n, 3)
    table[[*NORMAL]] = np.array([one.normal if one else nothing for one in aims], dtype=float).reshape(n, 3)
    table[[*MEASURED]] = points.place
    table["reason"] = points.reason
    table["results"] = points.results
    placed = [not why for why in points.reason]
    kinds = {said for said, there in zip(points.compensated, placed, strict=True) if there}
    if len(kinds) > 1:
        raise InputError(
            "the document mixes contact points with centres of the ball",
            file=path,
            found=f"{sum(points.compensated)} of {n} compensated",
            expected="all, or none",
            todo="Export the two kinds into documents of their own.",
        )
    if kinds == {True}:
        table["radius"] = 0.0
    elif np.isfinite(points.radius).all() and n:
        table["radius"] = points.radius
    if all(isinstance(one, int) for one in points.touch):
        table = table.sort_values("touch", ignore_index=True)
    table.attrs = {"unit": "mm", "recorded": "contact" if kinds <= {True} else "centre"}
    table.attrs |= {"source": str(path), "sha256": sha256}
    return table


def _values(
    root: etree._Element, units: Units, names: dict[str, str], elements: dict, notes: list[str]
) -> pd.DataFrame:
    """What the document says of each characteristic that was measured."""
    rows = []
    for one in root.iter():
        kind = local(one).removesuffix("CharacteristicMeasurement")
        if kind == local(one) or not kind:
            continue
        item = _named(one, "CharacteristicItemId", elements)
        nominal = None if item is None else _named(item, "CharacteristicNominalId", elements)
        definition = None if nominal is None else _named(nominal, "CharacteristicDefinitionId", elements)
        name = next((t for e in (item, nominal, definition) if e is not None for t in texts(e, "Name") if t), "")
        covered = [] if item is None else texts(item, "FeatureItemIds", "Id")
        covered = covered or ([] if nominal is None else texts(nominal, "FeatureNominalIds", "Id"))
        value, u, unit = _value(one, units, kind, notes)
        tolerance = None if definition is None else _tolerance(definition, units, notes)
        status = next(iter([*texts(one, "Status", "CharacteristicStatusEnum"), *texts(one, "Status", _OTHER)]), "")
        features = ", ".join(names.get(identity, identity) for identity in covered)
        rows.append((name or kind, kind, features, tolerance, value, u, unit, status))
    return pd.DataFrame(rows, columns=_VALUES).astype({key: float for key in ("tolerance", "value", "u")})


_OTHER = "OtherCharacteristicStatus"


def _named(one: etree._Element, key: str, elements: dict[str, etree._Element]) -> etree._Element | None:
    """The element whose identity another one gives."""
    return next((elements[text] for text in texts(one, key) if text in elements), None)


def _value(one: etree._Element, units: Units, kind: str, notes: list[str]) -> tuple[float, float, str]:
    """Value and uncertainty of a measurement, in mm or degrees, and the unit."""
    for child in one:
        if local(child) != "Value" or child.text is None:
            continue
        factor, unit = units.of_value(child, kind, notes)
        u = child.get("combinedUncertainty")
        return float(child.text) * factor, np.nan if u is None else float(u) * factor, unit
    return np.nan, np.nan, ""


def _tolerance(definition: etree._Element, units: Units, notes: list[str]) -> float:
    """The width that a definition gives, or the width of its limits [mm]."""
    kind = local(definition).removesuffix("CharacteristicDefinition")
    for child in definition:
        if local(child) == "ToleranceValue" and child.text:
            return float(child.text) * units.of_value(child, kind, notes)[0]
        if local(child) == "Tolerance":
            ends = {local(end): end for end in child if end.text and local(end) in ("MaxValue", "MinValue")}
            scaled = {key: float(end.text) * units.of_value(end, kind, notes)[0] for key, end in ends.items()}
            return scaled.get("MaxValue", np.nan) - scaled.get("MinValue", 0.0)
    return np.nan
