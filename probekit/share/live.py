"""Answers as they come: events for all who look at a page (server-sent events)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

from ..settle.answers import Answer
from .guard import RefusedError
from .links import Link

__all__ = ["Hub"]

MOST, MOST_OF_A_LINK = 500, 300
BEAT = 10.0  # seconds between signs of life; a link that no longer holds is noticed by then
_WAITING = 200  # events that a slow reader may be behind; then it is cut off, and comes again


@dataclass(eq=False)
class _Listener:
    pages: frozenset[str]
    link: str
    queue: asyncio.Queue[str | None] = field(default_factory=lambda: asyncio.Queue(_WAITING))


class Hub:
    """Those who listen; to be used in the event loop alone."""

    def __init__(self) -> None:
        self._listeners: set[_Listener] = set()

    def __len__(self) -> int:
        return len(self._listeners)

    def tell(self, number: int, answer: Answer) -> None:
        """Tell an answer to all who look at its page."""
        text = _event(number, answer)
        for one in [one for one in self._listeners if answer.page in one.pages]:
            self._put(one, text)

    def end(self, link: str = "") -> None:
        """End the streams of a link, or all."""
        for one in [one for one in self._listeners if not link or one.link == link]:
            self._put(one, None)

    def listen(
        self,
        pages: frozenset[str],
        link: Link,
        backlog: Callable[[], list[tuple[int, Answer]]],
        valid: Callable[[], bool],
    ) -> AsyncIterator[str]:
        """A stream of events: what was missed, then what comes.

        Parameters
        ----------
        pages : frozenset of str
            Hashes of the pages.
        link : Link
            By which they are looked at.
        backlog : callable
            Numbers and answers that were missed; asked when the stream begins.
        valid : callable
            Whether the link still holds.

        Raises
        ------
        RefusedError
            If too many listen.
        """
        own = sum(one.link == link.id for one in self._listeners)
        if len(self._listeners) >= MOST or own >= MOST_OF_A_LINK:
            raise RefusedError(503, "too many look at these pages at once", **{"Retry-After": "30"})
        return self._stream(_Listener(pages, link.id), backlog, valid)

    async def _stream(
        self, one: _Listener, backlog: Callable[[], list[tuple[int, Answer]]], valid: Callable[[], bool]
    ) -> AsyncIterator[str]:
        self._listeners.add(one)
        missed = [_event(*each) for each in backlog()]  # nothing can come between this line and the one above
        try:
            yield "retry: 1500\n\n"
            for each in missed:
                yield each
            while True:
                text: str | None
                try:
                    text = await asyncio.wait_for(one.queue.get(), BEAT)
                except TimeoutError:
                    text = ": here\n\n"
                if text is None or not valid():
                    return
                yield text
        finally:
            self._listeners.discard(one)

    def _put(self, one: _Listener, text: str | None) -> None:
        try:
            one.queue.put_nowait(text)
        except asyncio.QueueFull:
            while not one.queue.empty():  # it comes again and asks for what it missed
                one.queue.get_nowait()
            one.queue.put_nowait(None)


def _event(number: int, answer: Answer) -> str:
    return f"id: {number}\nevent: answer\ndata: {json.dumps(answer.data)}\n\n"
