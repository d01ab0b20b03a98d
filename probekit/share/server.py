"""The server: one process, bound to this machine alone unless told otherwise."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from ..errors import InputError
from .app import app
from .pages import SharedPage

if TYPE_CHECKING:
    import uvicorn

__all__ = ["address", "listening", "prepared", "serve"]

_LONGEST_HEAD = 16_384  # bytes of the headers of a request


def serve(pages: Mapping[str, SharedPage], log: str | Path, listener: socket.socket, *, url: str = "") -> None:
    """Serve pages until the process is asked to end.

    Parameters
    ----------
    pages : mapping
        From `probekit.share.pages.pages_of`.
    log : str or Path
        The log.
    listener : socket
        From `listening`.
    url : str
        How it is reached from outside, through a reverse proxy; if that is https, cookies go over TLS alone.
    """
    prepared(pages, log, listener, url=url).run(sockets=[listener])


def prepared(
    pages: Mapping[str, SharedPage], log: str | Path, listener: socket.socket, *, url: str = ""
) -> uvicorn.Server:
    """The server, not yet running; the parameters are those of `serve`."""
    import uvicorn

    application = app(pages, log, hosts=_hosts(listener, url), secure=url.startswith("https://"))
    config = uvicorn.Config(
        application,
        log_level="warning",
        access_log=False,  # an address may tell who looks at what
        server_header=False,
        proxy_headers=False,
        ws="none",
        http="h11",
        loop="asyncio",
        lifespan="on",
        timeout_keep_alive=10,
        timeout_graceful_shutdown=2,
        limit_concurrency=1000,
        h11_max_incomplete_event_size=_LONGEST_HEAD,
    )
    return uvicorn.Server(config)


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens.

    Parameters
    ----------
    host : str
        Address of this machine; 127.0.0.1 is reached from it alone.
    port : int
        0 for any that is free.

    Raises
    ------
    InputError
        If that cannot be had.
    """
    if not 0 <= port <= 65535:
        raise InputError("there is no such port", column="port", found=port, expected="0 to 65535")
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=family, backlog=512)
    except OSError as error:
        raise InputError(
            f"nothing can be served at {host}, port {port} ({getattr(error, 'strerror', None) or error})",
            todo="Choose another port with --port; is it served already?",
        ) from None


def address(host: str, port: int, url: str = "") -> str:
    """Where the pages are reached, without a slash at its end.

    Raises
    ------
    InputError
        If the URL is none.
    """
    if url:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.path not in ("", "/") or parts.query:
            raise InputError("not an address of a server", column="url", found=url, expected="https://name.of.the.host")
        return f"{parts.scheme}://{parts.netloc}".lower()
    if host in ("0.0.0.0", "::"):
        host = socket.gethostname()
    return f"http://{f'[{host}]' if ':' in host else host}:{port}"


def _hosts(listener: socket.socket, url: str) -> tuple[str, ...]:
    """Names by which this server may be called; any if it is open to the network and was told no URL."""
    host, port = listener.getsockname()[:2]
    named = [urlsplit(url).netloc.lower()] if url else []
    if ipaddress.ip_address(host.partition("%")[0]).is_loopback:
        return (*named, *(f"{name}:{port}" for name in ("localhost", "127.0.0.1", "[::1]")))
    return tuple(named)
