"""Words of a control that mean a word of RS274/NGC."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ...errors import InputError
from .expressions import Formula
from .modal import group_of, name_of
from .words import Block

__all__ = ["checked", "renamed"]


def renamed(blocks: Sequence[Block], aliases: Mapping[str, str]) -> tuple[Block, ...]:
    """Blocks with a control's own words replaced by those that they mean.

    Parameters
    ----------
    blocks : sequence of Block
    aliases : mapping of str to str
        As for `run`.
    """
    means = {word: (new[0], float(new[1:])) for word, new in checked(aliases).items()}
    if not means:
        return tuple(blocks)

    def own(word: tuple[str, float | Formula]) -> tuple[str, float | Formula]:
        letter, value = word
        return word if isinstance(value, Formula) else means.get(name_of(letter, value), word)

    return tuple(replace(block, words=tuple(map(own, block.words))) for block in blocks)


def checked(aliases: Mapping[str, str]) -> dict[str, str]:
    """Aliases, each for a word that is not known here in place of one that is; else InputError."""
    for word, meaning in aliases.items():
        if group_of(meaning) is None or group_of(word) is not None:
            raise InputError(
                "an alias is a word that is not known here in place of one that is",
                column="aliases",
                found=f"{word}: {meaning}",
                expected='for instance {"G901": "G38.2"}',
            )
    return dict(aliases)
