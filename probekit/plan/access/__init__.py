"""Whether the probe reaches: its clearance along moves, poses, and the reason where it does not."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
