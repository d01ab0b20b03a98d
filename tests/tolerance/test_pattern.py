"""Position of patterns: closed forms, smallest circles, brute force over what is free, virtual conditions.

Rules from memory of ASME Y14.5-2018, 7.11 (datum shift), 7.19 (simultaneous requirement), 10.4 and 10.5.
"""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
import shapes
from scipy.optimize import minimize
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.deviation import project
from probekit.fit import FREEDOMS, Datum, datum_frame, make_motion
from probekit.geometry import apply_motion
from probekit.tolerance import (
    Composite,
    Position,
    Profile,
    composite,
    evaluate_all,
    pattern,
    position,
    read_tolerance,
    simultaneous,
)
from probekit.tolerance.derived import Derived

PLACES = {"h1": (20.0, 15.0), "h2": (-20.0, 15.0), "h3": (-20.0, -15.0), "h4": (20.0, -15.0)}
AT = [(x, y, 0.0) for x, y in PLACES.values()]
UP = (0, 0, 1)
#: Perfect holes: the least squares axis is that of the envelope, and quick.
HELD = {"features": tuple(PLACES), "at": AT, "direction": UP, "method": "least_squares"}


def holes(shifts, diameters=10.0, n=16, motion=None, bore=True) -> pd.DataFrame:
    """Four round holes, each off its place by a shift (x, y); feet on the nominal holes of 10 about their places."""
    rows = []
    for name, shift, diameter in zip(
        PLACES, np.broadcast_to(shifts, (4, 2)), np.broadcast_to(diameters, 4), strict=True
    ):
        at = np.array([*PLACES[name], 0.0])
        one = around(diameter / 2, n=n, bore=bore, centre=tuple(shift), feature=name)
        rows.append(moved(one, make_motion(at)))
    out = pd.concat(rows, ignore_index=True)
    out["touch"] = np.arange(1, len(out) + 1)
    if motion is not None:
        for lead in ("", "c"):
            names = [f"{lead}{axis}" for axis in "xyz"]
            out[names] = apply_motion(motion, out[names].to_numpy())
    return out


def smallest_circle(points) -> float:
    """Radius of the smallest circle about points (n, 2): two or three of them fix it, so all are tried."""
    points, best = np.asarray(points, dtype=float), np.inf
    centres = [(a + b) / 2 for a, b in combinations(points, 2)]
    for a, b, c in combinations(points, 3):
        system = 2 * np.array([b - a, c - a])
        if abs(np.linalg.det(system)) > 1e-12:
            centres.append(np.linalg.solve(system, [b @ b - a @ a, c @ c - a @ a]))
    for centre in centres:
        best = min(best, float(np.linalg.norm(points - centre, axis=1).max()))
    return best


def test_held_it_is_the_worst_hole():
    shifts = [(0.03, 0.04), (0, 0.02), (0.01, 0), (0, 0)]
    one = pattern(holes(shifts), 0.12, **HELD)
    assert (one.actual, one.width, one.actual <= one.width) == (pytest.approx(0.1, abs=2e-6), 0.12, True)
    assert one.details["h2: position"] == pytest.approx(0.04, abs=2e-6)
    assert one.kind == "position of a pattern of 4 axes"
    assert any(note.startswith("the largest share of its tolerance is used by h1") for note in one.notes)
    assert not one.ruling  # least squares rests on no touch in particular
    by_nominal = pattern(holes(shifts), 0.12, features=tuple(PLACES))
    assert by_nominal.actual == pytest.approx(0.1, abs=2e-6)
    assert set(by_nominal.ruling) <= set(range(1, 49))  # the touches of h1
    assert len(by_nominal.ruling) >= 3
    assert "an envelope which rests on touches" in str(by_nominal.explain())


@pytest.mark.parametrize("seed", range(5))
def test_free_to_shift_it_is_the_smallest_circle(seed):
    shifts = np.random.default_rng(seed).uniform(-0.05, 0.05, (4, 2))
    one = pattern(holes(shifts), 0.1, **HELD, free=("tx", "ty"))
    assert one.actual == pytest.approx(2 * smallest_circle(shifts), abs=5e-6)
    along = pattern(holes(shifts), 0.1, **HELD, free=("tx",), across=(1, 0, 0))
    assert along.actual == pytest.approx(np.ptp(shifts[:, 0]), abs=5e-6)


