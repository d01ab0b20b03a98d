"""What the results of an inspection rest on: files with checksums, settings, versions."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import __version__, nominal, uncertainty, verdict
from ..lazily import installed_version
from .model import Study
from .readings import Qualified

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["facet_notes", "provenance_of", "qualification_notes", "stamp_of"]


def provenance_of(
    study: Study,
    part: nominal.Nominal,
    measured: pd.DataFrame,
    qualified: Qualified | None,
    rule: verdict.rules.Rule,
    u: float,
    budget: uncertainty.Budget | None = None,
) -> tuple[tuple[str, str], ...]:
    """Files with checksums, versions, settings: label and value."""
    attrs, settings = measured.attrs, study.settings
    rows = [
        ("part", part.name),
        *[(key, str(attrs[key])) for key in ("program", "machine", "stylus", "temperature", "time") if attrs.get(key)],
        ("nominal", f"{Path(part.source).name}, unit: {part.unit_source}"),
        ("deviations from", _compared_with(part)),
        ("nominal SHA-256", part.sha256),
        ("touches", f"{Path(str(attrs.get('source', ''))).name}, {len(measured)} rows"),
        ("touches SHA-256", str(attrs.get("sha256", ""))),
        *[
            (f"touches made again: {key}", str(attrs[f"again_{key}"]))
            for key in ("source", "sha256")
            if "again_source" in attrs
        ],
        *_provenance_of_probe(qualified),
        ("study", study.path.name),
        ("study SHA-256", study.sha256),
        ("standard uncertainty", _stated(u, "u" in measured) if budget is None else budget.sentence),
        ("decision rule", rule.sentence),
    ]
    shown = ("machine", "stylus", "deviation", "alignment")
    rows += [(f"settings: {name}", _flat(settings[name])) for name in shown if name in settings]
    used = ", ".join(f"{name} {installed_version(name)}" for name in ("numpy", "scipy", "pandas", "libigl", "trimesh"))
    return (*rows, ("software", f"probekit {__version__}, Python {platform.python_version()}, {used}"))


def stamp_of(study: Study, measured: pd.DataFrame) -> str:
    """Study and touches, by the first characters of their checksums."""
    return f"study {study.sha256[:8] or 'unknown'}, touches {str(measured.attrs.get('sha256', ''))[:8] or 'unknown'}"


def _stated(u: float, column: bool) -> str:
    return f"{u:g} mm{', or column u' if column else ''}, given by the user"


def _provenance_of_probe(qualified: Qualified | None) -> list[tuple[str, str]]:
    if qualified is None:
        return []
    found, table = qualified
    return [
        ("qualification", found.sentence),
        ("qualification touches", f"{Path(str(table.attrs.get('source', ''))).name}, {len(table)} rows"),
        ("qualification SHA-256", str(table.attrs.get("sha256", ""))),
    ]


def _compared_with(part: nominal.Nominal) -> str:
    if part.exact:
        kinds = [face.kind for face in part.brep.faces]
        listed = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
        return f"exact surfaces ({listed}); facets only seed the search"
    return f"{len(part.facets)} facets"


def _flat(table: dict[str, Any]) -> str:
    return ", ".join(f"{key} = {value}" for key, value in table.items())


def facet_notes(part: nominal.Nominal, evaluations: Sequence[Evaluation]) -> list[str]:
    """Whether facets stand in for the surface, and what that may cost against the tightest tolerance."""
    if part.exact or not evaluations:
        return []
    tightest = min(evaluations, key=lambda one: one.width)
    error = dict(zip(part.face_names, part.chord_errors, strict=True))
    judged = {name: error[name] for one in evaluations for name in one.features if name in error} or error
    worst = max(judged, key=judged.__getitem__)
    share = judged[worst] / tightest.width
    text = (
        f"deviations are from facets, not from the exact surface: on {worst} they are off by about "
        f"{judged[worst]:.4f} mm (estimated), {100 * share:z.0f} % of the tightest tolerance ({tightest.name}, "
        f"{tightest.width:g} mm)"
    )
    return [text + ("; use the STEP model or a finer mesh" if share > 0.1 else "")]


def qualification_notes(qualified: Qualified | None, measured: pd.DataFrame) -> list[str]:
    """What the qualification of the probe says, and whether it is of use for these touches."""
    if qualified is None:
        return []
    if measured.attrs.get("recorded") != "centre":
        return ["the touches are contact points: the qualification of the stylus is not used"]
    return [qualified[0].sentence, *(f"qualification: {note}" for note in qualified[0].notes)]
