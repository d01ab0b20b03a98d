"""A real JupyterLab on this machine, shut off from the world, for the browser tests."""

from __future__ import annotations

import json
import os
import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import nbformat
from serving import environment, free_port, serving


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
    env = environment(**{f"JUPYTER_{name}_DIR": str(settings / place) for name, place in places.items()})
    env |= {"IPYTHONDIR": str(settings / "ipython"), "JUPYTER_PREFER_ENV_PATH": "0"}
    env |= {f"JUPYTERLAB_{name}_DIR": str(settings / name.lower()) for name in ("SETTINGS", "WORKSPACES")}
    port, token = free_port(), secrets.token_hex(16)
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ServerApp.ip=127.0.0.1"]
    command += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={work}"]
    command += [f"--IdentityProvider.token={token}", "--LabApp.news_url=None", "--LabApp.extension_manager=readonly"]
    command += ["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    address = f"http://127.0.0.1:{port}/api?token={token}"
    with serving(command, address, env=env, log=folder / "server.log", cwd=work, patience=patience):
        yield f"http://127.0.0.1:{port}/lab/tree/view.ipynb?token={token}"