def test_opposite_shifts_are_a_turn():
    """Places turned by a about the origin: free of rz nothing is left, free of tx and ty alone all, 2 * 25 * a."""
    found = holes((0, 0), motion=make_motion(rotation=[0, 0, np.degrees(0.002)]))
    assert pattern(found, 0.1, **HELD, free=("rz",)).actual == pytest.approx(0.0, abs=5e-6)
    assert pattern(found, 0.1, **HELD, free=("tx", "ty")).actual == pytest.approx(2 * 25 * 0.002, abs=1e-5)
    much = holes((0, 0), motion=make_motion([1.0, -2.0, 0], [0, 0, 5.0]))
    assert pattern(much, 0.1, **HELD, free=("tx", "ty", "rz")).actual == pytest.approx(0.0, abs=1e-5)


def by_brute_force(shifts, bonus, play=None) -> float:
    """Smallest of the largest P - b over a shift and a turn about the origin, by a general optimiser, many starts."""
    at = np.array(list(PLACES.values()))

    def worst(q):
        off = shifts + q[:2] + q[2] / 25 * np.column_stack([-at[:, 1], at[:, 0]])
        beyond = 0.0 if play is None else max(float(np.linalg.norm(q[:2])) - play, 0.0)
        return float((2 * np.linalg.norm(off, axis=1) - bonus).max()) + 100 * beyond

    rng, best = np.random.default_rng(1), np.inf
    options = {"xatol": 1e-10, "fatol": 1e-11, "maxiter": 4000, "maxfev": 8000}
    for _ in range(3):
        start = minimize(worst, rng.uniform(-0.03, 0.03, 3), method="Nelder-Mead", options=options).x
        best = min(best, minimize(worst, start, method="Nelder-Mead", options=options).fun)
    return best


@pytest.mark.parametrize("seed", range(3))
def test_free_to_shift_and_turn_by_brute_force(seed):
    rng = np.random.default_rng(seed)
    shifts, diameters = rng.uniform(-0.05, 0.05, (4, 2)), rng.uniform(10.0, 10.1, 4)
    found, free = holes(shifts, diameters), ("tx", "ty", "rz")
    plain = pattern(found, 0.1, **HELD, free=free)
    best = by_brute_force(shifts, np.zeros(4))
    assert plain.actual <= best + 5e-6
    assert plain.actual == pytest.approx(best, abs=2e-5)
    bonus = diameters - 10.0
    one = pattern(found, 0.05, **HELD, free=free, modifier="M", limits=(10.0, 10.2))
    best = by_brute_force(shifts, bonus)
    assert one.actual - (one.width - 0.05) == pytest.approx(best, abs=2e-5)
    assert one.details["h3: bonus"] == pytest.approx(bonus[2], abs=2e-6)


# --- datum shift --------------------------------------------------------------------------------------------------


