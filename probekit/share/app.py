"""The shared pages as a web application: routes, and the one thread that writes."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from ..errors import InputError
from ..settle import merge
from ..settle.answers import answers_from
from . import screens
from .guard import Guard, Rate, RefusedError, body_of, check_origin, refusal
from .links import Link, State
from .live import Hub
from .log import BusyError, Entry, Log, TamperedError
from .pages import ChangedError, SharedPage, share_tag

__all__ = ["app"]

_POLL = 0.5  # seconds between looks at what another program wrote: new links, and links that were revoked
_ANSWERS_A_MINUTE = 30  # by one link
_KEPT = 6  # pages that are kept as they are served

Handler = Callable[[Request], Awaitable[Response]]


class _Shop:
    """What the routes work on."""

    def __init__(self, pages: Mapping[str, SharedPage], path: Path, secure: bool) -> None:
        self.pages, self.path, self.secure = pages, path, secure
        self.state, self.hub, self.rate = State(), Hub(), Rate(_ANSWERS_A_MINUTE)
        self.broken = ""
        self._log: Log | None = None
        self._writer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="log")
        self._kept: dict[str, tuple[int, tuple[str, str]]] = {}
        self._reading = asyncio.Lock()

    @property
    def log(self) -> Log:
        assert self._log is not None, "the application has not been started"
        return self._log

    @asynccontextmanager
    async def running(self, _: Starlette) -> AsyncIterator[None]:
        loop = asyncio.get_running_loop()

        def heard(entry: Entry) -> None:  # in the writer's thread; the loop takes entries in their order
            loop.call_soon_threadsafe(self._hear, entry)

        self._log = await loop.run_in_executor(self._writer, Log, self.path, heard)
        polling = asyncio.create_task(self._poll())
        try:
            yield
        finally:
            polling.cancel()
            self.hub.end()
            with suppress(asyncio.CancelledError):
                await polling
            await loop.run_in_executor(self._writer, self.log.close)
            self._writer.shutdown()

    async def write(self, kind: str, body: Mapping[str, Any]) -> Entry:
        """Add an entry, in the one thread that writes; it has been heard once this returns."""
        try:
            return await asyncio.get_running_loop().run_in_executor(self._writer, self.log.append, kind, body)
        except BusyError:
            raise RefusedError(503, "the log is busy; try again", **{"Retry-After": "3"}) from None
        except TamperedError as error:
            self.broken = str(error)
            raise RefusedError(503, "the log was changed; nothing was written") from None
        except InputError:
            raise RefusedError(503, "the log cannot be written to; nothing was written") from None

    async def html(self, one: SharedPage) -> tuple[int, tuple[str, str]]:
        """Number of the last answer that the page holds, and the page; made once for each state of its answers."""
        async with self._reading:
            given = self.state.answers.get(one.page.hash, [])
            last = given[-1][0] if given else 0
            if one.id not in self._kept or self._kept[one.id][0] != last:
                made = await asyncio.to_thread(one.served, [answer for _, answer in given])
                self._kept.pop(one.id, None)
                while len(self._kept) >= _KEPT:
                    self._kept.pop(next(iter(self._kept)))
                self._kept[one.id] = (last, made)
            return self._kept[one.id]

    def _hear(self, entry: Entry) -> None:
        self.state.hear(entry)
        if entry.kind == "answer":
            page = entry.body["answer"]["page"]
            self.hub.tell(entry.number, self.state.answers[page][-1][1])
        elif entry.kind == "revoked":
            self.hub.end(entry.body["id"])

    async def _poll(self) -> None:
        while not self.broken:
            await asyncio.sleep(_POLL)
            with suppress(BusyError):  # the writer will be done by the next look
                try:
                    await asyncio.get_running_loop().run_in_executor(self._writer, self.log.refresh)
                except (TamperedError, InputError) as error:
                    self.broken = str(error)
        self.hub.end()


def app(
    pages: Mapping[str, SharedPage], log: str | Path, *, hosts: Iterable[str] = (), secure: bool = False
) -> ASGIApp:
    """The application.

    Parameters
    ----------
    pages : mapping
        From `probekit.share.pages.pages_of`.
    log : str or Path
        The log; made if need be.
    hosts : iterable of str
        Values of the Host header that are served; any if empty.
    secure : bool
        Whether a reverse proxy serves this over TLS: cookies are then sent over TLS alone.

    Returns
    -------
    ASGI application
        To be run in one process.
    """
    shop = _Shop(pages, Path(log), secure)
    routes = [
        Route("/", _answered(shop, _index)),
        Route("/enter", _answered(shop, _enter), methods=["POST"]),
        Route("/me", _answered(shop, _me)),
        Route("/events", _answered(shop, _events)),
        Route("/p/{page}", _answered(shop, _page)),
        Route("/p/{page}/answers", _answered(shop, _answer), methods=["POST"]),
        Route("/p/{page}/events", _answered(shop, _events)),
    ]
    return Guard(Starlette(routes=routes, lifespan=shop.running), hosts)


def _answered(shop: _Shop, handler: Callable[[_Shop, Request], Awaitable[Response]]) -> Handler:
    async def endpoint(request: Request) -> Response:
        try:
            if shop.broken:
                raise RefusedError(503, "the log of these pages was changed: whoever shares them must look at it")
            return await handler(shop, request)
        except RefusedError as error:
            return refusal(error)

    return endpoint


def _cookie(shop: _Shop, request: Request) -> str:
    """Name of the cookie: another for each port, since cookies do not know of ports."""
    port = request.headers.get("host", "").rpartition(":")[2]
    return ("__Host-" if shop.secure else "") + f"probekit-{port if port.isdigit() else '0'}"


def _link(shop: _Shop, request: Request) -> Link | None:
    return shop.state.link(request.cookies.get(_cookie(shop, request), ""))


def _seen(shop: _Shop, request: Request) -> tuple[Link, SharedPage]:
    """Whose request this is and the page that it names; an unknown page and one that is not shown are the same."""
    link = _link(shop, request)
    if link is None:
        raise RefusedError(401, "open the link that you were given")
    one = shop.pages.get(request.path_params["page"])
    if one is None or not link.shows(one.name):
        raise RefusedError(404, "there is no such page")
    return link, one


async def _index(shop: _Shop, request: Request) -> Response:
    link = _link(shop, request)
    if link is None:
        return HTMLResponse(screens.entry(), headers=screens.ENTRY_HEADERS)
    shown = [one for one in shop.pages.values() if link.shows(one.name)]
    settled = [merge(one.page, [answer for _, answer in shop.state.answers.get(one.page.hash, [])]) for one in shown]
    return HTMLResponse(
        screens.index(link, list(zip(shown, settled, strict=True)), shop.state.last), headers=screens.INDEX_HEADERS
    )


async def _enter(shop: _Shop, request: Request) -> Response:
    check_origin(request, shop.secure)
    try:
        found = json.loads(await body_of(request))
    except (ValueError, RecursionError):
        found = None
    token = found.get("token") if isinstance(found, dict) else None
    link = shop.state.link(token) if isinstance(token, str) and len(token) < 100 else None
    if link is None or not isinstance(token, str):
        raise RefusedError(403, "this link is not valid: it was mistyped, has expired, or was revoked")
    reply = JSONResponse({"name": link.name})
    reply.set_cookie(_cookie(shop, request), token, httponly=True, samesite="strict", secure=shop.secure, path="/")
    return reply


async def _me(shop: _Shop, request: Request) -> Response:
    link = _link(shop, request)
    if link is None:
        raise RefusedError(401, "open the link that you were given")
    return JSONResponse({"name": link.name, "role": link.role, "answers": link.answers})


async def _page(shop: _Shop, request: Request) -> Response:
    if _link(shop, request) is None:
        return HTMLResponse(screens.entry(), 401, headers=screens.ENTRY_HEADERS)
    link, one = _seen(shop, request)
    try:
        last, (before, after) = await shop.html(one)
    except ChangedError as error:
        raise RefusedError(409, f"{error.what}; whoever shares it must share it again") from None
    about = {"page": one.id, "name": link.name, "role": link.role, "answer": link.answers}
    tag = share_tag({**about, "after": last})
    policy = f"{one.policy}; frame-ancestors 'none'"
    return HTMLResponse(before + tag + after, headers={"Content-Security-Policy": policy})


async def _answer(shop: _Shop, request: Request) -> Response:
    check_origin(request, shop.secure)
    link, one = _seen(shop, request)
    if not one.answered:
        raise RefusedError(403, "this page is for reading; the report page of an inspection can be answered")
    if not link.answers:
        raise RefusedError(403, "this link is for reading; ask for an invitation to answer")
    shop.rate.check(link.id)
    body = await body_of(request)
    try:
        (answer,) = answers_from(body.decode("utf-8"), "the answer", alone=True)
        merge(one.page, [answer])
    except (InputError, ValueError) as error:
        raise RefusedError(422, getattr(error, "what", "") or "one answer is expected, as UTF-8 text") from None
    if (answer.name, answer.role) != (link.name, link.role):
        raise RefusedError(403, "the name is not that of the invitation")
    if answer.edition != one.page.edition:
        raise RefusedError(409, "the page was changed: open it again")
    entry = shop.state.received.get(answer.id)
    status = 200 if entry is not None else 201
    if entry is None:
        entry = await shop.write("answer", {"link": link.id, "answer": answer.data})
    return JSONResponse({"number": entry.number, "receipt": entry.hash}, status)


async def _events(shop: _Shop, request: Request) -> Response:
    if request.method == "HEAD":  # nothing that would end
        raise RefusedError(405, "events are read with GET")
    if "page" in request.path_params:
        link, one = _seen(shop, request)
        hashes = frozenset([one.page.hash])
    else:
        found = _link(shop, request)
        if found is None:
            raise RefusedError(401, "open the link that you were given")
        link, hashes = found, frozenset(one.page.hash for one in shop.pages.values() if found.shows(one.name))
    after = request.headers.get("last-event-id") or request.query_params.get("after", "0")
    start = int(after) if after.isascii() and after.isdigit() and len(after) < 16 else 0
    token = request.cookies.get(_cookie(shop, request), "")

    def backlog() -> list[tuple[int, Any]]:
        known = [one for page in hashes for one in shop.state.answers.get(page, []) if one[0] > start]
        return sorted(known, key=lambda one: one[0])

    stream = shop.hub.listen(hashes, link, backlog, lambda: shop.state.link(token) is not None)
    return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
