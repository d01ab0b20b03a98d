"""A shared folder, in this process for the routes and in one of its own for what happens between processes."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from scene import synthetic

from probekit import report
from probekit import scene as pk_scene

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from probekit.share import new_link
from probekit.share.log import Log


@pytest.fixture(scope="session")
def made(tmp_path_factory) -> dict[str, bytes]:
    """Two pages, as bytes. Do not change them."""
    folder, found = tmp_path_factory.mktemp("pages"), {}
    for name, touches in (("one", 30), ("two", 24)):
        nominal = synthetic.part(6)
        verdict = synthetic.verdict(nominal, touches)
        scene = pk_scene.build(nominal, verdict, title=f"Invented <part> {name} & $co")
        found[f"{name}.html"] = report.page(scene, verdict, to=folder / f"{name}.html").read_bytes()
    return found


@pytest.fixture
def folder(made, tmp_path) -> Path:
    """A folder with both."""
    for name, data in made.items():
        (tmp_path / name).write_bytes(data)
    return tmp_path


class Process:
    """`probekit share` in a process of its own."""

    def __init__(self, folder: Path, port: int = 0) -> None:
        with socket.create_server(("127.0.0.1", port)) as free:
            self.port = free.getsockname()[1]
        self.folder, self.url = folder, f"http://127.0.0.1:{self.port}"
        self.start()

    def start(self) -> None:
        self.running = subprocess.Popen(
            [sys.executable, "-m", "probekit.cli", "share", str(self.folder), "--port", str(self.port)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        end = time.monotonic() + 60
        while True:
            try:
                with urllib.request.urlopen(self.url, timeout=5):
                    return
            except OSError:
                if self.running.poll() is not None or time.monotonic() > end:
                    raise AssertionError(f"it does not serve: {self.running.stderr.read()}") from None
                time.sleep(0.05)

    def kill(self) -> None:
        """As -9 does, without a chance to tidy up."""
        self.running.kill()
        self.running.communicate()

    def link(self, name: str, role: str = "", **more) -> str:
        """A new link, once the server knows of it."""
        log, (token, body) = Log(self.folder / "answers.sqlite"), new_link(name, role, **more)
        log.append("link", body)
        log.close()
        time.sleep(0.7)  # it looks twice a second
        return f"{self.url}/#k={token}"

    def invited(self, name: str, role: str) -> str:
        """The same by the command, while it serves."""
        command = ["share", str(self.folder), "--port", str(self.port), "--invite", name, "--role", role]
        done = subprocess.run(
            [sys.executable, "-m", "probekit.cli", *command], capture_output=True, text=True, check=True
        )
        time.sleep(0.7)
        (found,) = re.findall(r"http://\S+", done.stdout)
        return found


@pytest.fixture
def server(folder):
    one = Process(folder)
    yield one
    one.kill()