def plate(shifts, *, clear: float, diameters=10.0):
    """Holes, a bottom plane, a datum bore of 12 at the origin that clears its boundary by `clear`; and the frame."""
    bottom = table([[-30, -20, -5], [30, -20, -5], [0, 25, -5], [10, 10, -5]], (0, 0, -1.0), feature="bottom")
    bore = around(6.0, n=240, heights=(0.0, 20.0), bore=True, feature="bore")
    found = pd.concat([holes(shifts, diameters), bottom, bore], ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    datums = [Datum("A", "plane", "bottom"), Datum("B", "cylinder", "bore", boundary=("MMB", 12.0 - 2 * clear))]
    return found, datums, datum_frame(found, datums, free=("tx", "ty", "tz", "rx", "ry"))


@pytest.mark.parametrize(("clear", "left"), [(0.06, 0.0), (0.05, 0.0), (0.03, 0.02), (0.0, 0.05)])
def test_a_pattern_shifted_by_less_than_the_datum_shift_passes(clear, left):
    """All holes 0.05 off together, (0.03, 0.04): what the play of the bore does not cover is left."""
    found, _, frame = plate((0.03, 0.04), clear=clear)
    one = pattern(found, 0.01, **HELD, free=frame)
    assert one.actual == pytest.approx(2 * left, abs=1e-5)
    assert (one.actual <= one.width) == (left < 0.004)
    assert one.free == ("datum shift of B",)
    assert pattern(found, 0.01, **HELD).actual == pytest.approx(0.1, abs=2e-6)
    if clear == 0.03:
        told = one.explain()
        assert "shift of datum B" in str(told)
        assert told.values["zones held where the datum frame puts them"] == pytest.approx(0.1, abs=2e-6)


@pytest.mark.parametrize("seed", range(3))
def test_datum_shift_by_brute_force(seed):
    """Shift within the play, turn free about the bore."""
    shifts = np.random.default_rng(seed).uniform(-0.03, 0.03, (4, 2)) + np.array([0.05, 0.02])
    found, datums, _ = plate(shifts, clear=0.03)
    frame = datum_frame(found, datums)
    assert frame.freedom.names == ("rz", "datum shift of B")
    one = pattern(found, 0.1, **HELD, free=frame)
    best = by_brute_force(shifts, np.zeros(4), play=0.03)
    assert one.actual == pytest.approx(best, abs=3e-5)
    assert (
        one.actual
        < pattern(found, 0.1, **HELD, free=datum_frame(found, [datums[0], Datum("B", "cylinder", "bore")])).actual
    )


def test_one_hole_alone_uses_the_play_too():
    found, _, frame = plate((0.03, 0.04), clear=0.02)
    one = position(found, 0.1, features="h1", at=AT[0], direction=UP, free=frame)
    assert one.actual == pytest.approx(0.06, abs=1e-5)


# --- material condition, other features -----------------------------------------------------------------------------


def test_surface_and_axis_agree_on_perfect_form():
    """Perfect holes against pins of 9.9: room is t + b - P of the worst, at the best placement of either."""
    shifts = np.array([(0.06, 0.0), (-0.06, 0.0), (0.0, 0.06), (0.0, -0.06)])
    found = holes(shifts, 10.05, n=120)
    held = pattern(found, 0.1, **HELD, modifier="M", limits=(10.0, 10.2))
    assert held.width == pytest.approx(0.15, abs=2e-6)
    assert held.details["room to the boundary of the virtual condition"] == pytest.approx(0.15 - 0.12, abs=1e-4)
    assert held.details["h1: virtual condition"] == pytest.approx(9.9)
    off = holes(shifts + np.array([0.2, 0.1]), 10.05, n=120)
    free = pattern(off, 0.1, **HELD, modifier="M", limits=(10.0, 10.2), free=("tx", "ty"))
    assert free.actual == pytest.approx(0.12, abs=1e-5)
    assert free.details["room to the boundary of the virtual condition"] == pytest.approx(0.15 - 0.12, abs=1e-4)
    assert "at maximum material condition" in free.kind
    assert not any("surface comes first" in note for note in free.notes)


def test_bonus_goes_to_the_hole_that_has_it():
    """A large hole may be 0.25 off, a small one next to it 0.1: together free along x, shares are evened out.

    Shifts 0 and s along x, t = 0.1, bonus 0 and 0.15: 2a = 2(s - a) - 0.15, so a = s/2 - 0.0375.
    """
    found = holes([(0, 0), (0.1, 0), (0, 0), (0, 0)], [10.0, 10.15, 10.0, 10.0])
    one = pattern(found, 0.1, **HELD, free=("tx",), modifier="M", limits=(10.0, 10.2))
    assert one.details["h1: position"] == pytest.approx(2 * (0.05 - 0.0375), abs=1e-5)
    assert one.details["h2: position"] == pytest.approx(2 * (0.1 - 0.0125), abs=1e-5)


def test_pins_are_measured_the_other_way():
    found = holes([(0.02, 0)] * 4, 9.9, bore=False)
    one = pattern(found, 0.1, **HELD, modifier="M", limits=(9.8, 10.0))
    assert one.width == pytest.approx(0.2, abs=3e-6)
    assert one.details["h1: virtual condition"] == pytest.approx(10.1)


def test_leaning_axes_turn_with_the_pattern():
    """Axes that all lean by 0.001 about y: free of ry nothing is left, held 0.02 at the upper end, 20 mm up."""
    found = holes((0, 0), motion=make_motion(rotation=[0, np.degrees(0.001), 0]))
    assert pattern(found, 0.1, **HELD).actual == pytest.approx(0.04, abs=1e-4)
    assert pattern(found, 0.1, **HELD, free=FREEDOMS).actual == pytest.approx(0.0, abs=1e-5)
    assert pattern(found, 0.1, **HELD, free=("tx", "ty", "rz")).actual == pytest.approx(0.02, abs=1e-4)


def slots(shifts):
    """Two slots 8 wide across x, at y = 0 and y = 30."""
    rows = []
    for name, y, shift in zip(("s1", "s2"), (0.0, 30.0), shifts, strict=True):
        for side in (-1.0, 1.0):
            at = np.array([[side * 4 + shift, y + dy, z] for dy in (-5.0, 5.0) for z in (0.0, 6.0)])
            rows.append(table(at, (-side, 0, 0), foot=at - [shift, 0, 0], feature=name))
    out = pd.concat(rows, ignore_index=True)
    out["touch"] = np.arange(1, len(out) + 1)
    return out


def test_slots_and_balls():
    found = slots((0.02, 0.06))
    options = {"features": ("s1", "s2"), "of": "middle plane"}
    assert pattern(found, 0.2, **options).actual == pytest.approx(0.12, abs=1e-6)
    assert pattern(found, 0.2, **options, free=("tx",)).actual == pytest.approx(0.04, abs=3e-6)
    turned = pattern(found, 0.2, **options, free=("tx", "rz"))  # shifts 0.02 and 0.06, 30 apart: level after a turn
    assert turned.actual == pytest.approx(10 * 0.04 / 30, abs=2e-5)  # but each slot, 10 long, leans by the turn
    assert turned.kind == "position of a pattern of 2 middle planes"
    directions = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1], [0.6, 0.8, 0]], float)
    balls = [
        table(5 * directions + at + shift, directions, foot=5 * directions + at, feature=name)
        for name, at, shift in (
            ("b1", np.zeros(3), np.array([0.0, 0, 0.03])),
            ("b2", np.array([30.0, 0, 0]), np.array([0, 0.04, 0.03])),
        )
    ]
    both = pd.concat(balls, ignore_index=True)
    one = pattern(both, 0.2, features=("b1", "b2"), of="centre")
    assert one.actual == pytest.approx(0.1, abs=1e-6)
    assert pattern(both, 0.2, features=("b1", "b2"), of="centre", free=("tx", "ty", "tz")).actual == pytest.approx(
        0.04, abs=5e-6
    )


