"""The re-cut map: stock, where a tool reaches and where it does not, by closed forms."""

import numpy as np
import pandas as pd
import pytest
import shapes
import trimesh

from probekit.action import Cutter, recut_map, suggest
from probekit.action.ball_reach import reach
from probekit.action.smooth import smooth
from probekit.deviation import project
from probekit.nominal import Nominal
from probekit.report.recut_files import recut_files
from probekit.tolerance import profile
from probekit.verdict import classify, proved

U = 0.003
SADDLE = shapes.saddle(n=60)


def hump(x, y, at=(5.0, 5.0), height=0.2, size=6.0):
    return height * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * size**2))


def judged(
    nominal: Nominal, points: np.ndarray, true: np.ndarray, width: float = 0.2, seed: int = 0, u: float = U, **more
):
    """Touches on the nominal below points, `true` mm high."""
    on = nominal.engine.feet(points)
    table = pd.DataFrame({"touch": np.arange(len(points)), "feature": "x"})
    noise = np.random.default_rng(seed).normal(scale=u, size=len(points))
    table[["x", "y", "z"]] = on.foot + on.normal * (true + noise)[:, None]
    found = project(table, nominal, stylus=0.0)
    return classify(found, profile(found, width, name="p", **more), u=u, rule=proved())


def net(size: float = 25.0, n: int = 11) -> np.ndarray:
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-size, size, n), np.linspace(-size, size, n)))
    return np.column_stack([x, y, np.zeros(len(x))])


def on_saddle(more=0.0, **options):
    points = net()
    return judged(SADDLE, points, hump(points[:, 0], points[:, 1]) + more, **options)


def test_stock_at_touches_is_what_was_measured_and_never_negative():
    verdict = on_saddle()
    found = recut_map(verdict, SADDLE)
    table = verdict.table.set_index("touch").loc[found.table["touch"]]
    assert found.table["stock"].to_numpy() == pytest.approx(table["deviation"].to_numpy())
    assert found.table[["x", "y", "z"]].to_numpy() == pytest.approx(table[["foot_x", "foot_y", "foot_z"]].to_numpy())
    assert found.table["u"].to_numpy() == pytest.approx(U)
    assert (found.table["stock"] > 0.05).all()
    assert found.field["stock"].min() >= 0
    assert found.stock.min() == 0


def test_the_field_finds_the_hump_and_fades_out():
    """Touches 5 mm apart: within 0.015 of the hump near its top, and nothing two spacings from the last touch."""
    found = recut_map(on_saddle(), SADDLE)
    field = found.field
    near = np.hypot(field["x"] - 5, field["y"] - 5) < 4
    assert near.sum() > 20
    assert np.abs(field["stock"] - hump(field["x"], field["y"]))[near].max() < 0.015
    away = np.linalg.norm(field[["x", "y", "z"]].to_numpy()[:, None] - found.table[["x", "y", "z"]].to_numpy(), axis=2)
    assert away.min(axis=1).max() < 1.5 * 5.5
    assert (field["u"] > U / 3).all()
    assert (found.table["field"] - found.table["stock"]).abs().max() < 4 * U


def test_the_field_lies_on_the_surface_with_its_normals():
    field = recut_map(on_saddle(), SADDLE).field
    feet = SADDLE.engine.feet(field[["x", "y", "z"]].to_numpy() + 0.01 * field[["nx", "ny", "nz"]].to_numpy())
    assert feet.distance == pytest.approx(0.01, abs=1e-4)


def test_a_dent_beside_a_hump_is_told_and_not_filled():
    points = net()
    true = hump(points[:, 0], points[:, 1]) + hump(points[:, 0], points[:, 1], at=(5, -5), height=-0.09, size=3.0)
    verdict = judged(SADDLE, points, true)
    text = next(one for one in suggest(verdict, SADDLE).suggestions if "could be re-cut" in one)
    assert "Material is missing" in text
    assert "(touch 50, -0.0" in text  # the one at (5, -5)
    field = recut_map(verdict, SADDLE).field
    beside = np.hypot(field["x"] - 5, field["y"] + 5) < 1.5
    assert not beside.any() or field["stock"][beside].max() < 0.005


