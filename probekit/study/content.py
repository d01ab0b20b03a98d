"""An inspection as plain data: what its JSON file and an archive hold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .. import report
from ..action.again import touch_again
from ..report.section_data import section_data
from .places import INSPECTION

if TYPE_CHECKING:
    import pandas as pd

    from .inspection import Inspection

__all__ = ["content_of", "further", "touches_again"]


def touches_again(inspection: Inspection) -> pd.DataFrame:
    """What to touch again, as a plan (`probekit.action.again.touch_again`)."""
    left = inspection.residuals
    named = [] if left is None or left.agree or left.apart else list(left.outliers or left.touches)
    named += [touch for one in inspection.findings if one.doubts_frame for touch in one.touches]
    return touch_again(inspection.verdict, named)


def further(inspection: Inspection, again: pd.DataFrame) -> dict[str, Any]:
    """What stands in the JSON file besides the verdict, the alignment, the action and the provenance.

    Parameters
    ----------
    inspection : Inspection
    again : DataFrame
        Its `touches_again`.
    """
    more = report.gate.gate_data(
        findings=inspection.findings, residuals=inspection.residuals, influence=inspection.influence
    ) | {"about": dict(inspection.about), "stamp": inspection.stamp, "notes": list(inspection.notes)}
    more |= report.sure.sure_data(budget=inspection.budget, shares=inspection.shares)
    if inspection.scene.sections:
        more["sections"] = section_data(inspection.scene)
    if inspection.surfaces:
        more["between_touches"] = [one.data for one in inspection.surfaces]
    if inspection.artefact is not None:
        more["artefact"] = report.sure.artefact_data(inspection.artefact)
    more["touch_again"] = {"file": INSPECTION["again"], "touches": again["touch"].tolist()} if len(again) else None
    return more


def content_of(inspection: Inspection) -> dict[str, Any]:
    """All of an inspection as what strict JSON knows, the content of ``results.json``.

    Parameters
    ----------
    inspection : Inspection
    """
    return report.tables(
        inspection.verdict,
        alignment=inspection.alignment,
        action=inspection.action,
        provenance=inspection.provenance,
        more=further(inspection, touches_again(inspection)),
    )
