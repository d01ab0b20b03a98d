"""Functions that are asked the same thing again: the last answers are kept, by the content of what was asked.

One bore is fitted by its size, its position, each segment of a composite tolerance and once more for the play of each
datum, always to the same touches. Only for functions that depend on their arguments alone and whose answer nobody can
change.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache, wraps
from typing import Any, TypeVar

import numpy as np

__all__ = ["remembered"]

_Answer = TypeVar("_Answer")


class _Asked:
    """Arguments that are equal if all their numbers are, to the bit."""

    def __init__(self, given: tuple[Any, ...], named: Mapping[str, Any]) -> None:
        self.given, self.named = given, named
        self.content = _content((given, named))

    def released(self) -> tuple[tuple[Any, ...], Mapping[str, Any]]:
        """The arguments, which are not kept with the answer: an array may be a view of a much larger one."""
        kept = self.given, self.named
        self.given, self.named = (), {}
        return kept

    def __hash__(self) -> int:
        return hash(self.content)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Asked) and self.content == other.content


def remembered(most: int) -> Callable[[Callable[..., _Answer]], Callable[..., _Answer]]:
    """Keep the last `most` answers of a function of arrays, mappings, numbers and words. Errors are not kept."""

    def made(function: Callable[..., _Answer]) -> Callable[..., _Answer]:
        answer = lru_cache(maxsize=most)(lambda asked: function(*(given := asked.released())[0], **given[1]))

        @wraps(function)
        def again(*given: Any, **named: Any) -> _Answer:
            return answer(_Asked(given, named))

        return again

    return made


def _content(value: Any) -> Any:
    """What can be compared and hashed: of an array its bytes, with what they stand for."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if isinstance(value, Mapping):
        return tuple((key, _content(value[key])) for key in sorted(value))
    if isinstance(value, list | tuple):
        return type(value).__name__, tuple(_content(one) for one in value)
    return type(value).__name__, repr(value) if isinstance(value, float) else value
