"""Results as DMIS output (ISO 22093), read and written; programs in DMIS are a dialect of `probekit.program`.

Everything here is from memory of the standard: statements, order of parameters, words. What a file holds beyond that is
named and left out, never guessed.
"""

from .reading import read
from .results import results

__all__ = ["read", "results"]
