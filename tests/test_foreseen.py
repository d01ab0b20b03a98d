"""A plan says before the spindle turns what its touches will not fix."""

from __future__ import annotations

import tiny

from probekit import study
from probekit.study.foreseen import foreseen


def planned_of(folder, *changes):
    tiny.write(folder, *changes)
    return study.plan(study.load(tiny.write_study(folder, *changes)))


def test_what_is_not_touched_is_named(tmp_path):
    """The plan touches the top alone; alignment and tolerance need the sides, too."""
    planned = planned_of(tmp_path)
    said = foreseen(planned)
    assert any(text.startswith("the alignment:") for text in said)
    assert any(text.startswith("sides:") for text in said)
    assert not any(text.startswith("top:") for text in said)
    lines = "\n".join(study.summary(planned))
    assert "NOT ENOUGH TOUCHES" in lines
    assert "sides:" in lines


def test_a_plan_that_will_do_says_nothing(tmp_path):
    planned = planned_of(
        tmp_path,
        ('features = ["top", "front", "left"]\n\n[[tol', 'features = ["top"]\nfree = ["tz", "rx", "ry"]\n\n[[tol'),
        ('[[tolerance]]\nname = "sides"\nwidth = 0.2\nfeatures = ["front", "left"]\n', ""),
    )
    assert foreseen(planned) == []
    assert "NOT ENOUGH" not in "\n".join(study.summary(planned))
