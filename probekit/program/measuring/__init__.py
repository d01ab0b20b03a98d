"""DMIS programs of coordinate measuring machines, read and checked; nothing here shares code with the writer.

Start reading at `statements`, then `reader`.
"""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