@pytest.mark.parametrize("of", ["axis", "centre", "middle plane"])
def test_slopes_are_those_of_the_shifts(of):
    """By central differences of small motions about a point, after a motion that tilts the feature."""
    rng = np.random.default_rng(3)
    true, lean = np.array([0.0, 0.6, 0.8]), np.array([0.3, 0.5, 0.9])
    places = rng.uniform(-9, 9, (4, 3)) if of == "middle plane" else np.array([-4.0, 11.0])
    zone = {"axis": np.linalg.svd(true[None])[2][1:], "centre": np.eye(3), "middle plane": true[None]}[of]
    one = Derived(of, np.array([1.0, 2, 3]), lean / np.linalg.norm(lean), np.zeros(3), true, places, zone, ())
    motion, pivot = make_motion([0.5, -0.2, 0.1], [3.0, -5.0, 8.0]), np.array([7.0, -3.0, 2.0])
    slopes = one.slopes(motion, pivot)
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-5
        ends = [
            one.shifts(make_motion(sign * step[:3], np.degrees(sign * step[3:]), pivot=pivot) @ motion)[0]
            for sign in (1, -1)
        ]
        assert slopes[:, :, k] == pytest.approx((ends[0] - ends[1]) / 2e-5, abs=1e-6)


# --- segments, specs ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_composite_position(seed):
    """A good pattern in a poor place: the finer segment sees the pattern only, and is never more than the first."""
    rng = np.random.default_rng(seed)
    shifts = rng.uniform(-0.01, 0.01, (4, 2))
    found = holes(shifts, motion=make_motion([0.1, 0.05, 0.0], [0, 0, 0.02]))
    upper, lower = (Position(width=w, name=n, pattern=True, **HELD) for w, n in ((0.4, "place"), (0.05, "pattern")))
    lower = Position(**{**vars(lower), "free": ("tx", "ty", "tz", "rz")})
    one, two = composite(found, upper, lower)
    assert two.actual <= one.actual
    assert one.actual > 0.2
    assert two.actual == pytest.approx(by_brute_force(shifts, np.zeros(4)), abs=3e-5)
    assert "segment 1 of 2: locates; refined by 'pattern'" in one.notes[-1]


def test_composite_position_in_datum_frames():
    found, datums, _ = plate((0.03, 0.04), clear=0.02)
    upper = Position(width=0.2, pattern=True, datums=("A", "B(M)"), **HELD)
    lower = Position(width=0.01, pattern=True, datums="A", name="refined", **HELD)
    one, two = evaluate_all([Composite(upper, lower)], found, datums=datums)
    assert one.actual == pytest.approx(0.06, abs=1e-5)
    assert two.actual == pytest.approx(0.0, abs=1e-5)
    assert two.free == ("tx", "ty", "tz", "rz")
    assert "datum frame A|B" in one.notes[0]


