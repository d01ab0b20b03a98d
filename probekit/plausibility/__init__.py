"""No confident answer to a wrong question: findings on touches, plan, nominal, stylus and alignment.

A finding is a "stop" (no verdict is made), a "look" (the part is undecided at best until somebody has looked) or a
"note". Each says what was found, what was expected and where that limit comes from, the likely cause, and what to do.
"""

from .check import before_fit, check, on_alignment
from .finding import NAMES, Finding, Refused, accepted, refuse
from .planned import Probing, missing, unplanned, with_missed
from .residuals import Residuals, datum_residuals

__all__ = [
    "NAMES",
    "Finding",
    "Probing",
    "Refused",
    "Residuals",
    "accepted",
    "before_fit",
    "check",
    "datum_residuals",
    "missing",
    "on_alignment",
    "refuse",
    "unplanned",
    "with_missed",
]
