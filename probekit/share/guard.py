"""What every request passes, and what every reply bears."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Iterable

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ..settle.answers import LONGEST_ANSWER

__all__ = ["Guard", "Rate", "RefusedError", "body_of", "check_origin", "refusal"]

LONGEST_BODY = LONGEST_ANSWER  # bytes
PATIENCE = 10.0  # seconds for a body to arrive

_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
)
_CLOSED = b"default-src 'none'; frame-ancestors 'none'"


class RefusedError(Exception):
    """A request that is not served, with the status and what is said."""

    def __init__(self, status: int, told: str, **headers: str) -> None:
        super().__init__(told)
        self.status, self.told, self.headers = status, told, headers


def refusal(error: RefusedError) -> JSONResponse:
    """The reply to it."""
    return JSONResponse({"error": error.told}, error.status, headers=error.headers)


class Guard:
    """Headers on every reply, and no request but to the names by which this server is called.

    Parameters
    ----------
    app : ASGI application
    hosts : iterable of str
        Values of the Host header that are served; any if empty.
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str] = ()) -> None:
        self._app, self._hosts = app, {host.lower() for host in hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                named = {name.lower() for name, _ in message["headers"]}
                more = [one for one in _HEADERS if one[0] not in named]
                if b"content-security-policy" not in named:
                    more.append((b"content-security-policy", _CLOSED))
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        host = Request(scope).headers.get("host", "").lower()
        if self._hosts and host not in self._hosts:
            await refusal(RefusedError(421, "this server has another name"))(scope, receive, guarded)
            return
        await self._app(scope, receive, guarded)


def check_origin(request: Request, secure: bool) -> None:
    """Refuse what another site's page sends: by Sec-Fetch-Site, and by Origin, one of which every browser sends.

    Raises
    ------
    RefusedError
    """
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    own = f"{'https' if secure else 'http'}://{request.headers.get('host', '')}".lower()
    if (site is None and origin is None) or (site or "same-origin") != "same-origin":
        raise RefusedError(403, "this was sent by another site")
    if origin is not None and origin.lower() != own:
        raise RefusedError(403, "this was sent by another site")


async def body_of(request: Request) -> bytes:
    """The body of a request that sends JSON, of bounded length and in bounded time.

    Raises
    ------
    RefusedError
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json" or "content-encoding" in request.headers:
        raise RefusedError(415, "JSON is expected")
    stated = request.headers.get("content-length", "0")
    if not stated.isdigit() or len(stated) > 9 or int(stated) > LONGEST_BODY:
        raise RefusedError(413, f"at most {LONGEST_BODY} bytes")
    found = bytearray()
    try:
        async with asyncio.timeout(PATIENCE):
            async for chunk in request.stream():
                found += chunk
                if len(found) > LONGEST_BODY:
                    raise RefusedError(413, f"at most {LONGEST_BODY} bytes")
    except TimeoutError:
        raise RefusedError(408, "the request did not arrive in time") from None
    except ClientDisconnect:
        raise RefusedError(400, "the request broke off") from None
    return bytes(found)


class Rate:
    """At most so many a minute for each key."""

    def __init__(self, most: int) -> None:
        self._most, self._times = most, dict[str, deque[float]]()

    def check(self, key: str) -> None:
        """Count one.

        Raises
        ------
        RefusedError
        """
        times, at = self._times.setdefault(key, deque()), time.monotonic()
        while times and times[0] < at - 60:
            times.popleft()
        if len(times) >= self._most:
            raise RefusedError(429, f"at most {self._most} a minute", **{"Retry-After": "60"})
        times.append(at)
