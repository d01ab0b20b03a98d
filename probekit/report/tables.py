"""Results as tables for other programs: one CSV of the touches, one JSON of everything."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import touches
from ..files import store
from ..tolerance.proving import proof_of, proofs_of

if TYPE_CHECKING:
    from ..action.suggest import Action
    from ..fit.alignment import Alignment
    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["FORMAT", "plain", "records", "tables"]

FORMAT = "probekit results 1"  #: what results.json is; results.schema.json describes it


def plain(value: Any) -> Any:
    """Return `value` as what strict JSON knows: NaN and infinities become None, arrays and tuples lists."""
    if isinstance(value, np.ndarray | tuple | list):
        return [plain(item) for item in (value.tolist() if isinstance(value, np.ndarray) else value)]
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    return None if pd.isna(value) else str(value)


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a table as plain dictionaries."""
    return [plain(row) for row in table.to_dict(orient="records")]


def tables(
    verdict: Verdict,
    *,
    alignment: Alignment | None = None,
    action: Action | None = None,
    provenance: Iterable[tuple[str, str]] = (),
    more: Mapping[str, Any] | None = None,
    to_csv: str | Path | None = None,
    to_json: str | Path | None = None,
) -> dict[str, Any]:
    """Write the results for other programs.

    Parameters
    ----------
    verdict : Verdict
        The judged touches.
    alignment : Alignment, optional
        The alignment that was used.
    action : Action, optional
        What could be done next.
    provenance : iterable of (str, str)
        Label and value of what the results rest on.
    more : mapping, optional
        Further entries of the JSON file, as plain data.
    to_csv : str or Path, optional
        File for the table of touches, as `probekit.touches.write` writes it.
    to_json : str or Path, optional
        File for everything, as strict JSON; what is unknown is null.

    Returns
    -------
    dict
        What the JSON file holds.

    Raises
    ------
    InputError
        If a file cannot be written, or the table lacks what `probekit.touches.write` needs.
    """
    content: dict[str, Any] = {
        "format": FORMAT,
        "units": {"length": "mm", "angle": "degree"},
        "part": verdict.part,
        "reasons": list(verdict.reasons),
        "looks_taken": verdict.looks_taken,
        "second_look": verdict.second_look,
        "rule": {
            name: plain(getattr(verdict.rule, name)) for name in ("name", "sentence", "level", "looks", "k", "r", "U")
        },
        "tolerances": records(verdict.tolerances),
        "evaluations": [_evaluation(e, verdict.table) for e in verdict.evaluations],
        "not_judged": [
            {name: plain(getattr(one, name)) for name in ("name", "kind", "features", "width", "reason", "sentence")}
            for one in verdict.unjudged
        ],
        "features": records(verdict.features),
        "touches": records(verdict.table),
        "measurement": plain(verdict.table.attrs),
        "alignment": None if alignment is None else _alignment(alignment),
        "action": None if action is None else _action(action),
        "provenance": [[str(label), str(value)] for label, value in provenance],
        **(more or {}),
    }
    if to_csv is not None:
        touches.write(_for_file(verdict.table), to_csv)
    if to_json is not None:
        text = json.dumps(content, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        store(to_json, text.encode("utf-8"))
    return content


def _for_file(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with what a touches file can hold: categories as text, settings among the metadata as JSON."""
    words = [name for name, kind in table.dtypes.items() if kind.name == "category"]
    out = table.assign(**{name: table[name].astype("str").where(table[name].notna(), "") for name in words})
    out.attrs = {
        key: value if isinstance(value, str | int | float) else json.dumps(plain(value), sort_keys=True)
        for key, value in table.attrs.items()
    }
    return out


_PROOF = ("touches", "side", "multiplier", "slope", "left", "spread", "among")


def _evaluation(evaluation: Evaluation, table: pd.DataFrame) -> dict[str, Any]:
    limits = ("name", "kind", "features", "width", "lower", "upper")
    found = ("actual", "high", "low", "touches", "missed", "ruling", "free", "motion", "sentence")
    found += ("notes", "details")
    told = {name: plain(getattr(evaluation, name)) for name in (*limits, *found)}
    proof = proof_of(evaluation, table)
    if proof is not None:
        told["proof"] = {name: plain(getattr(proof, name)) for name in _PROOF}
    told["envelopes"] = [
        {name: plain(getattr(held, name)) for name in ("of", "size", *_PROOF)}
        | {"element": plain(dict(one.element.parameters)), "ball": one.ball}
        for one, held in proofs_of(evaluation)
    ]
    return told


def _alignment(alignment: Alignment) -> dict[str, Any]:
    motion = ("motion", "pivot", "translation", "rotation_deg", "free", "covariance", "undetermined")
    told = {name: plain(getattr(alignment, name)) for name in (*motion, "method", "rms", "iterations", "sentence")}
    if alignment.method == "minimax":
        proof = ("objective", "certificate", "ruling", "multipliers")
        told["proof"] = {name: plain(getattr(alignment, name)) for name in proof} | {"among": "small motions"}
    return told


def _action(action: Action) -> dict[str, Any]:
    return {
        "corrections": records(action.table),
        "candidates": [] if action.candidates is None else records(action.candidates),
        "promises": [str(s) for s in action.promises],
        "left": [] if action.left is None else records(action.left),
        "shares": records(action.shares),
        "regions": records(action.regions),
        "suggestions": [str(s) for s in action.suggestions],
        "caution": action.caution,
    }
