"""Plausibility of a table: faults put in on purpose are found and named, honest tables pass."""

import itertools
import re

import numpy as np
import pandas as pd
import pytest

from probekit.errors import InputError
from probekit.touches import read
from probekit.touches.check import check

TARGET, NORMAL, MEASURED = ["x0", "y0", "z0"], ["i", "j", "k"], ["x", "y", "z"]
SIZE = 138.56  # diagonal of the box around a sphere of 40 mm radius [mm]


def rotation(degrees: float) -> np.ndarray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def message(table, diagonal=SIZE) -> str:
    with pytest.raises(InputError) as caught:
        check(table, diagonal=diagonal)
    return str(caught.value)


# --- honest tables ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("diagonal", [None, SIZE, 2000.0])
def test_good_table_passes_unchanged(sphere_table, diagonal):
    before = sphere_table.copy()
    assert check(sphere_table, diagonal=diagonal) == []
    pd.testing.assert_frame_equal(sphere_table, before)


@pytest.mark.parametrize("shift", [(0.5, 0, 0), (-20.0, 12.0, 3.0), (0, 0, -90.0), (-70.0, -20.0, -35.0)])
def test_set_up_shift_passes(sphere_table, shift):
    sphere_table[MEASURED] += np.array(shift)
    assert check(sphere_table, diagonal=SIZE) == []


@pytest.mark.parametrize("degrees", [-20.0, 2.0, 10.0])
def test_set_up_rotation_passes(sphere_table, degrees):
    sphere_table[MEASURED] = sphere_table[MEASURED].to_numpy() @ rotation(degrees).T
    assert check(sphere_table, diagonal=SIZE) == []


def test_touches_near_the_origin_of_a_small_part_pass():
    """Ball centres 3 mm above a 4 mm plate, origin in its top: a ratio of positions would mean nothing here."""
    rng = np.random.default_rng(6)
    target = np.column_stack([rng.uniform(-2, 2, (200, 2)), np.zeros(200)])
    target[0] = 0.03, -0.04, 0
    columns = dict(zip([*TARGET, *MEASURED], np.column_stack([target, target + np.array([0, 0, 3.0])]).T, strict=True))
    table = pd.DataFrame({"touch": range(200), "feature": "top", **columns, "i": 0.0, "j": 0.0, "k": 1.0})
    table.attrs = {"recorded": "centre"}
    assert check(table, diagonal=6.0) == []
    assert check(table.head(1), diagonal=6.0) == []  # the one next to the origin


def test_shift_towards_the_origin_is_no_unit(sphere_table):
    """After a shift, some touch may lie at 1/25.4 of its target by chance; the others say that it is chance."""
    shift = -sphere_table.loc[7, TARGET].to_numpy(float) * (1 - 1 / 25.4)
    sphere_table[MEASURED] = sphere_table[TARGET].to_numpy() + shift
    sphere_table.attrs["recorded"] = "contact"
    assert check(sphere_table, diagonal=SIZE) == []


def test_missed_touches_and_missing_targets_pass(sphere_table):
    sphere_table.loc[3, MEASURED] = np.nan
    sphere_table.loc[3, "reason"] = "no trigger"
    sphere_table.loc[4, TARGET + NORMAL] = np.nan
    assert check(sphere_table) == []
    sphere_table[TARGET] = np.nan
    notes = check(sphere_table)
    assert notes == ["too few touches with target and measured position: units and columns could not be checked"]
    assert check(sphere_table.head(2), diagonal=SIZE) == notes


# --- units -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("factor", "words"), [(25.4, "25.4 times"), (1 / 25.4, "1/25.4 of")])
def test_measured_in_the_other_unit(sphere_table, factor, words):
    sphere_table[MEASURED] *= factor
    text = message(sphere_table)
    assert f"mixed units: in 60 of 60 touches the measured position is {words} its target (touch 1, row 0)" in text
    assert "Give all positions of a file in one unit" in text


@pytest.mark.parametrize("rows", [[17], list(range(20, 45)), list(range(1, 60))])
def test_some_rows_in_inches(sphere_table, rows):
    sphere_table.loc[rows, MEASURED] /= 25.4
    text = message(sphere_table)
    assert f"mixed units: in {len(rows)} of 60 touches" in text
    assert f"(touch {rows[0] + 1}, row {rows[0]})" in text


def test_targets_in_inches_by_spread_alone(sphere_table):
    sphere_table[TARGET] /= 25.4
    assert "mixed units: in 60 of 60 touches the measured position is 25.4 times" in message(sphere_table, None)


