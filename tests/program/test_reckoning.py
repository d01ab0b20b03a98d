"""What a program reckons of its touches: trees with units, and closed forms of a few touches against rigid motions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from probekit.errors import InputError
from probekit.program.deciding.estimates import Estimate, Probed
from probekit.program.deciding.expressions import Deviation, Let, Name, Operation, Value, leaves, value_of
from probekit.program.reading.interpreter import run
from probekit.program.writing.dialect_reader import read_dialect
from probekit.program.writing.reckoning import spelled

MM = Value(3.0, "mm")


def reckoned(estimate: Estimate, deviations: dict[int, float]) -> dict[str, float]:
    names: dict[str, float] = {}
    for let in estimate.lets:
        names[let.name] = value_of(let.to, names, deviations)
    return names


@pytest.mark.parametrize(
    ("word", "of", "unit"),
    [
        ("+", (MM, Deviation(1)), "mm"),
        ("*", (MM, MM), "mm2"),
        ("sqrt", (Operation("*", (MM, MM)),), "mm"),
        ("/", (MM, MM), ""),
        ("/", (MM, Value(2)), "mm"),
        ("atan2", (MM, MM), "degree"),
        ("<=", (MM, MM), "truth"),
        ("and", (Operation("<", (MM, MM)), Operation(">", (MM, MM))), "truth"),
    ],
)
def test_units_go_together(word, of, unit):
    assert Operation(word, of).unit == unit


@pytest.mark.parametrize(
    ("word", "of"),
    [
        ("+", (MM, Value(1.0))),
        ("-", (MM, Value(1.0, "degree"))),
        ("sqrt", (MM,)),
        ("/", (Value(1.0), MM)),
        ("<", (MM, Value(1.0))),
        ("and", (MM, MM)),
        ("+", (Operation("<", (MM, MM)), MM)),
        ("atan2", (MM, Value(1.0))),
        ("eval", (MM, MM)),
        ("abs", (MM, MM)),
    ],
)
def test_what_does_not_go_together_is_refused(word, of):
    with pytest.raises(InputError, match=r"units do not go together|an operation is not usable"):
        Operation(word, of)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_values_are_finite(value):
    with pytest.raises(InputError, match="a value is not usable"):
        Value(value)


def test_a_name_that_is_not_there_and_a_root_of_a_negative_number_are_told():
    with pytest.raises(InputError, match="used before it is there; found 'dz'"):
        value_of(Name("dz"), {}, {})
    root = Operation("sqrt", (Operation("*", (MM, Value(-1.0, "mm"))),))
    with pytest.raises(InputError, match="cannot be reckoned"):
        value_of(root, {}, {})


def rigid(normals: np.ndarray, targets: np.ndarray, shift: np.ndarray, turn: np.ndarray) -> dict[int, float]:
    """First-order deviations of touches on a part that is moved: n . (t + w x p), w in radians."""
    moved = shift + np.cross(turn, targets)
    return {k: float(n @ m) for k, (n, m) in enumerate(zip(normals, moved, strict=True), 1)}


def test_height_is_the_share_of_a_shift_along_a_direction_on_either_side():
    rng = np.random.default_rng(5)
    targets = rng.uniform(-20, 20, (4, 3))
    for sign in (1.0, -1.0):
        normals = np.tile([0.0, 0.0, sign], (4, 1))
        shift = np.array([0.3, -0.2, 0.17])
        touches = tuple(Probed(k, tuple(p), tuple(n)) for k, (p, n) in enumerate(zip(targets, normals, strict=True), 1))
        names = reckoned(Estimate("dz", "height", touches, (0, 0, 2)), rigid(normals, targets, shift, np.zeros(3)))
        assert names["dz"] == pytest.approx(0.17)
        assert names["dz spread"] == pytest.approx(0.0, abs=1e-12)


def test_spread_is_the_largest_less_the_smallest():
    touches = tuple(Probed(k, (k, 0, 0), (0, 0, 1)) for k in range(1, 6))
    deviations = {1: 0.01, 2: -0.03, 3: 0.02, 4: 0.0, 5: 0.015}
    names = reckoned(Estimate("dz", "height", touches, (0, 0, 1)), deviations)
    assert names["dz"] == pytest.approx(np.mean(list(deviations.values())))
    assert names["dz spread"] == pytest.approx(0.05)


def test_the_middle_does_not_need_the_size():
    angles = np.radians([0, 90, 180, 270])
    normals = np.array([[-np.cos(a), -np.sin(a), 0.0] for a in angles])  # a bore: normals point inwards
    touches = tuple(Probed(k, tuple(-10 * n), tuple(n)) for k, n in enumerate(normals, 1))
    smaller = 0.04  # on its radius, so material is left on
    deviations = {k: float(n @ [0.11, -0.07, 0.0]) + smaller for k, n in enumerate(normals, 1)}
    for direction, share in (((1, 0, 0), 0.11), ((0, -1, 0), 0.07)):
        estimate = Estimate("d", "middle", touches, direction)
        assert reckoned(estimate, deviations)["d"] == pytest.approx(share)
        assert len(estimate.used) == 2
        assert len(estimate.unused) == 2
        assert not estimate.redundant


def test_the_angle_is_that_of_a_plane_that_is_turned():
    targets = np.array([[x, y, 0.0] for x in (-20.0, 20.0) for y in (-5.0, 5.0)])
    normals = np.tile([0.0, 0.0, 1.0], (4, 1))
    touches = tuple(Probed(k, tuple(p), (0, 0, 1)) for k, p in enumerate(targets, 1))
    turn = np.radians([0.0, -0.3, 0.0])  # about minus Y: the side of X plus goes up
    estimate = Estimate("tilt", "angle", touches, (0, 0, 1), (1, 0, 0))
    names = reckoned(estimate, rigid(normals, targets, np.array([0, 0, 0.4]), turn))
    assert names["tilt"] == pytest.approx(0.3, abs=1e-5)
    assert estimate.unit == "degree"


@pytest.mark.parametrize(
    ("kind", "normals", "along", "said"),
    [
        ("height", [(0, 0, 1), (0, 0, -1)], None, "touches on one side; found '1 along, 1 against"),
        ("height", [(1, 0, 0)], None, "touches on one side"),
        ("middle", [(0, 0, 1), (0, 0, 1)], None, "touches on both sides"),
        ("angle", [(0, 0, 1)], (1, 0, 0), "at two places along its plane"),
        ("angle", [(0, 0, 1)], None, "has a direction along its plane"),
        ("height", [(0, 0, 1)], (1, 0, 0), "and nothing else, has a direction along its plane"),
        ("angle", [(0, 0, 1)], (0, 0, 1), "not square to its normal"),
        ("plane", [(0, 0, 1)], None, "not known; found 'plane'; expected height, middle, angle"),
    ],
)
def test_touches_that_do_not_give_it_are_refused(kind, normals, along, said):
    touches = tuple(Probed(k, (0, 0, 0), normal) for k, normal in enumerate(normals, 1))
    with pytest.raises(InputError, match=said):
        Estimate("e", kind, touches, (0, 0, 1), along)


def test_the_text_of_an_expression_gives_the_same_number_in_a_control():
    """Every operation, spelled for RS274/NGC and run by the interpreter, beside its value; the numbers are random."""
    how = read_dialect("rs274_flow").reckoning
    rng = np.random.default_rng(2)
    for _ in range(20):
        a, b = (Value(round(float(v), 5), "mm") for v in rng.uniform(-2, 2, 2))
        trees = [Operation(word, (a, b)) for word in ("+", "-", "*", "/", "min", "max", "atan2")]
        trees += [Operation("abs", (a,)), Operation("sqrt", (Operation("*", (a, a)),))]
        for tree in trees:
            text = spelled(tree, how, str, str)
            at = next(step for step in run(f"G21 G90\nG0 X[{text}]") if step.kind == "rapid").end[0]
            assert at == pytest.approx(value_of(tree, {}, {}), abs=1e-5), text
        for word in ("<", "<=", ">", ">="):
            tree = Operation("and", (Operation(word, (a, b)), Operation("<", (a, Value(1.5, "mm")))))
            text = f"O1 if {spelled(tree, how, str, str)}\nG0 X1\nO1 endif"
            went = any(step.kind == "rapid" for step in run(text, flow=True))
            assert went == bool(value_of(tree, {}, {}))


def test_an_operation_that_a_dialect_lacks_is_refused_by_name():
    with pytest.raises(InputError, match="the dialect rs274 cannot reckon this"):
        spelled(Operation("<", (MM, MM)), read_dialect("rs274").reckoning, str, str, "rs274")


def test_lines_of_a_long_estimate_stay_short():
    touches = tuple(Probed(k, (k, 0, 0), (0, 0, 1)) for k in range(1, 40))
    lets = Estimate("dz", "height", touches, (0, 0, 1)).lets
    assert all(isinstance(let, Let) for let in lets)
    short = [let for let in lets if "mean" not in let.name]
    assert max(len(list(leaves(let.to))) for let in short) <= 2
