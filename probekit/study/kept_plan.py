"""A plan that stands: what planning was computed from, by checksum, and its outcome as JSON beside the plan.

`probekit plan`, `program` and `simulate` plan the same touches. The outcome of planning (what reach found of each
target, and the route) is kept as plan.json with the checksum of all that planning takes: the model, the fixtures, the
tables that say what to touch, with which probe, on which machine. A later command takes it if that checksum is the
same. Dialect, milling program and the errors of the virtual machine are no part of it: what depends on them is always
made again, the checks of the program included.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import __version__, cache
from ..making import tuples
from ..nominal.exact.stored import kernel_version
from .places import inputs_of

if TYPE_CHECKING:
    from ..plan.route.route import Route
    from .model import Study

__all__ = ["described", "from_json", "inputs_sum", "plain", "table_of", "to_json"]

#: Tables of a study that planning takes, and the files that they name.
_TABLES = ("part", "plan", "stylus", "machine", "reach", "pace", "phase")
_FILES = ("part.model", "stylus.qualification.file", "reach.fixtures", "plan.earlier")
_MADE_BY = tuple(Path(__file__).parents[1] / name for name in ("plan", "nominal", "study", "field", "geometry.py"))


def inputs_sum(study: Study, only: str | Path | None = None) -> str:
    """SHA-256 of all that planning takes: tables, contents of files, the kernel's version, the source of what plans.

    Parameters
    ----------
    study : Study
    only : str or Path, optional
        A plan in place of ``[[plan]]``.
    """
    tables = {name: study.settings[name] for name in _TABLES if name in study.settings}
    files = {what: path for what, path in inputs_of(study).items() if what.split(",")[0] in _FILES}
    tables["agree"] = study.settings.get("program", {}).get("agree")  # one place is then touched in two poses
    if "phase" in tables:  # whether the control decides changes the distances
        tables["dialect"] = study.settings.get("program", {}).get("dialect")
        files |= {what: path for what, path in inputs_of(study).items() if what == "program.dialect"}
    if only is not None:
        files["only"] = Path(only)
        tables.pop("plan", None)
    sums = {what: hashlib.sha256(path.read_bytes()).hexdigest() for what, path in sorted(files.items())}
    made_by = (__version__, kernel_version(), cache.source_of(*_MADE_BY))
    text = json.dumps([*made_by, tables, sums], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def to_json(targets: pd.DataFrame, route: Route, inputs: str) -> bytes | None:
    """The outcome of planning as a file holds it; None if a column cannot be written as JSON.

    Parameters
    ----------
    targets : DataFrame
        All targets, with what reach found of each.
    route : Route
    inputs : str
        Of `inputs_sum`.
    """
    whole = {
        "inputs": inputs,
        "targets": described(targets),
        "route": {
            "targets": described(route.targets),
            "left_out": described(route.left_out),
            "poses": route.poses,
            "starts": route.starts.tolist(),
            "ways": [[asdict(leg) for leg in way] for way in route.ways],
            "leaving": [[asdict(leg) for leg in way] for way in route.leaving],
            "indexed": route.indexed.tolist(),
            "height": route.height,
            "clear_height": route.clear_height,
            "pace": asdict(route.pace),
            "time": asdict(route.time),
        },
    }
    try:
        return json.dumps(whole, separators=(",", ":"), default=plain).encode() + b"\n"
    except TypeError:
        return None


def from_json(content: bytes, inputs: str) -> tuple[pd.DataFrame, Route] | None:
    """Targets and route that were kept, if they were made of the same; else None, and what cannot be read is None, too.

    Parameters
    ----------
    content : bytes
    inputs : str
        Of `inputs_sum`, for what is wanted now.
    """
    from ..plan.route.pace import CycleTime, Leg, Pace  # an inspection, which reads targets alone, needs none of them
    from ..plan.route.route import Route

    try:
        read = json.loads(content)
        if read["inputs"] != inputs:
            return None
        route = read["route"]
        legs = {
            name: tuple(tuple(Leg(**one | {"to": tuple(one["to"])}) for one in way) for way in route[name])
            for name in ("ways", "leaving")
        }
        return table_of(read["targets"]), Route(
            targets=table_of(route["targets"]),
            left_out=table_of(route["left_out"]),
            poses=tuples(route["poses"]),
            starts=np.array(route["starts"], dtype=float).reshape(-1, 3),
            indexed=np.array(route["indexed"], dtype=bool),
            height=route["height"],
            clear_height=route["clear_height"],
            pace=Pace(**route["pace"]),
            time=CycleTime(**route["time"]),
            **legs,
        )
    except (ValueError, TypeError, KeyError, AttributeError):
        return None


def described(table: pd.DataFrame) -> dict[str, Any]:
    """A table as JSON holds it: index, columns with their types, attributes."""
    return {
        "index": table.index.tolist(),
        "columns": {str(name): [str(table[name].dtype), table[name].tolist()] for name in table},
        "attrs": table.attrs,
    }


def table_of(node: dict[str, Any]) -> pd.DataFrame:
    """The table that `described` made JSON of."""
    index = node["index"]
    columns = {
        name: pd.Series(tuples(values), index=index, dtype=dtype) for name, (dtype, values) in node["columns"].items()
    }
    table = pd.DataFrame(columns, index=index)
    table.attrs = tuples(node["attrs"])
    return table


def plain(value: Any) -> Any:
    """A number of NumPy as one of Python, for JSON; TypeError for anything else."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(type(value).__name__)
