"""Studies over many runs: is the method good enough, is the process, and does a check find what it should?

Functions on tables of readings. Each gives a `GaugeResult`: the sentence for a report, the table, every number by
name, what to draw, and what has to be known to believe it. Readings that would be misunderstood raise an error.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use

if TYPE_CHECKING:
    from .accuracy import substitution, type_1
    from .agreement import e_n, limits_of_agreement
    from .capable import capability
    from .charts import stability
    from .cutter import cutter_drift
    from .fewer import fewer_touches
    from .linear import linearity
    from .one_factor import one_way
    from .proving import compare, prove
    from .repeatability import r_and_r
    from .scenarios import Scenarios
    from .strategies import alignment_strategies
    from .touching import bootstrap, chance_to_miss
    from .two_errors import deming, theil_sen

__all__ = [
    "Scenarios",
    "alignment_strategies",
    "bootstrap",
    "capability",
    "chance_to_miss",
    "compare",
    "cutter_drift",
    "deming",
    "e_n",
    "fewer_touches",
    "limits_of_agreement",
    "linearity",
    "one_way",
    "prove",
    "r_and_r",
    "stability",
    "substitution",
    "theil_sen",
    "type_1",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "accuracy": "substitution type_1",
            "agreement": "e_n limits_of_agreement",
            "capable": "capability",
            "charts": "stability",
            "cutter": "cutter_drift",
            "fewer": "fewer_touches",
            "linear": "linearity",
            "one_factor": "one_way",
            "proving": "compare prove",
            "repeatability": "r_and_r",
            "scenarios": "Scenarios",
            "strategies": "alignment_strategies",
            "touching": "bootstrap chance_to_miss",
            "two_errors": "deming theil_sen",
        },
    )