def trough(radius: float = 6.0) -> Nominal:
    """Half a hollow cylinder along y, open to +z; material outside it."""

    def place(a, y):
        return radius * np.cos(a), y, radius * np.sin(a)

    made = shapes.grid(place, np.linspace(np.pi, 2 * np.pi, 181), np.linspace(-20, 20, 41))
    return made if made.engine.feet(np.array([[0.0, 0.1, -5.0]])).distance[0] > 0 else _turned(made)


def _turned(model: Nominal) -> Nominal:
    return Nominal(
        np.array(model.vertices), np.array(model.facets[:, ::-1]), np.array(model.facet_face), model.face_names
    )


@pytest.mark.parametrize("radius", [3.0, 5.5, 7.0, 10.0])
def test_a_ball_in_a_hollow(radius):
    """A ball of 7 touching the bottom of a trough of 6: its centre is 1 mm above the axis, and it cuts the edges."""
    model = trough(6.0)
    found = reach(
        model, np.array([[0.0, 0.13, -6.0]]), np.array([[0.0, 0.0, 1.0]]), Cutter(1, ("face",), radius=radius), 0.01
    )
    if radius < 6:
        assert found.depth.tolist() == [0.0]
        assert found.by.tolist() == [""]
    else:  # centre `radius - 6` above the axis: the nearest of the half cylinder is its edge
        centre = radius - 6.0
        assert found.depth[0] == pytest.approx(radius - np.hypot(6.0, centre), abs=0.01)
        assert found.by.tolist() == ["ball"]


def test_an_undercut_needs_the_axis():
    """Under the side of a ball of radius 20, z = -12: from above the shank cuts it, from the side it does not."""
    model = shapes.ball()
    place, up = np.array([[16.0, 0.0, -12.0]]), (0.0, 0.0, 1.0)
    normal = place / 20.0
    assert reach(model, place, normal, Cutter(1, ("face",), radius=3.0), 0.01).by.tolist() == [""]
    from_above = reach(model, place, normal, Cutter(1, ("face",), radius=3.0, axis=up), 0.01)
    assert from_above.by.tolist() == ["shank"]
    # the axis of the shank passes the ball's centre at (23 * 0.8) = 18.4 < 20 + 3: by 4.6
    assert from_above.depth[0] == pytest.approx(20.0 + 3.0 - 18.4, abs=0.05)
    from_the_side = reach(model, place, normal, Cutter(1, ("face",), radius=3.0, axis=(1.0, 0.0, 0.0)), 0.01)
    assert from_the_side.by.tolist() == [""]


def test_what_the_tool_does_not_reach_stays_and_is_told():
    """A trough of 6 that is 0.15 high at its bottom: a ball of 5 can, one of 8 can not."""
    model = trough(6.0)
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-4, 4, 9), np.linspace(-16, 16, 17)))
    points = np.column_stack([x, y, -np.sqrt(36 - x**2)])
    true = np.where((np.abs(x) < 2.5) & (np.abs(y) < 5), 0.15, 0.0)
    verdict = judged(model, points, true)
    small, large = (Cutter(1, ("face",), 7, radius=r) for r in (5.0, 8.0))
    can = suggest(verdict, model, cutters=[small])
    assert can.recut is not None
    assert (can.recut.table["why"] == "").all()
    assert can.recut.table[["tool", "operation"]].iloc[0].tolist() == ["1", "7"]
    cannot = suggest(verdict, model, cutters=[large])
    assert cannot.recut is None
    assert "re-cut here" not in cannot.candidates["candidate"].tolist()
    text = next(one for one in cannot.suggestions if "cannot be re-cut with the tool named for it" in one)
    assert "the ball of tool 1 (operation 7) would cut" in text
    direct = recut_map(verdict, model, cutters=[large])
    assert (direct.table["stock"] == 0).all()
    assert (direct.table["left"] > 0.1).all()
    assert len(direct.field) == 0, "no place that a tool may cut"
    assert direct.stock.max() == 0


