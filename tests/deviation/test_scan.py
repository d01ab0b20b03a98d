"""Dense scans: numbers of all points against NumPy on all of them at once, whatever the chunks; extremes never lost."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapes

import probekit as pk
from probekit.errors import InputError

SIZE = 40_000


@pytest.fixture(scope="module")
def box() -> pk.nominal.Nominal:
    return shapes.box()


@pytest.fixture(scope="module")
def points(box) -> np.ndarray:
    """Points on the box with noise, one dent of a single point, some far away, some without a position."""
    rng = np.random.default_rng(6)
    corners = box.vertices[box.facets]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    facet = rng.choice(len(corners), SIZE, p=area / area.sum())
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[facet]
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    out = np.einsum("ij,ijk->ik", rng.dirichlet((1, 1, 1), SIZE), corners[facet])
    out += rng.normal(0, 0.01, SIZE)[:, None] * normal
    out[777] -= 0.2 * normal[777]
    out[100:110] += 50.0
    out[200:205] = np.nan
    return out


def chunks(points: np.ndarray, rows: int) -> list[np.ndarray]:
    return [points[k : k + rows] for k in range(0, len(points), rows)]


@pytest.fixture(scope="module")
def scanned(box, points) -> pk.deviation.scanning.Scan:
    how = pk.deviation.Projection(box, max_distance=1.0)
    return pk.deviation.scan(chunks(points, 7000), how, limits=(-0.02, 0.02))


def test_numbers_are_those_of_all_points(box, points, scanned):
    one = pk.deviation.Projection(box, max_distance=1.0, named=False).project(points)
    good = one[one["deviation"].abs() <= 1.0]
    assert (scanned.points, scanned.far, scanned.missed) == (SIZE, 10, 5)
    of = good.groupby("face", observed=True)["deviation"]
    table = scanned.table.set_index("face")
    for name, wanted in {
        "points": of.size(),
        "mean": of.mean(),
        "sd": of.std(),
        "lowest": of.min(),
        "highest": of.max(),
        "outside": of.apply(lambda d: ((d < -0.02) | (d > 0.02)).mean()),
    }.items():
        np.testing.assert_allclose(table[name], wanted.loc[table.index], rtol=1e-9, atol=1e-12, err_msg=name)
    for name, share in (("q_001", 0.001), ("median", 0.5), ("q_999", 0.999)):
        np.testing.assert_allclose(table[name], of.quantile(share).loc[table.index], atol=0.002, err_msg=name)


@pytest.mark.parametrize("rows", [SIZE, 911])
def test_chunks_say_nothing(box, points, scanned, rows):
    how = pk.deviation.Projection(box, max_distance=1.0)
    found = pk.deviation.scan(chunks(points, rows), how, limits=(-0.02, 0.02))
    pd.testing.assert_frame_equal(found.table, scanned.table, rtol=1e-9)
    pd.testing.assert_frame_equal(found.kept, scanned.kept)


def test_what_is_shown_keeps_every_extreme_and_says_that_it_is_not_all(scanned, points):
    kept = scanned.kept
    assert len(kept) < SIZE / 3
    assert kept["touch"].is_unique
    assert 778 in set(kept["touch"])  # the dent of one point
    of = kept.groupby("face", observed=True)["deviation"]
    table = scanned.table.set_index("face")
    np.testing.assert_array_equal(of.max().loc[table.index], table["highest"])
    np.testing.assert_array_equal(of.min().loc[table.index], table["lowest"])
    np.testing.assert_array_equal(kept[["x", "y", "z"]], points[kept["touch"] - 1])
    assert scanned.thinned.startswith(f"{len(kept)} of {SIZE} points are shown: of each")
    cells = kept.assign(c=(kept[["foot_x", "foot_y", "foot_z"]] // scanned.cell).astype(int).agg(tuple, axis=1))
    groups = cells.groupby(["face", "c"], observed=True)
    assert groups["cell_points"].nunique().max() == 1
    assert groups["cell_points"].first().sum() == SIZE - 15
    assert groups.size().max() <= 3


def test_what_is_kept_goes_on_like_touches(scanned):
    """The actual value of a profile from the points shown is that of all points."""
    top = scanned.table.loc[scanned.table["highest"].idxmax(), "face"]
    row = scanned.table.set_index("face").loc[top]
    found = pk.tolerance.profile(scanned.kept, width=0.1, features=[top])
    assert found.actual == pytest.approx(2 * max(-row["lowest"], row["highest"]))
    assert found.touches == int((scanned.kept["feature"] == top).sum())


def test_motion_ball_and_allowance_are_taken_off(box, points):
    clean = points[1000:2000]
    motion = pk.fit.make_motion((0.3, -0.2, 0.1), (0.2, 0.1, -0.3))
    back = pk.fit.make_motion((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)) @ np.linalg.inv(motion)
    plain = pk.deviation.scan([clean], box)
    moved = pk.deviation.scan([clean @ back[:3, :3].T + back[:3, 3]], box, motion=motion)
    np.testing.assert_allclose(moved.table["mean"], plain.table["mean"], atol=1e-9)
    table = plain.kept
    centres = table[["cx", "cy", "cz"]].to_numpy() + 0.5 * table[["nx", "ny", "nz"]].to_numpy()
    how = pk.deviation.Projection(box, stylus=0.5, allowance=0.1)
    inside = pk.deviation.scan([centres], how)
    same = pk.deviation.Projection(box, stylus=0.5, allowance=0.1, named=False).project(centres)
    wanted = same.set_index("touch").loc[inside.kept["touch"]]
    np.testing.assert_allclose(inside.kept["deviation"], wanted["deviation"], atol=1e-12)
    for name in ("cx", "cy", "cz", "foot_x", "foot_y", "foot_z", "radius", "allowance"):
        np.testing.assert_allclose(inside.kept[name], wanted[name], atol=1e-9, err_msg=name)


def test_exact_surfaces_too(demo):
    pytest.importorskip("OCP")
    part = demo.part
    rng = np.random.default_rng(2)
    place = part.vertices[rng.integers(len(part.vertices), size=3000)] + rng.normal(0, 0.05, (3000, 3))
    found = pk.deviation.scan(chunks(place, 1000), part)
    one = pk.deviation.Projection(part, named=False).project(place)
    assert found.table["points"].sum() == 3000
    assert found.table["highest"].max() == pytest.approx(one["deviation"].max(), abs=1e-9)
    assert found.table["lowest"].min() == pytest.approx(one["deviation"].min(), abs=1e-9)


def test_from_a_file_with_its_checksum(box, points, tmp_path):
    clean = points[~np.isnan(points).any(axis=1)][:5000]
    np.savetxt(tmp_path / "a.xyz", clean, fmt="%.6f", header="unit: mm")
    told: list[tuple[str, float]] = []
    found = pk.deviation.scan(
        pk.touches.read_cloud(tmp_path / "a.xyz"), box, progress=lambda text, done: told.append((text, done))
    )
    assert found.points == 5000
    assert told[-1] == ("5000 points", 0.0)
    assert len(found.kept.attrs["sha256"]) == 64


def test_what_a_scan_cannot_have_is_refused(box, points):
    for options, said in (
        ({"compensate": "target"}, "no targets"),
        ({"along": "target"}, "no targets"),
    ):
        with pytest.raises(InputError, match=said):
            pk.deviation.scan([points], pk.deviation.Projection(box, **options))
    with pytest.raises(InputError, match="limits are exchanged"):
        pk.deviation.scan([points], box, limits=(1.0, -1.0))
    with pytest.raises(InputError, match="size of a cell"):
        pk.deviation.scan([points], box, cell=0.0)
    with pytest.raises(InputError, match="three columns"):
        pk.deviation.scan([points[:, :2]], box)
    with pytest.raises(InputError, match="no points"):
        pk.deviation.scan([], box)


def test_the_page_of_a_scan_says_that_it_is_thinned(box, scanned, tmp_path):
    face = scanned.table["face"].iloc[0]
    judged = pk.verdict.classify(scanned.kept, pk.tolerance.profile(scanned.kept, width=0.1, features=[face]), u=0.005)
    scene = pk.scene.build(box, judged, title="a scan")
    page = pk.report.page(scene, judged, to=tmp_path / "scan.html", notes=[scanned.sentence])
    text = page.read_text(encoding="utf-8")
    assert f"{len(scanned.kept)} of {SIZE} points are shown: of each" in text
    assert f"{SIZE - 15} of {SIZE} points, 10 far off, 5 without a position" in text
