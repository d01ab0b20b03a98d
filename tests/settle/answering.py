"""Answers for the tests, invented here."""

from __future__ import annotations

from probekit.settle.answers import Answer, Comment

NAUGHTY = "</script><script>window.hurt=1</script><b>bold</b> \"'&lt; =1+1 \u2028 \\u003c \\1 \U0001f527"


def answer(of_page, who="A. Novak", what="re-cut", minute=0, **more) -> Answer:
    """An answer to a page, at a minute of an hour."""
    of = {
        "page": of_page.hash,
        "edition": of_page.edition,
        "role": "quality",
        "reason": "0.03 mm left on the skin",
    } | more
    of["reason"] = of["reason"] if what else ""
    return Answer(name=who, date=f"2026-11-29T22:{minute:02d}:00Z", disposition=what, **of)


COMMENTS = (
    Comment("touch", "7", "a chip?"),
    Comment("part", "", NAUGHTY),
    Comment("region", "1", "line one\nline two"),
)
