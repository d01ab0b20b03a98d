"""The order of touching, the ways between, and the time they take."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