def test_both_sides_of_a_thin_wall_do_not_know_of_each_other():
    """A sheet of 0.5 mm whose upper side is 0.15 high: the lower one gets no stock."""
    mesh = trimesh.creation.box(bounds=[[-30, -30, -0.25], [30, 30, 0.25]])
    sheet = Nominal(np.array(mesh.vertices), np.array(mesh.faces), np.zeros(12, dtype=np.int32), ("skin",))
    points = np.vstack([net(20, 9) + np.array([0, 0, 1.0]), net(20, 9) - np.array([0, 0, 1.0])])
    verdict = judged(sheet, points, np.where(points[:, 2] > 0, 0.15, 0.0))
    found = recut_map(verdict, sheet)
    assert (found.table["nz"] > 0.9).all()
    assert found.field["stock"].max() == pytest.approx(0.15, abs=0.01)
    assert (found.field["z"] > 0).all()


def test_the_field_is_that_of_a_gaussian_process():
    """Two touches, by the closed form of two correlated values."""
    feet, normals = np.array([[0.0, 0, 0], [4.0, 0, 0]]), np.tile([0.0, 0, 1], (2, 1))
    values, white = np.array([0.1, 0.05]), np.array([0.004, 0.004])
    found = smooth(feet, normals, values, white, 4.0)
    r = np.sqrt(3) * 4.0 / found.length
    k = found.size**2 * (1 + r) * np.exp(-r)
    v = found.size**2 + 0.004**2
    first = (found.size**2 * (v * 0.1 - k * 0.05) + k * (v * 0.05 - k * 0.1)) / (v * v - k * k)
    mean, u = found.at(feet[:1], normals[:1])
    assert mean[0] == pytest.approx(first, rel=1e-6)
    part = (v * found.size**4 - 2 * k * k * found.size**2 + v * k * k) / (v * v - k * k)
    assert u[0] ** 2 == pytest.approx(found.size**2 - part, rel=1e-5)


def test_the_files_can_be_read_and_carry_cautions(tmp_path):
    found = recut_map(on_saddle(), SADDLE, cutters=[Cutter(5, ("face",), "finish", radius=4.0)])
    assert recut_files(found, "study x", tmp_path) == ["recut", "recut_field", "recut_mesh"]
    for name, table in (("recut.csv", found.table), ("recut_field.csv", found.field)):
        text = (tmp_path / name).read_text()
        head = [line for line in text.splitlines() if line.startswith("#")]
        assert "# unit: mm" in head
        assert f"# rows: {len(table)}" in head
        assert any("hands clear" in line for line in head)
        read = pd.read_csv(tmp_path / name, comment="#")
        assert read.columns.tolist() == table.columns.tolist()
        assert read["stock"].to_numpy() == pytest.approx(table["stock"].to_numpy(dtype=float), abs=6e-5)
    mesh = trimesh.load(tmp_path / "recut.ply", process=False)
    assert len(mesh.vertices) == len(found.vertices)
    assert len(np.unique(mesh.visual.vertex_colors, axis=0)) > 20
    assert recut_files(None, "", tmp_path) == []


def test_a_region_that_a_zone_outside_the_material_asks_for():
    """A zone of 0 to 0.2 and a part at its upper limit: stock is what stands above its middle, 0.1."""
    points = net()
    verdict = judged(SADDLE, points, np.full(len(points), 0.25), outside=0.2)
    found = recut_map(verdict, SADDLE)
    assert found.table["stock"].mean() == pytest.approx(0.15, abs=0.001)
    assert any("+0.100 mm from the nominal" in note for note in found.notes)


def test_a_recut_takes_the_whole_hump_along_and_no_wave_elsewhere():
    """Neighbours more than half way to the limit join; a second hump that is within its limits stays."""
    points = net()
    x, y = points[:, 0], points[:, 1]
    verdict = judged(SADDLE, points, hump(x, y) + hump(x, y, at=(-15, -15), height=0.08, size=4.0))
    taken = recut_map(verdict, SADDLE).table
    deviation = verdict.table.set_index("touch")["deviation"]
    here = np.hypot(x - 5, y - 5) < 13
    assert set(taken["touch"]) == set(deviation.index[here & (deviation.to_numpy() > 0.05)])
    assert len(taken) > (verdict.table["verdict"] == "high").sum()
    assert (verdict.table["verdict"] == "high").sum() == 5


