"""The process that `probekit.nominal.apart` starts: ``python -m probekit.nominal.apart_jobs FOLDER``."""

from __future__ import annotations

import faulthandler
import json
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from ..errors import InputError, ProbekitError
from .apart import NO_MEMORY
from .exact.kernel import MissingKernelError

__all__ = ["JOBS", "main"]

_SPARE = 12_000_000  # address space of a thread: its stack and more [bytes]


def main(folder: Path) -> int:
    """Do the job that is described in a folder, and leave there what it came to."""
    line = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)  # what a library prints is no progress
    faulthandler.enable()  # on a crash the stack of the calls goes into the log
    asked = json.loads((folder / "job.json").read_text(encoding="utf-8"))
    job = JOBS[asked.pop("job")]
    _limit(asked.pop("megabytes"), asked.pop("seconds"), job)
    path = Path(asked.pop("path"))
    try:
        told = job(path, folder, _teller(line), **asked)
    except Exception as error:
        traceback.print_exc()
        told = {"error": _described(error, path)}
    half = folder / "told.part"
    half.write_text(json.dumps(told), encoding="utf-8")
    os.replace(half, folder / "told.json")
    return 0


def _limit(megabytes: float, seconds: float, job: Callable[..., Any]) -> None:
    """Limit the address space beyond what the libraries take, and the time of the processor, where the system can."""
    try:
        import resource
    except ImportError:  # Windows
        return
    if job is _mesh:
        import trimesh.exchange.load  # noqa: F401
    else:
        from .exact.kernel import kernel

        try:
            kernel("STEPCAFControl", "BRepMesh")
        except MissingKernelError:
            return  # the job says so
    statm = Path("/proc/self/statm")
    if statm.exists():
        mapped = int(statm.read_bytes().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        _lower(resource, resource.RLIMIT_AS, mapped + int(megabytes * 1e6) + (os.cpu_count() or 1) * _SPARE)
    _lower(resource, resource.RLIMIT_CPU, int(seconds * (os.cpu_count() or 1)) + 10)  # if nobody is left to stop it
    _lower(resource, resource.RLIMIT_CORE, 0)


def _lower(resource: Any, which: int, limit: int) -> None:
    hard = resource.getrlimit(which)[1]
    if hard == resource.RLIM_INFINITY or limit < hard:
        resource.setrlimit(which, (limit, hard))


def _teller(line: TextIO) -> Callable[[str, float], None]:
    def tell(step: str, done: float) -> None:
        line.write(json.dumps([step, done]) + "\n")
        line.flush()

    return tell


def _described(error: Exception, path: Path) -> dict[str, Any]:
    """An error as JSON has it."""
    about: BaseException | None = error
    while about is not None:
        if isinstance(about, MemoryError) or any(word in str(about) for word in NO_MEMORY):
            return {"kind": "memory"}
        about = about.__cause__ or about.__context__
    if isinstance(error, InputError):
        found = error.found if error.found is None or isinstance(error.found, str | int | float) else str(error.found)
        texts = {
            key: None if (value := getattr(error, key)) is None else str(value)
            for key in ("file", "column", "expected", "todo")
        }
        return {"kind": "InputError", "what": error.what, "line": error.line, "found": found, **texts}
    if isinstance(error, MissingKernelError):
        return {"kind": "MissingKernelError", "what": str(error)}
    found = str(error) if isinstance(error, ProbekitError) else f"{type(error).__name__}: {error}"
    return {
        "kind": "InputError",
        "what": "the model cannot be read",
        "file": str(path),
        "found": found,
        "todo": "Export it again.",
    }


def _mesh(path: Path, folder: Path, _tell: Callable[[str, float], None]) -> dict[str, Any]:
    from .mesh_files import parsed

    vertices, facets, unit = parsed(path, path.read_bytes())
    for name, array in (("vertices", vertices), ("facets", facets)):
        np.save(folder / f"{name}.npy", array, allow_pickle=False)
    return {"unit": unit}


def _step(
    path: Path,
    folder: Path,
    tell: Callable[[str, float], None],
    *,
    checksum: str,
    deflection: float | None,
    body: str | None,
    name: str,
    place: str,
) -> dict[str, Any]:
    """Read a STEP file and keep its exact model: in the folder of the cache or, if that cannot be, in the temporary."""
    from .exact import stored
    from .from_step import read_here

    kept_in = Path(place) if place else None
    brep, problem, kept = read_here(path, name, kept_in, tell, checksum=checksum, deflection=deflection, body=body)
    if not kept:
        stored.keep(brep, name, path.name, folder)
    return {"place": place if kept else "", "problem": problem}


def _pmi(
    path: Path,
    folder: Path,
    _tell: Callable[[str, float], None],
    *,
    body: str | None,
    sha256: str,
    names: list[str],
    exact: bool,
) -> dict[str, Any]:
    """Read the tolerances that a STEP file carries; its facets and exact model, if it has one, lie in the folder."""
    from .exact import stored
    from .exact.pmi import read_pmi
    from .model import Nominal

    brep = stored.fetch("model", folder)
    mesh = (np.load(folder / f"{name}.npy", allow_pickle=False) for name in ("vertices", "facets", "group"))
    part = Nominal(*mesh, tuple(names), source=str(path), sha256=sha256, brep=brep)
    if (brep is not None) == exact:
        stored.keep(read_pmi(path, part, body=body), "pmi", path.name, folder)
    return {}


JOBS: dict[str, Callable[..., dict[str, Any]]] = {"mesh": _mesh, "step": _step, "pmi": _pmi}

if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
