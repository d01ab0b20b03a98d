"""Points of a QIF document: nominal points by identity, and measured points with all that is said of each."""

from __future__ import annotations

import base64
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .markup import child, local, texts
from .units import Units

if TYPE_CHECKING:
    from lxml import etree

__all__ = ["Aim", "Points", "measured_points", "nominal_points"]

_NOTHING = (np.nan,) * 3


@dataclass(frozen=True)
class Aim:
    """A nominal point: where, the outward normal (NaN if none), and the feature it belongs to."""

    place: tuple[float, ...]
    normal: tuple[float, ...]
    feature: str


@dataclass
class Points:
    """Measured points, one entry each; `place` (n, 3) [mm] when all are there."""

    place: np.ndarray = field(default_factory=lambda: np.zeros((0, 3)))
    touch: list[int | str] = field(default_factory=list)
    feature: list[str] = field(default_factory=list)
    nominal: list[str] = field(default_factory=list)
    compensated: list[bool] = field(default_factory=list)
    radius: list[float] = field(default_factory=list)
    results: list[int] = field(default_factory=list)
    reason: list[str] = field(default_factory=list)

    def add(
        self,
        place: np.ndarray,
        *,
        touch: list[str],
        feature: list[str],
        nominal: list[str],
        compensated: np.ndarray,
        radius: np.ndarray,
        results: int,
        reason: str = "",
    ) -> None:
        """Append points; those without a number of their own take the next ones."""
        n = len(place)
        self.place = np.concatenate([self.place, place])
        self.touch += [int(one) if one.isdecimal() else one for one in touch] or list(
            range(len(self.touch) + 1, len(self.touch) + n + 1)
        )
        self.feature += feature
        self.nominal += nominal or [""] * n
        self.compensated += compensated.tolist()
        self.radius += radius.tolist()
        self.results += [results] * n
        self.reason += [reason] * n


def nominal_points(root: etree._Element, units: Units, notes: list[str]) -> dict[str, Aim]:
    """Nominal points with a normal, by identity: of sets, and of features that are points."""
    owner = _owners(root)
    found = {}
    for one in root.iter():
        name, identity = local(one), one.get("id")
        if identity is None or name not in ("MeasurePoint", "PointFeatureNominal", "EdgePointFeatureNominal"):
            continue
        place = _place(child(one, "Point" if name == "MeasurePoint" else "Location"), units, notes)
        normal = next(iter(texts(one, "Normal")), "")
        if place is None:
            continue
        if not normal:
            notes.append("nominal points without a normal are no targets, and were left out")
            continue
        feature = owner.get(one.getparent().get("id", ""), "") if name == "MeasurePoint" else ""
        feature = feature or next(iter(texts(one, "Name")), "")
        found[identity] = Aim(tuple(place), tuple(map(float, normal.split())), feature)
    return found


def _owners(root: etree._Element) -> dict[str, str]:
    """Name of the nominal feature that a set of nominal points belongs to."""
    found = {}
    for one in root.iter():
        if local(one).endswith("FeatureNominal"):
            for listed in (child(one, "PointList"),):
                for each in () if listed is None else listed:
                    found[(each.text or "").strip()] = next(iter(texts(one, "Name")), "")
    return found


def measured_points(root: etree._Element, units: Units, names: dict[str, str], notes: list[str]) -> Points:
    """All measured points of a document, of each set of results in turn."""
    points = Points()
    sets = [one for one in root.iter() if local(one) == "MeasurementResults"]
    for number, results in enumerate(sets, 1):
        features = child(results, "MeasuredFeatures")
        owners = _measured_owners(features, names)
        for one in () if features is None else features:
            if local(one) in ("PointFeatureMeasurement", "EdgePointFeatureMeasurement"):
                _add_feature(points, one, units, names, number, notes)
            _add_missed(points, one, number)
        pool = child(results, "MeasuredPointSets")
        for one in () if pool is None else pool:
            _add_set(points, one, units, owners, number, notes)
    ids = points.touch
    if len(set(map(str, ids))) != len(ids):
        notes.append("numbers of touches stand twice in the document: they were numbered anew")
        points.touch = list(range(1, len(ids) + 1))
    return points


def _measured_owners(
    features: etree._Element | None, names: dict[str, str]
) -> dict[str, list[tuple[str, range | None]]]:
    """Of each set of measured points the features that take it, and which of its points."""
    found: dict[str, list[tuple[str, range | None]]] = {}
    for one in () if features is None else features:
        name = next(iter(texts(one, "FeatureName")), "") or names.get(next(iter(texts(one, "FeatureItemId")), ""), "")
        listed = child(one, "PointList")
        for each in () if listed is None else listed:
            part = None
            if local(each) == "RangePointSetId":
                first, last = map(int, (each.get("range") or "1 1").split())
                part = range(first - 1, last)  # natural numbers: the first point is 1
            elif local(each) == "SinglePointSetId":
                part = range(int(each.get("index", "1")) - 1, int(each.get("index", "1")))
            found.setdefault((each.text or "").strip(), []).append((name, part))
    return found