# --- columns and axes ------------------------------------------------------------------------------------------------

WAYS = [
    (order, sign)
    for order in itertools.permutations(range(3))
    for sign in itertools.product((1, -1), repeat=3)
    if (order, sign) != ((0, 1, 2), (1, 1, 1))
]


@pytest.mark.parametrize(("order", "sign"), WAYS)
def test_exchanged_axes(sphere_table, order, sign):
    right = sphere_table[MEASURED].to_numpy()
    wrong = np.empty_like(right)
    wrong[:, order] = right * sign  # so that wrong[:, order] * sign is right again
    sphere_table[MEASURED] = wrong
    text = message(sphere_table)
    words = ", ".join(("-" if s < 0 else "") + MEASURED[n] for n, s in zip(order, sign, strict=True))
    assert f"axes of the measured positions look exchanged: read as ({words}) they fit" in text
    assert float(re.search(r"expected about (\S+) mm", text)[1]) == pytest.approx(2.0, abs=0.01)


def test_swapped_target_and_measured(sphere_table):
    """They are as far apart as before, but ball centres now lie inside the material."""
    sphere_table[TARGET + MEASURED] = sphere_table[MEASURED + TARGET].to_numpy()
    text = message(sphere_table)
    assert "ball centres lie inside the material: measured x, y, z and targets x0, y0, z0 look swapped" in text
    assert float(re.search(r"found '(\S+) mm", text)[1]) == pytest.approx(-2.0, abs=0.01)
    sphere_table[NORMAL] *= -1  # and the other explanation that the message gives
    assert check(sphere_table, diagonal=SIZE) == []


def test_swapped_blocks_are_seen_through_a_set_up_shift(sphere_table):
    sphere_table[MEASURED] = sphere_table[MEASURED].to_numpy() @ rotation(1.0).T + [3.0, -9.0, 4.0]
    assert check(sphere_table, diagonal=SIZE) == []
    sphere_table[TARGET + MEASURED] = sphere_table[MEASURED + TARGET].to_numpy()
    assert "look swapped" in message(sphere_table)


def test_swapped_blocks_cannot_be_told_on_one_plane(sphere_table):
    """A plane touched 2 mm too low is a shifted plane: nothing is claimed."""
    sphere_table[NORMAL] = [0.0, 0.0, 1.0]
    sphere_table["z0"] = 0.0
    sphere_table[MEASURED] = sphere_table[TARGET] - [0, 0, 2.0]
    assert check(sphere_table, diagonal=SIZE) == []


def test_swapped_blocks_cannot_be_told_on_a_shallow_dome(sphere_table):
    """A dome of 1 m radius, bent 0.2 mm too much: read as heights along its normals, that would mean hundreds of mm."""
    flat = sphere_table[TARGET].to_numpy()[:, :2] - [70.0, 20.0]
    normal = np.column_stack([flat / 1000, np.sqrt(1 - (flat**2).sum(axis=1) / 1000**2)])
    bend = 0.2 * (flat**2).sum(axis=1, keepdims=True) / 40**2
    sphere_table[NORMAL], sphere_table[TARGET] = normal, 1000 * normal
    sphere_table[MEASURED] = 1000 * normal + (2.0 - bend) * normal
    assert check(sphere_table, diagonal=SIZE) == []


def test_swapped_normals_and_measured(sphere_table):
    sphere_table[NORMAL + MEASURED] = sphere_table[MEASURED + NORMAL].to_numpy()
    text = message(sphere_table)
    assert (
        "i, j, k are not a unit vector, but x, y, z are: the two groups of columns look swapped (touch 1, row 0)"
        in text
    )


def test_further_than_the_part_is_large(sphere_table):
    sphere_table.loc[9, "x"] += 200.0
    text = message(sphere_table)
    assert "1 of 60 touches are further from their target than the size of the part (touch 10, row 9)" in text
    assert "expected at most the diagonal, 138.560 mm" in text
    assert check(sphere_table, diagonal=300.0) == []
    assert "further from their target" in message(sphere_table, None)


def test_lines_are_named_when_the_table_knows_its_file(sphere_table):
    sphere_table.attrs["source"] = "run_1.csv"
    sphere_table.loc[9, "x"] += 200.0
    assert message(sphere_table).startswith("run_1.csv, column 'x': ")


# --- recorded --------------------------------------------------------------------------------------------------------


def test_centres_said_to_be_contact_points(sphere_table):
    sphere_table.attrs["recorded"] = "contact"
    (note,) = check(sphere_table, diagonal=SIZE)
    assert note.startswith("recorded as contact points, but 2.0")
    assert note.endswith("mm outside their targets: they look like ball centres")


