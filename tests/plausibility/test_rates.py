"""How often the gate speaks: good runs pass, and a lost digit or sign does not go unnoticed.

A part of what `tests/benchmarks/bench_gate.py` does in full: 200 good runs, and every lost digit of the demo.
"""

from __future__ import annotations

from pathlib import Path

from plausibility.jobs import alarms, lost, on_foil, on_pad, posed, unnoticed


def test_good_runs_pass_on_two_parts(tmp_path: Path) -> None:
    assert alarms(on_pad(tmp_path), 12) == {}
    assert alarms(posed(on_foil(), ("skin",)), 12) == {}


def test_a_lost_digit_is_noticed() -> None:
    job = on_foil()
    assert len(list(lost(job.touches))) > 800
    large, silent = unnoticed(job, every=23)
    assert large > 20
    assert silent == []
