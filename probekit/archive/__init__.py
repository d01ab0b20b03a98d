"""Many parts: a store to which every inspected part is appended, what its history tells, and inspection in batches.

Records are appended and chained by hashes, never changed; parts of different revisions are never taken together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use

if TYPE_CHECKING:
    from .batch import inspect_many
    from .checking import verify
    from .exporting import export, migrate
    from .showing import history_page
    from .store import Archive
    from .telling import history
    from .watching import watch

__all__ = ["Archive", "export", "history", "history_page", "inspect_many", "migrate", "verify", "watch"]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "checking": "verify",
            "exporting": "export migrate",
            "batch": "inspect_many",
            "showing": "history_page",
            "store": "Archive",
            "telling": "history",
            "watching": "watch",
        },
    )
