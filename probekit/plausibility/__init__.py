"""No confident answer to a wrong question: findings on touches, plan, nominal, stylus and alignment.

A finding is a "stop" (no verdict is made), a "look" (the part is undecided at best until somebody has looked) or a
"note". Each says what was found, what was expected and where that limit comes from, the likely cause, and what to do.
"""

from .check import check
from .planned import Probing
from .residuals import datum_residuals

__all__ = ["Probing", "check", "datum_residuals"]
