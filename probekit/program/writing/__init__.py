"""Program text out: moves of a route, dialects, and the text itself."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
