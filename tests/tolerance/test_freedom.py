"""What a datum frame leaves to a zone, and the play of datums at MMB: closed forms, and linear programs written anew.

Datum feature shift from memory of ASME Y14.5-2018, 7.11 and 7.16, and Y14.5.1-2019.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapes
from scipy.optimize import linprog

from probekit import InputError
from probekit.deviation import project
from probekit.fit import FREEDOMS, Datum, datum_frame, make_motion
from probekit.fit.datums.freedom import Freedom
from probekit.geometry import apply_motion
from probekit.nominal import from_arrays
from probekit.tolerance import (
    Composite,
    LineProfile,
    Orientation,
    Profile,
    composite,
    evaluate_all,
    orientation,
    profile,
    simultaneous,
)
from probekit.tolerance.basic_angle import contradiction
from probekit.tolerance.bounds import bounds
from probekit.tolerance.together import in_frame
from probekit.uncertainty import Scatter

LOWER, UPPER = shapes.box(), shapes.box(size=(20.0, 20.0, 10.0), centre=(0.0, 0.0, 30.0))
#: Two boxes, one over the other; faces "left" ... of the lower one, "upper left" ... of the other.
TOWER = from_arrays(
    np.vstack([LOWER.vertices, UPPER.vertices]),
    np.vstack([LOWER.facets, UPPER.facets + len(LOWER.vertices)]),
    facet_face=np.concatenate([LOWER.facet_face, UPPER.facet_face + 6]),
    face_names=(*LOWER.face_names, *(f"upper {name}" for name in UPPER.face_names)),
)
A = Datum("A", "plane", "bottom")
SIDES = ("upper left", "upper right", "upper front", "upper back")


def web(size: float) -> Datum:
    return Datum("B", "width", "web", boundary=("MMB", size))


def touched(upper=(0.0, 0.0, 0.0), turn=0.0, seed: int | None = None, scatter: float = 0.01) -> pd.DataFrame:
    """Touches on both boxes, the upper one moved against the lower; bottom and C touched without error."""
    rng = np.random.default_rng(seed)
    places = np.array([[-0.8, -0.7], [0.8, -0.6], [0.7, 0.8], [-0.75, 0.65], [0.1, 0.05]])
    rows = []
    for nominal, lead, motion in ((LOWER, "", np.eye(4)), (UPPER, "upper ", make_motion(upper, [0, 0, turn]))):
        middle, half = nominal.bounds.mean(axis=0), np.ptp(nominal.bounds, axis=0) / 2
        for k, face in enumerate(shapes.BOX_FACES):
            axis, sign = divmod(k, 2)
            normal = np.zeros(3)
            normal[axis] = 2 * sign - 1
            at = np.zeros((5, 3))
            at[:, [one for one in range(3) if one != axis]] = places
            at = middle + (at + normal) * half
            scattered = seed is not None and (lead or face in ("left", "right"))
            error = rng.uniform(-scatter, 0, 5) if scattered else np.zeros(5)
            at = apply_motion(motion, at + error[:, None] * normal)
            block = pd.DataFrame(at, columns=["x", "y", "z"])
            block["feature"] = "web" if lead + face in ("left", "right") else lead + face
            block["face"] = lead + face
            rows.append(block)
    out = pd.concat(rows, ignore_index=True)
    out.insert(0, "touch", np.arange(1, len(out) + 1))
    return project(out, TOWER, stylus=0.0)


def test_a_frame_says_what_is_free():
    """A plane leaves tx, ty, rz; the zone takes the upper box back by them, and not its lift along z."""
    found = touched((0.3, -0.2, 0.04), 0.2)
    frame = datum_frame(found, [A], nominal=TOWER)
    free = profile(found, 0.1, features=(*SIDES, "upper top"), free=frame, nominal=TOWER)
    assert free.free == ("tx", "ty", "rz")
    assert free.actual == pytest.approx(0.08, abs=3e-6)
    named = profile(found, 0.1, features=(*SIDES, "upper top"), free=("tx", "ty", "rz"), nominal=TOWER)
    assert named.actual == pytest.approx(free.actual, abs=3e-6)
    full = datum_frame(found, [A, Datum("B", "width", "web"), Datum("C", "plane", "front")], nominal=TOWER)
    assert not full.freedom
    assert profile(found, 0.1, features="upper top", free=full).actual == pytest.approx(0.08, abs=1e-9)


@pytest.mark.parametrize(("boundary", "left"), [(60.2, 0.0), (60.1, 0.03), (60.0, 0.08), (60.04, 0.06)])
def test_shift_within_the_play_costs_nothing(boundary, left):
    """Upper box 0.08 off along x. The web of 60 is clear of a slot of 60 + 2p by p: 0.08 - p is left on either side."""
    found = touched((0.08, 0.0, 0.0))
    frame = datum_frame(found, [A, web(boundary), Datum("C", "plane", "front")], nominal=TOWER)
    one = profile(found, 0.1, features=SIDES, free=frame, nominal=TOWER)
    assert one.actual == pytest.approx(2 * left, abs=4e-6)
    assert one.free == ("datum shift of B",)
    assert profile(found, 0.1, features=SIDES).actual == pytest.approx(0.16, abs=1e-9)
    assert "best placement over datum shift of B" in one.sentence
    told = one.explain()
    assert "free to move as far as the shift of datum B at its material boundary lets the part" in str(told)
    assert told.svg.startswith("<svg")


def test_a_profile_counts_how_sure_the_play_is():
    """A clearance of a unit less moves the upper box, off along x, a unit further out."""
    found = touched((0.08, 0.0, 0.0))
    datums = [A, web(60.1), Datum("C", "plane", "front")]
    one = Profile(width=0.1, features=SIDES, datums=("A", "B(M)", "C"), name="sides")
    made = evaluate_all([one], found, TOWER, datums=datums, u=0.003)[0]
    (play,) = made.carried.play
    assert np.abs(play.change) == pytest.approx(np.ones(made.touches), abs=2e-3)
    out = np.abs(made.deviations) > 1e-6
    assert (np.sign(play.change) == np.sign(made.deviations))[out].all()
    only_web = Scatter.independent(np.where(found["feature"] == "web", 0.003, 0.0))
    less = replace(made, carried=replace(made.carried, play=()))
    assert bounds(made, only_web).u > 1.2 * bounds(less, only_web).u
    assert bounds(made, only_web).low < bounds(less, only_web).low - 0.003


def test_a_datum_that_does_not_pass_its_boundary_has_no_play():
    frame = datum_frame(touched(), [A, web(59.9), Datum("C", "plane", "front")], nominal=TOWER)
    assert frame.mobility[0].clearance == pytest.approx(-0.05, abs=1e-9)
    assert not frame.freedom
    assert frame.freedom.names == ()


def test_what_is_at_rmb_holds_against_the_play_of_another():
    """Web at MMB, then the front plane at RMB: the play in rz is gone, that along x stays."""
    found = touched()
    loose = datum_frame(found, [A, web(60.2)], nominal=TOWER).freedom
    held = datum_frame(found, [A, web(60.2), Datum("C", "plane", "front")], nominal=TOWER).freedom
    assert (loose.motions.shape[1], held.motions.shape[1]) == (3, 1)
    assert np.abs(held.motions[:, 0]) == pytest.approx([1, 0, 0, 0, 0, 0], abs=1e-9)
    assert held.limits[held.rows[:, 0] * held.motions[0, 0] > 0.5] == pytest.approx(0.1, abs=1e-9)
    assert np.abs(loose.without_play().motions[:, 0]) == pytest.approx([0, 1, 0, 0, 0, 0], abs=1e-9)


def by_linear_program(found: pd.DataFrame, features, play: float | None) -> float:
    """Best value over (tx, ty, rz) about the origin: planes are linear in them; the web stays within its slot."""

    def rows(part):
        at, n = part[["x", "y", "z"]].to_numpy(), part[["nx", "ny", "nz"]].to_numpy()
        return np.column_stack([n[:, 0], n[:, 1], n[:, 1] * at[:, 0] - n[:, 0] * at[:, 1]])

    judged, held = found[found.feature.isin(features)], found[found.feature == "web"]
    g, d, one = rows(judged), judged["deviation"].to_numpy(), np.ones((len(judged), 1))
    matrix, right = [np.hstack([g, -one]), np.hstack([-g, -one])], [-d, d]
    if play is not None:
        matrix.append(np.hstack([rows(held), np.zeros((len(held), 1))]))
        right.append(play - held["deviation"].to_numpy())
    solved = linprog(
        [0, 0, 0, 1.0],
        A_ub=np.vstack(matrix),
        b_ub=np.concatenate(right),
        bounds=[(None, None)] * 3 + [(0, None)],
        method="highs",
    )
    return 2 * solved.fun


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("play", [0.02, 0.05])
def test_best_placement_in_the_play_by_a_linear_program(seed, play):
    found = touched((0.07, 0.05, 0.0), 0.05, seed=seed)
    frame = datum_frame(found, [A, web(60 + 2 * play)], nominal=TOWER)
    table = in_frame(found, frame, TOWER)
    one = profile(table, 0.1, features=SIDES, free=frame, nominal=TOWER)
    assert one.actual == pytest.approx(by_linear_program(table, SIDES, play), abs=1e-4)
    assert one.actual >= by_linear_program(table, SIDES, None) - 1e-4
    tighter = datum_frame(found, [A, web(60 + play)], nominal=TOWER)
    assert profile(table, 0.1, features=SIDES, free=tighter, nominal=TOWER).actual >= one.actual - 4e-6


def test_lower_segments_turn_and_shift():
    """Orientation only: all shifts beside the turns; of the play only what turns is of use, as far as it goes."""
    found = touched()
    plane = datum_frame(found, [A], nominal=TOWER).freedom.with_shifts()
    assert plane.names == ("tx", "ty", "tz", "rz")
    assert plane.holds(Freedom.named(("tx", "ty", "tz", "rz")))
    assert not plane.holds(Freedom.named("rx"))
    loose = datum_frame(found, [A, web(60.2)], nominal=TOWER).freedom
    freed = loose.with_shifts()
    assert freed.holds(loose)
    # the web is touched up to 16 from its middle: 0.1 of play turns it by 0.1/16 at most, both ways (see `places`)
    for sign in (1, -1):
        most = linprog(
            -sign * freed.motions[5], A_ub=freed.rows, b_ub=freed.limits, bounds=(None, None), method="highs"
        )
        assert -most.fun == pytest.approx(0.1 / 16, rel=1e-6)


@pytest.mark.parametrize(("turn", "left"), [(0.1, False), (0.9, True)])
def test_orientation_turns_within_the_play(turn, left):
    """Upper side turned by a: 20 x 0.8 wide, so 20 * 0.775 * tan(a) (places -0.75 to 0.8) less what the play turns."""
    found = touched(turn=turn)
    frame = datum_frame(found, [A, web(60.2)], nominal=TOWER)
    one = orientation(found, 0.1, kind="perpendicularity", features="upper left", free=frame)
    held = orientation(found, 0.1, kind="perpendicularity", features="upper left")
    y = found.loc[found.face == "upper left", "y"]
    width = np.ptp(y) / np.cos(np.radians(turn))
    assert held.actual == pytest.approx(width * np.sin(np.radians(turn)), abs=1e-6)
    rest = max(np.radians(turn) - 0.1 / 16, 0.0)
    assert (rest > 0) == left
    assert one.actual == pytest.approx(width * np.sin(rest), abs=5e-5)


def test_a_frame_that_holds_no_direction_orients_nothing():
    with pytest.raises(InputError, match="holds too few turns to orient"):
        orientation(touched(), 0.1, kind="parallelism", features="top", free=FREEDOMS)
    with pytest.raises(InputError, match="Omit turn= or free="):
        orientation(touched(), 0.1, kind="parallelism", features="top", free=("rz",), turn=(0, 0, 1))


DATUMS = (A, web(60.2), Datum("C", "plane", "front"))


def test_letters_establish_their_frames():
    """The part lies askew; each tolerance is judged in the frame that its own letters establish."""
    lying = make_motion([0.4, -0.3, 0.2], [0.1, -0.2, 0.3])
    found = touched((0.08, 0.0, 0.03))
    found = project(_moved(found, lying), TOWER, stylus=0.0)
    sides = {"width": 0.1, "features": SIDES}
    wanted = [
        Profile(**sides, name="full", datums=("A", "B", "C")),
        Profile(**sides, name="loose", datums=("A", "B(M)", "C")),
        Profile(width=0.1, features="upper top", name="height", datums="A"),
        Profile(**sides, name="own", datums="A", free=FREEDOMS),
        Orientation(width=0.1, of="perpendicularity", features="upper left", datums="A"),
        LineProfile(width=0.1, features="upper top", section="y", datums=("A", "B", "C")),
    ]
    full, loose, height, own, square, line = evaluate_all(wanted, found, TOWER, datums=DATUMS)
    assert full.actual == pytest.approx(0.16, abs=4e-6)
    assert full.free == ()
    assert loose.actual == pytest.approx(0.0, abs=4e-6)
    assert height.actual == line.actual == pytest.approx(0.06, abs=4e-6)
    assert height.free == ("tx", "ty", "rz")
    assert own.actual == pytest.approx(0.0, abs=4e-6)
    assert square.actual == pytest.approx(0.0, abs=4e-6)
    assert "datum frame A|B|C" in full.notes[0]
    assert any(note.startswith("datum shift used: datum B at MMB 60.2") for note in loose.notes)
    back = apply_motion(loose.motion, found[["x", "y", "z"]].to_numpy())
    on_sides = found.face.isin(SIDES).to_numpy()
    assert back[on_sides, 0] == pytest.approx(touched((0, 0, 0.03)).loc[on_sides, "x"].to_numpy(), abs=1e-5)


def _moved(found, motion):
    out = found[["touch", "feature", "face"]].copy()
    out[["x", "y", "z"]] = apply_motion(np.linalg.inv(motion), found[["x", "y", "z"]].to_numpy())
    return out


def test_what_shares_a_frame_is_placed_together():
    """x wants -0.06 for the one side, +0.06 for the other: together each gets what is left, 0.06."""
    found = touched()
    table = found.copy()
    for face, by in (("upper left", 0.06), ("upper front", 0.0)):
        rows = table.face == face
        table.loc[rows, "x"] -= by
    table = project(table[["touch", "feature", "face", "x", "y", "z"]], TOWER, stylus=0.0)
    left, right = (Profile(width=0.1, name=one, features=f"upper {one}", datums="A") for one in ("left", "right"))
    one, other = evaluate_all([left, right], table, TOWER, datums=[A])
    assert (one.actual, other.actual) == pytest.approx((0.06, 0.06), abs=4e-6)
    apart = [Profile(**{**vars(k), "separate": True}) for k in (left, right)]
    assert [k.actual for k in evaluate_all(apart, table, TOWER, datums=[A])] == pytest.approx([0, 0], abs=4e-6)
    frame = datum_frame(table, [A], nominal=TOWER)
    again = simultaneous(table, [left, right], free=frame, nominal=TOWER)
    assert [k.actual for k in again] == pytest.approx([0.06, 0.06], abs=4e-6)


def test_composite_profile_in_frames():
    """Upper box shifted, lifted and turned: located by the full frame, refined by A alone with all shifts free."""
    found = touched((0.05, 0.02, 0.03), 0.1)
    upper = Profile(width=0.4, features=(*SIDES, "upper top"), datums=("A", "B", "C"))
    lower = Profile(width=0.02, features=(*SIDES, "upper top"), datums="A", name="refined")
    one, two = evaluate_all([Composite(upper, lower)], found, TOWER, datums=DATUMS)
    assert one.actual > 0.1
    assert two.actual == pytest.approx(0.0, abs=1e-5)
    assert two.free == ("tx", "ty", "tz", "rz")
    frames = [datum_frame(found, some, nominal=TOWER) for some in ([A, web(60.2), DATUMS[2]], [A])]
    by_hand = composite(found, upper, lower, nominal=TOWER, frame=frames[0], refined_in=frames[1])
    assert by_hand[1].actual == pytest.approx(two.actual, abs=1e-5)
    assert by_hand[0].actual <= one.actual
    floating = Composite(upper, Profile(width=0.02, features=(*SIDES, "upper top"), name="free"))
    assert evaluate_all([floating], found, TOWER, datums=DATUMS)[1].free == FREEDOMS


def test_a_lower_segment_with_play_on_touches_with_scatter():
    """A shift in play leaves no turn but roundings of 1e-17, which were made as long as the others, and limits too."""
    frame = datum_frame(touched(seed=4), [A, web(60.2)], nominal=TOWER)
    tilted = replace(frame.freedom, motions=frame.freedom.motions + 1e-17)
    freed = tilted.with_shifts().scaled(30.0)
    assert np.abs(freed.rows).max() < 1e3
    wall = tilted.with_shifts().motions[3:]
    assert set(np.flatnonzero(np.abs(wall).max(axis=0) < 1e-9)) == set(np.flatnonzero(~wall.any(axis=0)))


@pytest.mark.parametrize(
    ("datums", "match"),
    [
        (("A", "D"), "tolerance 'one' names a datum that does not exist; found 'D'; expected one of A, B, C"),
        (("A(M)",), "takes datum A at its MMB, which it does not have"),
        (("B(L)",), "takes datum B at its LMB, which it does not have"),
    ],
)
def test_letters_that_cannot_be(datums, match):
    with pytest.raises(InputError, match=match):
        evaluate_all([Profile(width=0.1, name="one", datums=datums)], touched(), TOWER, datums=DATUMS)


def test_lower_segments_that_cannot_be():
    found = touched()
    upper = Profile(width=0.4, features=SIDES, datums=("A", "B"))
    for lower, match in (
        (Profile(width=0.1, features=SIDES, datums=("B", "A")), "repeat those of the upper one, in their order"),
        (Profile(width=0.5, features=SIDES, datums="A"), "must be finer"),
        (Profile(width=0.1, features=SIDES[:2], datums="A"), "cover the same features"),
        (Profile(width=0.1, features=SIDES, datums="A", free=("tx", "ty")), "found 'held: tz"),
    ):
        with pytest.raises(InputError, match=match):
            evaluate_all([Composite(upper, lower)], found, TOWER, datums=DATUMS)


def test_moving_a_table_needs_a_nominal():
    lying = project(_moved(touched(), make_motion([0.1, 0, 0.1])), TOWER, stylus=0.0)
    frame = datum_frame(lying, [A], nominal=TOWER)
    with pytest.raises(InputError, match="needs nominal="):
        in_frame(lying, frame, None)
    assert in_frame(touched(), datum_frame(touched(), [A], nominal=TOWER), None) is not None


@pytest.mark.parametrize(("angle", "datums"), [(90.0, "A"), ((90.0, 90.0), ("A", "C"))])
def test_the_letters_give_the_directions_of_basic_angles(angle, datums):
    """The bottom looks along -z, C along y: the upper left stands square to both, though the part lies turned."""
    lying = project(_moved(touched(seed=3), make_motion([0.1, 0.2, 0.1], [0.4, 0.3, 0.5])), TOWER, stylus=0.0)
    shared = {"width": 0.1, "of": "angularity", "angle": angle, "features": ("upper left",), "datums": datums}
    to = ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0))[: np.size(angle)]
    bare, told = (evaluate_all([Orientation(**shared, to=one)], lying, TOWER, datums=DATUMS)[0] for one in ((), to))
    assert bare.actual == pytest.approx(told.actual, abs=1e-7)
    assert told.actual > 1e-3


def test_a_basic_angle_without_a_direction_names_its_tolerance():
    one = Orientation(width=0.1, of="angularity", angle=30.0, name="slope", features=("upper left",))
    with pytest.raises(InputError, match="tolerance 'slope': each basic angle needs the direction of its datum"):
        one.evaluate(touched(), TOWER)


@pytest.mark.parametrize(
    ("of", "feature", "match"),
    [
        ("parallelism", "upper left", "cannot be meant where .* stands otherwise; found 'it stands at 90.0 degrees"),
        ("perpendicularity", "upper top", "stands at 0.0 degrees to that datum'; expected 0?90 degrees"),
        ("angularity", "upper left", "than the basic angle; found '30.0 degrees off'; expected 60 degrees"),
    ],
)
def test_an_orientation_that_its_nominal_contradicts_is_refused(of, feature, match):
    """A wrong feature, a wrong datum, a wrong kind: the walls of a box stand at 90 degrees to its bottom."""
    angle = {"angle": 60.0} if of == "angularity" else {}
    wrong = Orientation(width=0.1, of=of, features=(feature,), datums="A", **angle)
    with pytest.raises(InputError, match=match):
        evaluate_all([wrong], touched(seed=3), TOWER, datums=DATUMS)
    right = {"parallelism": "upper top"}.get(of, "upper left")
    angle = {"angle": 90.0} if of == "angularity" else {}
    good = Orientation(width=0.1, of=of, features=(right,), datums="A", **angle)
    assert evaluate_all([good], touched(seed=3), TOWER, datums=DATUMS)[0].actual < 0.1


def test_a_degree_off_is_as_drawn():
    """A mesh, or a drawing that rounds: half a degree is no contradiction, two are; of planes and axes alike."""
    up, axis = np.array([0.0, 0.0, 1.0]), np.radians([89.5, 88.0, 0.5, 2.0])
    at = [np.array([np.sin(a), 0.0, np.cos(a)]) for a in axis]
    assert contradiction("perpendicularity", at[0], "plane", up, "plane") is None
    assert contradiction("perpendicularity", at[1], "plane", up, "plane") == pytest.approx(88.0)
    assert contradiction("perpendicularity", at[2], "axis", up, "plane") is None
    assert contradiction("perpendicularity", at[3], "axis", up, "width") == pytest.approx(88.0)
    assert contradiction("parallelism", -at[2], "axis", up, "cylinder") is None
    assert contradiction("parallelism", at[0], "axis", up, "cylinder") == pytest.approx(89.5)
    assert contradiction("angularity", at[1], "plane", up, "plane") is None
    assert contradiction("parallelism", at[1], "plane", up, "face") is None
