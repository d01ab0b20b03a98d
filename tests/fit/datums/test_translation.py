"""A datum whose simulator may leave its basic place: closed forms of a bore and a slot that are too far away."""

import numpy as np
import pandas as pd
import pytest
from fit.datums.test_boundaries import joined, round_feature
from thorough import count
from tolerance.inspected import inspected
from tolerance.touched import table

from probekit import InputError
from probekit.fit import Datum, datum_frame
from probekit.tolerance import Position
from probekit.tolerance.together import named_frame

A, B = Datum("A", "plane", "bottom"), Datum("B", "cylinder", "b")


def bores(n=8, *, far=0.0, aside=0.0, scatter=0.0, seed=0):
    """Datum bores at the origin and at (60, 0), the second off by `far` along x and `aside` along y; a hole between."""
    return joined(
        round_feature("b", (0, 0), n, scatter=scatter, seed=2 * seed),
        round_feature("c", (60, 0), n, off=(far, aside), scatter=scatter, seed=2 * seed + 1),
        round_feature("hole", (30, 20), 8),
    )


@pytest.mark.parametrize("n", [5, 6, 8])
@pytest.mark.parametrize("simulator", ["default", "least_squares", "minimax"])
def test_a_bore_too_far_away_clocks_the_part_and_no_more(n, simulator):
    """Free along x the second bore gives the turn alone: aside / distance, exactly, and the axis is met."""
    found = bores(n, far=0.3, aside=0.06)
    free = Datum("C", "cylinder", "c", simulator=simulator, translation=(1, 0, 0))
    frame = datum_frame(found, [A, B, free])
    assert frame.rotation_deg[2] == pytest.approx(-np.degrees(np.arctan2(0.06, 60.3)), abs=2e-6)
    assert frame.table["takes"].iloc[2] == "rz"
    said = next(note for note in frame.notes if note.startswith("datum C: its simulator stands"))
    assert f"{np.hypot(60.3, 0.06) - 60:+.4f} mm from its basic place along (1.000, 0.000, 0.000)" in said
    sized = frame.simulators[2].parameters
    assert 2 * sized["radius"] == pytest.approx(12.0, abs=1e-5)  # not squeezed by the basic distance
    held = datum_frame(found, [A, B, Datum("C", "cylinder", "c")])
    assert 2 * held.simulators[2].parameters["radius"] < 11.5


def test_along_what_it_may_not_translate_it_keeps_its_place():
    """Free along y the bore would take nothing: what turns the part is what it may do by itself."""
    with pytest.raises(InputError, match="datum C adds nothing"):
        datum_frame(bores(), [A, B, Datum("C", "cylinder", "c", translation=(0, 1, 0))])


def test_a_slot_and_a_plane():
    """A slot along x from the axis of B takes the same turn either way; a plane as tertiary keeps its turn only."""
    points = np.array([[50, 3.07, 2], [70, 3.07, 2], [50, -2.93, 2], [70, -2.93, 2.0]])
    normal = np.array([[0, -1, 0], [0, -1, 0], [0, 1, 0], [0, 1, 0.0]])
    feet = points - [0, 0.07, 0]
    slot = table(points, normal, deviation=((points - feet) * normal).sum(axis=1), foot=feet, feature="s")
    found = joined(round_feature("b", (0, 0), 8), slot)
    held = datum_frame(found, [A, B, Datum("C", "width", "s")])
    free = datum_frame(found, [A, B, Datum("C", "width", "s", translation=(0, 1, 0))])
    assert abs(held.rotation_deg[2]) > 0.05
    assert free.rotation_deg[2] == pytest.approx(0.0, abs=1e-6)
    assert any("stands +0.0700 mm from its basic place" in note for note in free.notes)


def test_covariance_is_that_of_fresh_touches():
    found = [
        datum_frame(
            bores(7, scatter=0.003, seed=k), [A, B, Datum("C", "cylinder", "c", translation=(1, 0, 0))], u=0.003
        )
        for k in range(count(25, 60))
    ]
    turns = np.array([one.rotation_deg[2] for one in found])
    stated = np.array([one.uncertainty[5] for one in found])
    assert np.mean(np.abs(turns) <= 2 * stated) >= 0.88
    assert stated.mean() < 2.5 * turns.std()


def test_letters_say_whether_it_translates():
    found, known = (
        bores(far=0.3),
        {one.letter: one for one in (A, B, Datum("C", "cylinder", "c", translation=(1, 0, 0)))},
    )
    basic, free = (named_frame(("A", "B", last), known, found) for last in ("C", "C(>)"))
    assert not any("its simulator stands" in note for note in basic.notes)
    assert any("its simulator stands +0.3000 mm" in note for note in free.notes)
    with pytest.raises(InputError, match="datum B translate, and the datum does not say along what"):
        named_frame(("A", "B(>)"), known, found)
    drawn = Position(datums=("A", "B", "C(>)"), width=0.2)
    assert "\u25b7" in drawn.frame
    assert "<path" in drawn._repr_svg_()


def test_tables_from_csv_give_the_same(tmp_path):
    found = bores(5, far=0.2, aside=0.01, scatter=0.002)
    found.to_csv(tmp_path / "found.csv", index=False)
    again = pd.read_csv(tmp_path / "found.csv")
    datums = [A, B, Datum("C", "cylinder", "c", translation=(1, 0, 0))]
    assert datum_frame(again, datums).motion == pytest.approx(datum_frame(found, datums).motion, abs=1e-12)


def test_in_a_study(tmp_path):
    datums = """
[[datum]]
letter = "A"
kind = "plane"
features = "base_top"

[[datum]]
letter = "B"
kind = "cylinder"
features = ["bore"]

[[datum]]
letter = "C"
kind = "width"
features = ["slot"]
translation = [0, 1, 0]

[alignment]
datums = ["A", "B"]
"""
    study = """
[[tolerance]]
name = "basic"
features = ["skin"]
width = 0.4
datums = ["A", "B", "C"]

[[tolerance]]
name = "translated"
features = ["skin"]
width = 0.4
datums = ["A", "B", "C(>)"]
"""
    found = inspected(tmp_path, study, datums)
    assert "as the translation modifier allows" in " ".join(found["translated"]["notes"])
    assert found["basic"]["actual"] != found["translated"]["actual"]