def test_an_upper_frame_that_cannot_be_established_leaves_both_segments_unjudged():
    """Also where that of the lower one has play of a datum."""
    found, datums, _ = plate((0.03, 0.04), clear=0.02)
    slot = slots((0.0, 0.0)).assign(feature="slot").iloc[:1]
    found = pd.concat([found, slot], ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    upper = Position(width=0.2, pattern=True, datums=("A", "B(M)", "C"), **HELD)
    lower = Position(width=0.01, pattern=True, datums=("A", "B(M)"), name="refined", **HELD)
    both = evaluate_all([Composite(upper, lower)], found, datums=[*datums, Datum("C", "width", "slot")])
    assert ["cannot be established" in one.reason for one in both] == [True, True]


def test_two_patterns_in_one_frame_share_the_play():
    """Two holes want +x, two want -x, in tolerances of their own: together none gains; apart both would."""
    found, datums, _ = plate([(0.04, 0), (0.04, 0), (-0.04, 0), (-0.04, 0)], clear=0.1)
    datums = [*datums, Datum("C", "width", "slot")]
    slot = slots((0.0, 0.0)).assign(feature="slot")
    found = pd.concat([found, slot[slot.index < 8]], ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    common = {"width": 0.1, "pattern": True, "direction": UP, "method": "least_squares", "datums": ("A", "B(M)")}
    right = Position(**common, features=("h1", "h2"), at=tuple(AT[:2]))
    left = Position(**common, features=("h3", "h4"), at=tuple(AT[2:]))
    one, other = evaluate_all([right, left], found, datums=datums)
    assert max(one.actual, other.actual) == pytest.approx(
        by_brute_force(np.array([(0.04, 0), (0.04, 0), (-0.04, 0), (-0.04, 0)]), np.zeros(4), play=0.1), abs=3e-5
    )
    assert "one placement for position and position" in " ".join(one.notes)
    apart = [Position(**{**vars(k), "separate": True}) for k in (right, left)]
    assert max(k.actual for k in evaluate_all(apart, found, datums=datums)) == pytest.approx(0.0, abs=1e-5)


def test_profile_and_pattern_together():
    """A side 0.06 out, width 0.1, and holes in place, 0.2; free along x: |0.06 + t|/0.05 = 2|t|/0.2 at t = -0.04."""
    box = shapes.box()
    at = np.array([[30.06, y, z] for y in (-10.0, 0, 10) for z in (-5.0, 5)])
    touches = pd.DataFrame(at, columns=["x", "y", "z"]).assign(feature="right", face="right")
    touches.insert(0, "touch", np.arange(1, 7))
    side = project(touches, box, stylus=0.0)
    found = pd.concat([side, holes((0, 0))], ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    found.attrs = side.attrs
    two = (
        Profile(width=0.1, features="right", name="side"),
        Position(width=0.2, pattern=True, name="holes", **HELD),
    )
    one, other = simultaneous(found, two, free=("tx",), nominal=box)
    assert (one.actual, other.actual) == pytest.approx((0.04, 0.08), abs=5e-6)
    assert one.details["share of the tolerance used by the worst of all"] == pytest.approx(0.4, abs=3e-5)
    assert one.motion == pytest.approx(other.motion)
    held = simultaneous(found, two)
    assert [k.actual for k in held] == pytest.approx([0.12, 0.0], abs=2e-6)
    with pytest.raises(InputError, match="needs nominal= to project again"):
        simultaneous(found, two, free=("tx",))


def test_read_print_and_draw():
    said = {
        "kind": "position",
        "pattern": True,
        "features": list(PLACES),
        "width": 0.2,
        "modifier": "M",
        "limits": [10.0, 10.2],
        "datums": ["A", "B(M)"],
        "refining": {"width": 0.05, "datums": ["A"]},
    }
    (one,) = read_tolerance(said)
    assert one.frame.splitlines()[0] == "│ ⌖ │ ⌀0.2Ⓜ │ A │ BⓂ │"
    assert one.frame.splitlines()[1] == "│   │ ⌀0.05Ⓜ │ A │"
    assert "of the axes, as one pattern; at maximum material condition" in one.sentence
    assert one._repr_svg_().startswith("<svg")
    found, datums, _ = plate((0.03, 0.04), clear=0.02, diameters=10.1)
    upper, lower = evaluate_all([one], found, datums=datums)
    assert upper.width == pytest.approx(0.3, abs=2e-6)
    assert lower.actual <= lower.width
    for each in (upper, lower):
        told = each.explain()
        assert "The largest share of its tolerance is used by" in str(told)
        assert told.svg.startswith("<svg")


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"features": ()}, "needs features, each named once; found 'none'"),
        ({"features": ("h1", "h1")}, "each named once"),
        ({"features": ("h1", "h2")}, "one true position per feature"),
        ({"modifier": "M"}, "needs the limits of size"),
        ({"free": ("up",)}, "unknown degree of freedom"),
    ],
)
def test_what_cannot_be(options, match):
    with pytest.raises(InputError, match=match):
        pattern(holes((0, 0)), 0.1, **{**HELD, **options})
