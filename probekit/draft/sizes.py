"""The tables of sizes, and the limits of size that tolerances at a material condition need."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .tables import SIZED, NotJudgedError, Table, Tables

if TYPE_CHECKING:
    from ..nominal.exact.pmi_model import ModelSize, ModelTolerance

__all__ = ["MATERIAL", "limits_of", "size_table"]

#: Modifiers that are material conditions.
MATERIAL = {"maximum material requirement", "least material requirement"}


def size_table(tables: Tables, one: ModelSize) -> Table:
    """Keys of the table of a size, or of a distance that is the size of a slot or web.

    Raises
    ------
    NotJudgedError
        With the reason, if it has no limits, or is no size of a cylinder, sphere or width.
    """
    if one.degrees:
        raise NotJudgedError("an angle with limits is not judged; Y14.5 has angularity or profile for it")
    if one.ends and not (all(one.ends) and tables.features.opposed(one.faces)):
        raise NotJudgedError(
            "a distance between features that are not two opposed planes is not judged; Y14.5 has position or profile "
            "for it"
        )
    if one.limits is None and not one.fit:
        raise NotJudgedError("it has no limits of its own (basic, for reference, or under a general tolerance)")
    if odd := [m for m in one.modifiers if m != "continuous feature"]:
        raise NotJudgedError(f"its modifiers would also have to be judged: {', '.join(odd)}")
    features = tables.of(one.faces)
    kinds, together = {feature.kind for feature in features}, "continuous feature" in one.modifiers
    if tables.features.opposed(one.faces):
        kinds, together = {"width"}, True
    if "radius" in one.of or len(kinds) != 1 or not kinds <= set(SIZED):
        raise NotJudgedError("only diameters of cylinders and spheres and widths between two planes are judged")
    table = Table({"kind": "size", "features": [feature.name for feature in features]})
    if one.limits is not None:
        table.keys["limits"] = list(one.limits)
    else:
        nominal = f"{one.nominal:g} " if one.nominal is not None else ""
        around = one.nominal or 1.0
        table.fill_in("limits", f"[smallest, largest] of {nominal}{one.fit} (ISO 286-2)", [0.9 * around, 1.1 * around])
    table.keys["of"] = kinds.pop()
    if len(features) > 1 and not together:
        table.keys["each"] = True
    if _bowed(tables, one):
        table.keys["independency"] = True
        table.notes["independency"] = (
            "its axis or middle plane has a form tolerance of its own: rule one does not apply"
        )
    return table.tried()


def _bowed(tables: Tables, one: ModelSize) -> bool:
    """Whether the median of the feature has a straightness or flatness, in place of rule one."""
    own = set(one.faces)
    medians = (
        other
        for other in tables.pmi.tolerances
        if (other.kind == "straightness" and "diameter" in other.modifiers)
        or (other.kind == "flatness" and MATERIAL & set(other.modifiers) and tables.features.opposed(other.faces))
    )
    return any(own <= set(other.faces) for other in medians)


def limits_of(tables: Tables, one: ModelTolerance, table: Table) -> None:
    """The limits of size of the feature of a tolerance at a material condition, or a question for them."""
    own = set(tables.features.of(one.faces))
    sizes = [s for s in tables.pmi.sizes if s.faces and not s.degrees and own <= set(tables.features.of(s.faces))]
    limits = {s.limits for s in sizes if s.limits and "radius" not in s.of}
    if len(limits) == 1:
        table.keys["limits"] = list(limits.pop() or ())
        return
    fits = {f"{s.nominal:g} {s.fit} (ISO 286-2)" for s in sizes if s.fit and s.nominal}
    why = f"those of {fits.pop()}" if len(fits) == 1 else "the model does not link one to these faces"
    table.fill_in("limits", f"smallest and largest size [mm]; {why}", [1.0, 1.1])
