"""Results and plans as documents of QIF 3.0 (ISO 23952, ANSI QIF 3.0), and documents of others read.

Needs the extra `qif` (lxml). The schema is shipped: nothing is fetched.
"""

from __future__ import annotations

from .planning import plan
from .reading import read
from .results import results

__all__ = ["plan", "read", "results"]
