"""A tolerance or dimension of a model in one line of text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..nominal.exact.pmi_model import ModelSize, ModelTolerance

__all__ = ["described"]


def described(one: ModelTolerance | ModelSize, called: Mapping[str, str]) -> str:
    """A tolerance or size in one line, under the names that the study gives its faces."""
    names = list(dict.fromkeys(called.get(face, face) for face in one.faces))
    shown = names if len(names) <= 12 else [*names[:10], f"{len(names) - 10} more"]
    on = f" on {', '.join(shown)}" if names else ""
    if not hasattr(one, "kind"):
        unit = " deg" if one.degrees else ""
        of = f"{one.of} {one.nominal:g}{unit}" if one.nominal is not None else one.of
        of += f" {one.fit}" if one.fit else ""
        limits = f", {one.limits[0]:g} to {one.limits[1]:g}{unit}" if one.limits else ""
        return (
            f"{'dimension' if one.ends or one.degrees else 'size'}: {of}{limits}"
            + _listed(one.modifiers)
            + f"{on} ({one.source_id})"
        )
    datums = " | ".join("-".join(letters) for letters in one.datums)
    per = f" per {' x '.join(f'{v:g}' for v in one.unit)} ({one.unit_shape})" if one.unit else ""
    unequal = per + ("" if one.displacement is None else f", unequally disposed by {one.displacement:g}")
    frame = f"{one.kind} {one.value:g}{unequal}" + (f" | {datums}" if datums else "")
    return frame + _listed(one.modifiers) + f"{on} ({' '.join((one.name, one.source_id)).strip()})"


def _listed(modifiers: tuple[str, ...]) -> str:
    return f" ({', '.join(modifiers)})" if modifiers else ""