def test_contact_points_said_to_be_centres(sphere_table):
    sphere_table[MEASURED] = sphere_table[MEASURED].to_numpy() - 2.0 * sphere_table[NORMAL].to_numpy()
    (note,) = check(sphere_table, diagonal=SIZE)
    assert note.startswith("recorded as ball centres, but only")
    sphere_table.attrs["recorded"] = "contact"
    assert check(sphere_table, diagonal=SIZE) == []


# --- rows ------------------------------------------------------------------------------------------------------------


def test_rounded_normals_are_noted_not_changed(sphere_table):
    sphere_table[NORMAL] = sphere_table[NORMAL].round(4)
    before = sphere_table.copy()
    (note,) = check(sphere_table, diagonal=SIZE)
    assert note.startswith("i, j, k: off unit length by up to ")
    pd.testing.assert_frame_equal(sphere_table, before)


def test_approach_is_checked_like_a_normal(sphere_table):
    sphere_table[["ai", "aj", "ak"]] = -sphere_table[NORMAL].to_numpy()
    assert check(sphere_table) == []
    sphere_table.loc[5, "ai"] = 3.0
    assert "column 'ai': ai, aj, ak are not a unit vector (touch 6, row 5)" in message(sphere_table)


def test_row_faults_are_named_by_row(sphere_table):
    sphere_table.loc[8, "touch"] = 3
    assert "column 'touch': an id occurs twice: row 2 and row 8 (touch 3, row 8)" in message(sphere_table)
    sphere_table["touch"] = [f"t{n}" for n in range(60)]
    sphere_table.loc[8, "u"] = np.inf
    assert "column 'u': infinite number (touch 't8', row 8)" in message(sphere_table)
    sphere_table["u"] = 0.002
    sphere_table.loc[8, "y"] = np.nan
    assert "column 'y': x, y, z are given only in part (touch 't8', row 8)" in message(sphere_table)
    sphere_table.loc[8, ["x", "z"]] = np.nan
    assert "no measured position and no reason (touch 't8', row 8)" in message(sphere_table)
    sphere_table["reason"] = np.nan
    assert "no measured position and no reason (touch 't8', row 8)" in message(sphere_table)


def test_hostile_ids_do_not_flood_the_message(sphere_table):
    sphere_table["touch"] = ["\x1b[31m" + "a" * 10_000] * 60
    text = message(sphere_table)
    assert len(text) < 400
    assert "\x1b" not in text


@pytest.mark.parametrize("diagonal", [0.0, -1.0, np.nan, np.inf])
def test_diagonal_must_be_positive(sphere_table, diagonal):
    with pytest.raises(InputError, match="diagonal of the part is not usable"):
        check(sphere_table, diagonal=diagonal)


def test_missing_columns(sphere_table):
    with pytest.raises(InputError, match="required columns are missing: i, z"):
        check(sphere_table.drop(columns=["i", "z"]))


def test_file_as_read(save, good):
    assert check(read(save(good)), diagonal=60.0) == []


def test_a_run_read_twice_under_new_ids_is_refused(sphere_table):
    """Copied rows halve the variance of every mean, and nothing about a single row is wrong."""
    again = sphere_table.assign(touch=sphere_table["touch"].to_numpy() + 1000)
    both = pd.concat([sphere_table, again], ignore_index=True)
    both.attrs = dict(sphere_table.attrs)
    said = message(both)
    assert f"{len(again)} of {len(both)} touches have exactly the measured position of another one" in said
    assert f"the position of touch {sphere_table['touch'].iloc[0]}" in said


def test_a_touch_that_repeats_to_the_last_digit_is_only_told(sphere_table):
    sphere_table.loc[5, MEASURED] = sphere_table.loc[4, MEASURED].to_numpy()
    sphere_table.loc[5, TARGET + NORMAL] = sphere_table.loc[4, TARGET + NORMAL].to_numpy()
    notes = check(sphere_table, diagonal=SIZE)
    assert len(notes) == 1
    assert notes[0].startswith("1 of ")


def test_a_run_repeated_with_scatter_passes(sphere_table):
    again = sphere_table.assign(touch=sphere_table["touch"].to_numpy() + 1000)
    again[MEASURED] += np.random.default_rng(2).normal(scale=0.003, size=(len(again), 3))
    both = pd.concat([sphere_table, again.round({name: 3 for name in MEASURED})], ignore_index=True)
    both.attrs = dict(sphere_table.attrs)
    assert not [note for note in check(both, diagonal=SIZE) if "another one" in note]
