"""A server of a browser test: started on a free port of this machine, awaited, and stopped at the end."""

from __future__ import annotations

import os
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[1]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def environment(**more: str) -> dict[str, str]:
    """That of this process, in which `probekit` is found, and more."""
    return os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])} | more


@contextmanager
def serving(
    command: list[str],
    address: str,
    *,
    env: dict[str, str],
    log: Path,
    cwd: Path | None = None,
    patience: float = 180.0,
) -> Iterator[None]:
    """Run a server until the end of the block; any answer from the address, an error of HTTP too, says that it runs."""
    with log.open("w", encoding="utf-8") as out:
        server = subprocess.Popen(command, env=env, cwd=cwd, stdout=out, stderr=subprocess.STDOUT)
        try:
            _wait(address, server, log, patience)
            yield
        finally:
            server.terminate()
            try:
                server.wait(60)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


def _wait(address: str, server: subprocess.Popen[bytes], log: Path, patience: float) -> None:
    last = time.monotonic() + patience
    while time.monotonic() < last and server.poll() is None:
        try:
            with urllib.request.urlopen(address, timeout=10):
                return
        except urllib.error.HTTPError:
            return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the server did not start:\n" + log.read_text(encoding="utf-8")[-2000:])
