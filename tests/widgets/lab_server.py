"""A real JupyterLab on this machine, shut off from the world, for the browser tests."""

from __future__ import annotations

import json
import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import nbformat


@contextmanager
def running(folder: Path, cells: list[str], patience: float = 180.0) -> Iterator[str]:
    """Serve a notebook with these code cells; gives the address to open."""
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    work, settings = folder / "work", folder / "settings"
    work.mkdir()
    nbformat.write(notebook, work / "view.ipynb")
    (settings / "config" / "labconfig").mkdir(parents=True)
    (settings / "config" / "labconfig" / "page_config.json").write_text(
        json.dumps({"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}), encoding="utf-8"
    )
    places = {"CONFIG": "config", "DATA": "data", "RUNTIME": "runtime"}
    environment = os.environ | {f"JUPYTER_{name}_DIR": str(settings / place) for name, place in places.items()}
    environment |= {"IPYTHONDIR": str(settings / "ipython"), "JUPYTER_PREFER_ENV_PATH": "0"}
    environment |= {f"JUPYTERLAB_{name}_DIR": str(settings / name.lower()) for name in ("SETTINGS", "WORKSPACES")}
    environment["PYTHONPATH"] = os.pathsep.join([str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")])
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ServerApp.ip=127.0.0.1"]
    command += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={work}"]
    command += [f"--IdentityProvider.token={token}", "--LabApp.news_url=None", "--LabApp.extension_manager=readonly"]
    command += ["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    log = folder / "server.log"
    with log.open("w", encoding="utf-8") as out:
        server = subprocess.Popen(command, env=environment, cwd=work, stdout=out, stderr=subprocess.STDOUT)
        try:
            _wait(f"http://127.0.0.1:{port}/api?token={token}", server, log, patience)
            yield f"http://127.0.0.1:{port}/lab/tree/view.ipynb?token={token}"
        finally:
            server.terminate()
            try:
                server.wait(60)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


def _wait(address: str, server: subprocess.Popen, log: Path, patience: float) -> None:
    last = time.monotonic() + patience
    while time.monotonic() < last and server.poll() is None:
        try:
            with urllib.request.urlopen(address, timeout=10):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise RuntimeError("JupyterLab did not start:\n" + log.read_text(encoding="utf-8")[-2000:])