def _place(point: etree._Element | None, units: Units, notes: list[str]) -> np.ndarray | None:
    """Coordinates of a point (3,) [mm], given in its own unit or that of the document; None if there are none."""
    numbers = [] if point is None else (point.text or "").split()
    if point is None or len(numbers) != 3:
        return None
    factor = units.of_point(point, notes)
    return None if np.isnan(factor) else np.array(numbers, dtype=float) * factor


def _add_feature(
    points: Points, one: etree._Element, units: Units, names: dict[str, str], number: int, notes: list[str]
) -> None:
    """A feature that is a point: its location is a contact."""
    place = _place(child(one, "Location"), units, notes)
    if place is None:
        return
    item = next(iter(texts(one, "FeatureItemId")), "")
    points.add(
        place[None],
        touch=[],
        feature=[next(iter(texts(one, "FeatureName")), "") or names.get(item, "")],
        nominal=[],
        compensated=np.array([True]),
        radius=np.zeros(1),
        results=number,
    )


def _add_missed(points: Points, one: etree._Element, number: int) -> None:
    """The touches that a document of ours names as without a point."""
    lost = _attribute(one, "touches without a point")
    if lost:
        n, aims = len(lost), _attribute(one, "nominal points without a measured point")
        points.add(
            np.full((n, 3), np.nan),
            touch=lost,
            feature=[next(iter(texts(one, "FeatureName")), "")] * n,
            nominal=aims if len(aims) == n else [],
            compensated=np.ones(n, dtype=bool),
            radius=np.zeros(n),
            results=number,
            reason="no point in the document",
        )


def _attribute(one: etree._Element, name: str) -> list[str]:
    """Words of an attribute of the user."""
    group = child(one, "Attributes")
    return next((a.get("value", "").split() for a in (() if group is None else group) if a.get("name") == name), [])


def _add_set(
    points: Points,
    one: etree._Element,
    units: Units,
    owners: dict[str, list[tuple[str, range | None]]],
    number: int,
    notes: list[str],
) -> None:
    """The points of a set, unless they lie in a coordinate system of their own."""
    n, identity = int(one.get("count", "0")), one.get("id", "")
    own = [key for key in ("Units", "CoordinateSystemId", "TranformId") if child(one, key) is not None]
    if own:
        why = "units" if own[0] == "Units" else "a coordinate system"
        notes.append(f"{n} points of set {identity} have {why} of their own and were not read")
        return
    place = _floats(one, "Points", "BinaryPoints").reshape(-1, 3) * units.length
    if len(place) != n:
        notes.append(f"set {identity} says {n} points and holds {len(place)}: not read")
        return
    feature = [""] * n
    takers = owners.get(identity, [])
    if not takers:
        notes.append(f"no feature takes the {n} points of set {identity}")
    for name, part in takers:
        for at in range(n) if part is None else part:
            if at < n:
                feature[at] = name
    said, each = (next(iter(texts(one, key)), "").split() for key in ("Compensated", "Compensations"))
    if len(said) != 1 and len(each) != n:
        notes.append(f"set {identity} does not say in text which points are compensated for the ball: not read")
        return
    compensated = np.array([word in ("true", "1") for word in (said * n if said else each)], dtype=bool)
    radius = np.full(n, np.nan)
    radii = next(iter([*texts(one, "ProbeRadii"), *texts(one, "ProbeRadius")]), "").split()
    if len(radii) in (1, n):
        radius[:] = np.array(radii, dtype=float) * units.length
    nominal = [word for text in texts(one, "MeasurePointNominalIds", "Ids") for word in text.split()]
    touch = _attribute(one, "touches")
    points.add(
        place,
        touch=touch if len(touch) == n else [],
        feature=feature,
        nominal=nominal if len(nominal) == n else [],
        compensated=compensated,
        radius=np.where(compensated, 0.0, radius),
        results=number,
    )


def _floats(one: etree._Element, text: str, binary: str) -> np.ndarray:
    """Numbers in text, or as little-endian binary of 4 or 8 bytes each."""
    written = child(one, text)
    if written is not None:
        return np.array((written.text or "").split(), dtype=float)
    packed = child(one, binary)
    if packed is None:
        return np.zeros(0)
    raw = base64.b64decode("".join((packed.text or "").split()))
    count, size = int(packed.get("count", "0")), int(packed.get("sizeElement", "8"))
    kind = np.dtype("<f8" if size % 8 == 0 else "<f4")  # one number or one point of three is an element
    if len(raw) != count * size:
        return np.zeros(0)
    return np.frombuffer(raw[: len(raw) // kind.itemsize * kind.itemsize], dtype=kind).astype(float)
