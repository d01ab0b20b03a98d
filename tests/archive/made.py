"""Records for tests that need no inspection: plain data of the form that `record_of` gives."""

from __future__ import annotations

import hashlib

import numpy as np
import pandas as pd

from probekit.archive.bulk import digest_of, kinds_of, tidied
from probekit.archive.record import Record

MODEL, PLAN, SETTINGS = "a" * 64, "b" * 64, "c" * 64


def touches(seed: int, n: int = 6) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"touch": np.arange(1, n + 1), "feature": "top", "deviation": rng.normal(0, 0.01, n)})
    table["flag"] = pd.Categorical([""] * (n - 1) + ["far"])
    table["x"] = rng.normal(0, 10, n)
    table.loc[0, "x"] = np.nan
    return tidied(table.assign(lower=-0.05, upper=0.05, verdict="within", share=0.5))


def record(serial: str, seed: int = 0, *, word: str = "conforms", actual: float = 0.03, **changed: str) -> Record:
    table = touches(seed)
    hashes = {"settings": SETTINGS, "model": MODEL, "plan": PLAN, "touches": "", "study": ""} | changed
    hashes["measured"] = digest_of(table[["x"]])
    revision = hashlib.sha256("".join(hashes[k] for k in ("settings", "model", "plan")).encode()).hexdigest()
    tolerance = {"name": "top", "kind": "profile", "word": word, "actual": actual, "width": 0.1}
    alignment = {"translation": [0.01, 0.02, 0.03], "rotation_deg": [0.0, 0.0, 0.1], "rms": 0.004}
    body = {
        **{"schema": 1, "kind": "inspection", "word": word, "at": f"2026-01-01T00:00:{seed % 60:02d}+00:00"},
        **{"key": serial, "part": "block", "about": {"serial": serial}, "hashes": hashes, "revision": revision},
        "results": {
            "tolerances": [tolerance | {"low": 0.02, "high": 0.04, "u": 0.003}],
            "alignment": alignment,
            "evaluations": [{"name": "top", "ruling": [1, 2]}],
        },
        "settings": {},
        "touches": {"rows": len(table), "columns": kinds_of(table), "sha256": digest_of(table)},
    }
    return Record(body, table)
