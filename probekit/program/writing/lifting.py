"""The block that lifts the spindle to where tools are changed: what may be one, and the lines that say it."""

from __future__ import annotations

from ...errors import InputError
from ..reading.modal import name_of
from ..reading.words import Block, parse

__all__ = ["lift_lines", "lifts_among"]

_HOME = frozenset({"G28", "G30"})


def lift_lines(lift: str, words: str = "") -> list[str]:
    """The lines that lift the spindle and leave absolute distances (G90) in force.

    Parameters
    ----------
    lift : str
        One block: ``G0 G53 Z0``, ``G91 G28 Z0``.
    words : str
        Said before it, in the same block; G90 among them is left to the end where the lift is incremental.

    Raises
    ------
    InputError
        For a return to the reference point by way of a place of the program, or of other axes than Z: ``G28 Z0`` under
        G90 goes to Z0 of the work offset first. For another incremental lift: nothing tells how high it ends.
    """
    block = next(iter(parse(lift)), None)
    own = _words(block)
    incremental = "G91" in own
    if own & _HOME:
        axes = [(letter, value) for letter, value in (block.words if block else ()) if letter in "XYZABC"]
        if not incremental or axes != [("Z", 0.0)]:
            raise InputError(
                "the lift would go by way of a place of the program, or move other axes than Z",
                column="lift",
                found=lift,
                expected="G91 G28 Z0, or G0 G53 Z0",
                todo="Under G90 the control goes to Z0 of the work offset first: into the part.",
            )
    elif incremental:
        raise InputError(
            "the lift is incremental: where it ends depends on where it begins",
            column="lift",
            found=lift,
            expected="G0 G53 Z0, or G91 G28 Z0",
        )
    if not incremental:
        return [f"{words} {lift}".strip()]
    before = " ".join(word for word in words.split() if word != "G90")
    return [f"{before} {lift}".strip(), "G90"]


def lifts_among(blocks: tuple[str, ...]) -> tuple[str, ...]:
    """Those of some blocks that lift: that state Z.

    Parameters
    ----------
    blocks : tuple of str
    """
    return tuple(one for one in blocks if any(word[0] == "Z" for block in parse(one) for word in block.words))


def _words(block: Block | None) -> set[str]:
    if block is None:
        return set()
    return {name_of(letter, value) for letter, value in block.words if letter == "G" and isinstance(value, float)}
