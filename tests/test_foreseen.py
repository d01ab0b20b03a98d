"""A plan says before the spindle turns what its touches will not fix."""

from __future__ import annotations

import tiny

from probekit import study
from probekit.study.foreseen import foreseen
from probekit.study.machinery import other_radius


def planned_of(folder, *changes):
    folder.mkdir(exist_ok=True)
    tiny.write(folder, *changes)
    return study.plan(study.load(tiny.write_study(folder, *changes)))


def test_what_is_not_touched_is_named(tmp_path):
    """The plan touches the top alone; alignment and tolerance need the sides, too."""
    planned = planned_of(tmp_path)
    said = foreseen(planned)
    assert any(text.startswith("the alignment:") for text in said)
    assert any(text.startswith("sides:") for text in said)
    assert not any(text.startswith("top:") for text in said)
    lines = "\n".join(study.outputs.summary(planned))
    assert "NOT ENOUGH TOUCHES" in lines
    assert "sides:" in lines


def test_a_plan_that_will_do_says_nothing(tmp_path):
    planned = planned_of(
        tmp_path,
        ('features = ["top", "front", "left"]\n\n[[tol', 'features = ["top"]\nfree = ["tz", "rx", "ry"]\n\n[[tol'),
        ('[[tolerance]]\nname = "sides"\nwidth = 0.2\nfeatures = ["front", "left"]\n', ""),
    )
    assert foreseen(planned) == []
    assert "NOT ENOUGH" not in "\n".join(study.outputs.summary(planned))


def test_a_virtual_probe_of_another_radius_is_told(tmp_path):
    """A trial with the geometric ball, inspected with a qualified radius, is off by the difference everywhere."""
    radius = ("ball_diameter = 6.0", "ball_diameter = 6.0\neffective_radius = 2.991")
    said = other_radius(planned_of(tmp_path / "one", radius).study)
    assert len(said) == 1
    assert "mean = 0.009" in said[0]
    lobing = ('errors = [{kind = "Rep', 'errors = [{kind = "Lobing", mean = 0.009}, {kind = "Rep')
    assert other_radius(planned_of(tmp_path / "other", radius, lobing).study) == []
    assert other_radius(planned_of(tmp_path / "plain").study) == []
