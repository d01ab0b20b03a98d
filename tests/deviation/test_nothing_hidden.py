"""What changes a number is a column of the table: radius map, merged and stored tables, a part clamped askew."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from thorough import some

from probekit import deviation, fit, geometry, nominal, report, tolerance, touches, verdict
from probekit.errors import InputError

SIZE, BALL = 40.0, 3.0
LOBES = 0.010  # height of three lobes of the probe [mm]


def effective(direction: np.ndarray) -> np.ndarray:
    """Radius (n,) of the probe for outward directions (n, 3) in its own frame [mm]."""
    return BALL + LOBES * np.cos(3 * np.arctan2(direction[:, 1], direction[:, 0]))


STYLUS = touches.Stylus(2 * BALL, map=touches.RadiusMap("ring", 3, (BALL, 0.0, 0.0, LOBES, 0.0)))


def bore_touches(*, probe_turned: float = 0.0, noise: float = 0.0001) -> pd.DataFrame:
    """Ball centres in a perfect bore about z, in part coordinates; the probe is turned against the part [deg]."""
    rng = np.random.default_rng(7)
    angle, height = (a.ravel() for a in np.meshgrid(np.radians(np.arange(3.0, 363, 20)), [-5.0, -10.0, -17.0]))
    outward = -np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])  # of the material: towards the axis
    on = -SIZE / 2 * outward + np.column_stack([0 * angle, 0 * angle, height])
    seen = outward @ fit.make_motion(rotation=(0, 0, probe_turned))[:3, :3].T
    at = on + (effective(seen) + rng.normal(scale=noise, size=len(on)))[:, None] * outward
    table = pd.DataFrame({"touch": np.arange(1, len(on) + 1), "feature": "bore", "reason": ""})
    table[["x0", "y0", "z0"]], table[["i", "j", "k"]], table[["x", "y", "z"]] = on, outward, at
    table.attrs = {"recorded": "centre", "part": "block", "unit": "mm"}
    return table


@pytest.fixture(scope="module")
def block(tmp_path_factory) -> nominal.Nominal:
    """A block with a bore of 40 mm, exact."""
    pytest.importorskip("OCP")
    import exact_shapes as es

    body = es.BRepPrimAPI_MakeBox(es.gp_Pnt(-40, -40, -20), es.gp_Pnt(40, 40, 0)).Shape()
    axis = es.gp_Ax2(es.gp_Pnt(0, 0, -30), es.gp_Dir(0, 0, 1))
    hole = es.BRepPrimAPI_MakeCylinder(axis, SIZE / 2, 60).Shape()
    path = es.write(es.BRepAlgoAPI_Cut(body, hole).Shape(), tmp_path_factory.mktemp("block") / "block.step")
    return nominal.load(path)


def errors_of(table: pd.DataFrame) -> dict[str, float]:
    """Form, and size less the nominal, by every route that fits a round element."""
    options = {"features": ["bore"]}
    simulator = fit.datum_frame(table, [fit.Datum("B", "cylinder", ("bore",))]).simulators[0]
    sizes = {
        how: tolerance.size(table, (SIZE - 1, SIZE + 1), method=how, **options).details
        for how in ("two_point", "maximum_inscribed", "least_squares")
    }
    return {
        "cylindricity": tolerance.cylindricity(table, 0.02, **options).actual,
        "circularity": tolerance.circularity(table, 0.02, section="z", **options).actual,
        "form of the datum": simulator.form,
        **{f"{how}: {end}": value[end] - SIZE for how, value in sizes.items() for end in value if end.endswith("size")},
    }


def assert_perfect(table: pd.DataFrame, within: float = 0.001) -> None:
    assert np.abs(table["deviation"]).max() < within
    wrong = {name: value for name, value in errors_of(table).items() if abs(value) > within}
    assert not wrong


def test_a_radius_map_reaches_form_size_and_datum(block):
    """Perfect bore, three lobes of 10 um that the map knows: what is left is the noise, not the lobes."""
    assert_perfect(deviation.Projection(block, STYLUS).project(bore_touches()))


def test_a_radius_map_reaches_a_tolerance_in_its_own_frame(block):
    """The part sits 0.05 mm off; the frame of the bore brings it home, and the map with it."""
    table = bore_touches()
    table["x"] += 0.05
    how = deviation.Projection(block, STYLUS)
    wanted = tolerance.Profile(name="wall", width=0.02, features=("bore",), datums=("B",))
    for given in (how, block):  # a bare nominal: the radius of each touch from its column
        found = tolerance.evaluate_all(
            [wanted], how.project(table), given, datums=[fit.Datum("B", "cylinder", ("bore",))]
        )
        assert found[0].actual < 0.0012
    set_up = fit.set_up(
        table, [fit.Datum("B", "cylinder", ("bore",))], nominal=how, ball=None, free=("tx", "ty", "tz", "rz")
    )
    assert set_up.shift[0] == pytest.approx(0.05, abs=0.001)  # where the part sits


@pytest.mark.parametrize("stored", [False, True])
def test_a_part_clamped_askew_turns_the_probe_against_it(block, stored):
    """Clamped at 60 degrees: touches moved into the part frame say how the probe stands there."""
    clamped = fit.make_motion((120.0, -35.0, 8.0), (0.0, 0.0, 60.0))
    table = bore_touches(probe_turned=60.0)
    if stored:  # the table says that the probe stood parallel to the machine
        table[["turn_x", "turn_y", "turn_z"]] = 0.0
    in_machine = table.copy()
    in_machine[["x", "y", "z"]] = geometry.apply_motion(clamped, table[["x", "y", "z"]].to_numpy())
    home = fit.move_touches(in_machine, geometry.invert_motion(clamped))
    assert_perfect(deviation.Projection(block, STYLUS).project(home))


def through_csv(table: pd.DataFrame, tmp_path) -> pd.DataFrame:
    table.to_csv(tmp_path / "stored.csv", index=False)
    return pd.read_csv(tmp_path / "stored.csv")


@pytest.mark.parametrize("way", some(["merge", "concat", "csv", "dict", "json"]))
def test_what_a_table_goes_through_changes_no_number(block, tmp_path, way):
    found = deviation.Projection(block, STYLUS).project(bore_touches())
    if way == "merge":
        table = found.merge(pd.DataFrame({"touch": found["touch"], "operator": "me"}), on="touch")
    elif way == "concat":  # a second run with another ball, without a map
        again = bore_touches(noise=0.0002)
        outward = again[["i", "j", "k"]].to_numpy()
        again[["x", "y", "z"]] = again[["x0", "y0", "z0"]].to_numpy() + 1.0 * outward
        again["touch"] += 1000
        again.attrs |= {"stylus": "small"}
        table = pd.concat([found, deviation.Projection(block, 1.0, max_distance=2.0).project(again)])
    elif way == "csv":
        table = through_csv(found, tmp_path)
    elif way == "dict":
        table = pd.DataFrame(found.to_dict())
    else:
        found.to_json(tmp_path / "stored.json", double_precision=15)
        table = pd.read_json(tmp_path / "stored.json")
    assert_perfect(table)
    assert fit.rigid(table, block, free=("tx", "ty")).translation == pytest.approx(np.zeros(3), abs=3e-4)
    assert_perfect(deviation.Projection(block).project(table))  # each touch keeps the radius of its own ball


def test_a_table_that_lost_its_radii_is_refused(block):
    found = deviation.Projection(block, STYLUS).project(bore_touches()).drop(columns="radius")
    with pytest.raises(InputError, match="ball radius"):
        tolerance.size(found, (39, 41), features=["bore"])
    with pytest.raises(InputError, match="ball radius"):
        tolerance.cylindricity(found, 0.02, features=["bore"])
    with pytest.raises(InputError, match="measured"):
        fit.rigid(found, block)
    bare = pd.DataFrame(bore_touches().to_dict())  # neither centre nor contact is said any more
    with pytest.raises(InputError, match="ball centres or contact points"):
        deviation.Projection(block).project(bare)


def test_results_are_touches_again(block, tmp_path):
    found = deviation.Projection(block, STYLUS).project(bore_touches())
    judged = verdict.classify(found, tolerance.profile(found, 0.02, features=["bore"]))
    report.tables(judged, to_csv=tmp_path / "results.csv")
    again = touches.read(tmp_path / "results.csv")
    assert_perfect(deviation.Projection(block, STYLUS).project(again))
    assert_perfect(again)
    fitted = fit.rigid(again, block, free=("tx", "ty"))
    assert fitted.rms < 0.0002
    assert_perfect(deviation.Projection(block).project(fit.move_touches(again, np.eye(4))))


def test_a_bare_nominal_does_not_stand_for_another_projection(block):
    wanted = tolerance.Profile(name="wall", width=0.02, features=("bore",), datums=("B",))
    table = bore_touches()
    table["x"] += 0.05
    for options, word in (({"along": "target"}, "along"), ({"allowance": 0.1}, "allowance")):
        found = deviation.Projection(block, STYLUS, **options).project(table)
        with pytest.raises(InputError, match=f"another .*{word}"):
            tolerance.evaluate_all([wanted], found, block, datums=[fit.Datum("B", "cylinder", ("bore",))])


def test_two_runs_with_other_balls_are_merged_and_go_through_a_file(block, tmp_path):
    """Half of the touches by a ball of 3 mm, half by one of 1.5: projected, merged, written as they are, read back."""
    how, smaller = deviation.Projection(block, 3.0), deviation.Projection(block, 1.5)
    place = np.array([[20.0 * k - 30, -30.0] for k in range(4)])
    up = block.bounds[1, 2]
    runs = [
        each.project(
            pd.DataFrame(
                {"touch": rows, "feature": "top", "x0": place[rows, 0], "y0": place[rows, 1], "z0": up}
            ).assign(i=0.0, j=0.0, k=1.0, x=place[rows, 0], y=place[rows, 1], z=up + ball + 0.01 * rows, reason="")
        )
        for each, ball, rows in ((how, 3.0, np.array([0, 2])), (smaller, 1.5, np.array([1, 3])))
    ]
    merged = pd.concat(runs, ignore_index=True)
    merged.attrs = {"unit": "mm", "recorded": "centre"}
    touches.write(merged, tmp_path / "both.csv")
    again = deviation.Projection(block).project(touches.read(tmp_path / "both.csv"))
    assert again["deviation"].to_numpy() == pytest.approx([0.0, 0.02, 0.01, 0.03], abs=1e-9)
    assert again["radius"].tolist() == [3.0, 3.0, 1.5, 1.5]
    with pytest.raises(
        InputError, match=r"another ball radius than that of the stylus; found 'touch 1: 1.5, and 1 more'"
    ):
        how.project(again)
