"""A number and its verb agree: two tolerances conform, one conforms."""

from __future__ import annotations

import pytest

from probekit.verdict.words import counted


@pytest.mark.parametrize(
    ("count", "word", "said"),
    [
        (1, "conforms", "1 conforms"),
        (2, "conforms", "2 conform"),
        (1, "does not conform", "1 does not conform"),
        (3, "does not conform", "3 do not conform"),
        (2, "undecided", "2 undecided"),
    ],
)
def test_number_and_verb_agree(count: int, word: str, said: str) -> None:
    assert counted(count, word) == said
