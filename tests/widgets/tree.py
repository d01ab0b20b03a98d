"""What stands in a tree of widgets."""

from __future__ import annotations


def inside(widget, kind):
    """All widgets of a kind in a widget and its children."""
    found, queue = [], [widget]
    while queue:
        one = queue.pop()
        found += [one] if isinstance(one, kind) else []
        queue += getattr(one, "children", ())
    return found
