"""The probe as a turned shape: what it accepts, its pieces, its mesh against closed forms."""

import math

import numpy as np
import pytest
import trimesh

from probekit.errors import InputError
from probekit.plan import Probe, Tip
from probekit.plan.probe import PARTS

BODY = ((50.0, 20.0), (60.0, 40.0), (110.0, 40.0))


def test_sizes_that_are_not_given_follow_from_the_rest() -> None:
    probe = Probe(6.0, 4.0, 50.0, body=BODY)
    assert (probe.radius, probe.tool_length, probe.hub, probe.choices, probe.turned) == (3.0, 110.0, 50.0, (0,), True)
    assert Probe(6.0, 4.0, 50.0, effective_radius=2.98).radius == 2.98
    assert Probe(6.0, 4.0, 50.0).tool_length == 50.0


def test_the_stem_leaves_the_ball_where_the_sphere_is_as_wide_as_the_stem() -> None:
    ball, stem = Probe(6.0, 4.0, 50.0).outline()
    assert ball.grown == 3.0
    assert stem.start[2] == pytest.approx(math.sqrt(3.0**2 - 2.0**2))
    assert (stem.end[2], stem.start_radius, stem.end_radius) == (50.0, 2.0, 2.0)


def test_a_step_has_no_height_and_the_last_diameter_goes_on_to_the_nose() -> None:
    probe = Probe(6.0, 4.0, 30.0, body=((30.0, 10.0), (40.0, 10.0), (40.0, 25.0), (60.0, 25.0)), tool_length=80.0)
    body = [piece for piece in probe.outline() if piece.part == "body"]
    heights = [(p.start[2], p.end[2], p.start_radius, p.end_radius) for p in body]
    assert heights == [(30, 40, 5, 5), (40, 60, 12.5, 12.5), (60, 80, 12.5, 12.5)]


def test_the_mesh_is_closed_turned_outwards_and_has_the_volume_of_the_pieces() -> None:
    probe = Probe(6.0, 4.0, 50.0, body=BODY)
    vertices, facets, part = probe.mesh(sides=256)
    volumes = {}
    for number, name in enumerate(PARTS):
        mesh = trimesh.Trimesh(vertices, facets[part == number], process=False)
        shells = mesh.split(only_watertight=False)
        assert all(shell.is_watertight and shell.volume > 0 for shell in shells)
        volumes[name] = sum(shell.volume for shell in shells)
    stem_height = 50.0 - math.sqrt(5.0)
    frustum = math.pi * 10.0 / 3.0 * (10.0**2 + 10.0 * 20.0 + 20.0**2)  # elementary geometry
    assert volumes["ball"] == pytest.approx(4 / 3 * math.pi * 27, rel=1e-3)
    assert volumes["stem"] == pytest.approx(math.pi * 4 * stem_height, rel=1e-3)
    assert volumes["body"] == pytest.approx(frustum + math.pi * 400 * 50, rel=1e-3)
    assert vertices[:, 2].min() == pytest.approx(-3.0)
    assert vertices[:, 2].max() == pytest.approx(110.0)


def test_tips_of_a_star_stand_off_the_hub() -> None:
    side = Tip(2.0, 1.0, 20.0, (2.0, 0.0, 0.0), name="east")
    probe = Probe(6.0, 4.0, 50.0, body=BODY, tips=(side,), hub=40.0)
    assert probe.choices == (0, 1)
    assert probe.offset(1).tolist() == [20.0, 0.0, 40.0]
    assert (probe.tip_radius(1), probe.tip_name(1), probe.tip_name(0)) == (1.0, "east", "straight tip")
    ball, stem = probe.outline(1)
    assert ball.start == (20.0, 0.0, 40.0)
    assert stem.end == (0.0, 0.0, 40.0)
    assert stem.start[0] == pytest.approx(20.0 - math.sqrt(1.0 - 0.25))


def test_an_angled_stylus_has_no_ball_on_the_axis() -> None:
    probe = Probe(6.0, 4.0, 50.0, body=BODY, tips=(Tip(2.0, 1.0, 20.0, (1, 0, -1)),), hub=40.0, straight=False)
    assert probe.choices == (1,)
    assert [piece.tip for piece in probe.outline() if piece.part == "ball"] == [1]


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"ball_diameter": 0.0}, "ball_diameter"),
        ({"ball_diameter": math.nan}, "ball_diameter"),
        ({"stem_diameter": 7.0}, "stem_diameter"),
        ({"length": -1.0}, "length"),
        ({"length": math.inf}, "length"),
        ({"length": 2.0, "body": ()}, "length"),
        ({"effective_radius": 6.0}, "effective_radius"),
        ({"body": ((50.0, 20.0), (40.0, 20.0))}, "body"),
        ({"body": ((40.0, 20.0), (60.0, 20.0))}, "body"),
        ({"body": ((50.0, 20.0, 1.0),)}, "body"),
        ({"body": ((50.0, -20.0), (60.0, 20.0))}, "body"),
        ({"body": ((50.0, "wide"), (60.0, 20.0))}, "body"),
        ({"tool_length": 20.0}, "tool_length"),
        ({"hub": 70.0}, "hub"),
        ({"straight": False}, "tips"),
    ],
)
def test_what_is_no_probe_is_refused(change: dict, column: str) -> None:
    with pytest.raises(InputError, match=column):
        Probe(**({"ball_diameter": 6.0, "stem_diameter": 4.0, "length": 50.0, "body": BODY} | change))


def test_tips_that_are_none_are_refused() -> None:
    with pytest.raises(InputError, match="direction"):
        Tip(2.0, 1.0, 20.0, (0.0, 0.0, 0.0))
    with pytest.raises(InputError, match="no such tip"):
        Probe(6.0, 4.0, 50.0).offset(1)


def test_nothing_of_the_mesh_is_drawn_twice_or_left_out() -> None:
    probe = Probe(6.0, 4.0, 50.0, body=BODY)
    vertices, facets, part = probe.mesh()
    assert len(part) == len(facets)
    assert np.unique(facets).size == len(vertices)
    assert set(part.tolist()) == {0, 1, 2}