def test_the_promise_of_a_recut_is_kept():
    """Made again 2000 times with cutter and noise, each place judged: the chance of all of them together."""
    points, tool = net(), Cutter(5, ("face",), scatter=0.004)
    verdict = judged(SADDLE, points, hump(points[:, 0], points[:, 1]), width=0.03)
    row = suggest(verdict, SADDLE, cutters=[tool]).candidates.set_index("candidate").loc["re-cut here"]
    taken = recut_map(verdict, SADDLE, cutters=[tool]).table["touch"].to_numpy()
    rng = np.random.default_rng(8)
    made = np.array(verdict.table["deviation"]) * np.ones((2000, 1))
    made[:, taken] = rng.normal(scale=np.hypot(0.004, U), size=(2000, len(taken)))
    value = 2 * np.abs(made).max(axis=1)
    assert row["predicted"] == pytest.approx(value.mean(), rel=0.03)
    assert row["p_conform"] <= np.mean(value <= 0.03) + 0.03


def gap_of(notes):
    return [note for note in notes if "next to what is cut" in note]


def test_the_area_that_no_touch_tells_of_is_said():
    """A hump of 0.2 mm with no touch within 10 mm of its middle: the field is nothing there, though 0.2 mm are left."""
    flat, points = shapes.plane_patch(), net(27.5, 12)
    points = points[np.hypot(points[:, 0] - 5, points[:, 1] - 5) > 10]
    found = recut_map(judged(flat, points, hump(points[:, 0], points[:, 1], size=15.0)), flat)
    (said,) = gap_of(found.notes)
    told = float(said.split(": ")[1].split(" mm^2")[0])
    # by brute force on a fine grid: further than 5 mm, which the touches are apart, from any of them
    x, y = (a.ravel() for a in np.meshgrid(np.arange(-30, 30, 0.25), np.arange(-30, 30, 0.25)))
    x, y = (v[np.hypot(x - 5, y - 5) < 12] for v in (x, y))
    hole = 0.0625 * float((np.hypot(x[:, None] - points[:, 0], y[:, None] - points[:, 1]).min(axis=1) > 5.0).sum())
    assert told == pytest.approx(hole, rel=0.15)
    assert "of such area on the face of" in said


def test_no_gap_is_told_where_touches_are_even():
    assert not gap_of(recut_map(on_saddle(), SADDLE).notes)
    (promise,) = recut_promises(on_saddle(), SADDLE)
    assert "no touch tells of" not in promise


def recut_promises(verdict, part):
    return [one for one in suggest(verdict, part).promises if "re-cut here" in one]


def test_what_a_recut_promises_beside_a_gap_is_for_the_touched_places():
    """Rows of touches 19 mm apart over a hump of 0.12 mm, 9 mm wide: 0.08 mm stay between them."""
    flat, (x, y) = shapes.plane_patch(), (a.ravel() for a in np.meshgrid(np.arange(-27.5, 28, 5.0), (-19.0, 0.0, 19.0)))
    off = 0.12 * np.exp(-(x**2 + y**2) / (2 * 9.0**2))
    verdict = judged(flat, np.column_stack([x, y, 0 * x]), off, width=0.1)
    (promise,) = recut_promises(verdict, flat)
    assert "it would conform" in promise
    found = recut_map(verdict, flat)
    beside = np.hypot(found.vertices[:, 0], np.abs(found.vertices[:, 1]) - 9.0) < 1.0
    stays = 0.12 * np.exp(-(9.0**2) / (2 * 9.0**2)) - float(found.stock[beside].max())
    assert stays > 0.05, "the middle of the zone is the nominal: more than that stays beyond the limit"
    assert "for the touched places" in promise
