"""Regions beyond their limits: by hand."""

import networkx
import numpy as np
import pandas as pd
import pytest
import trimesh

from probekit.action.regions import find_regions, spacing_of
from probekit.nominal import Nominal


def plate(high: dict[int, float], low: dict[int, float], *, size: int = 10, step: float = 5.0) -> pd.DataFrame:
    """A square grid of touches on one face, `step` apart, limits of 0.1 either way."""
    x, y = (a.ravel() * step for a in np.meshgrid(np.arange(size), np.arange(size), indexing="ij"))
    table = pd.DataFrame({"touch": np.arange(size * size), "face": "top", "foot_x": x, "foot_y": y, "foot_z": 0.0})
    table["deviation"], table["lower"], table["upper"], table["verdict"] = 0.0, -0.1, 0.1, "within"
    for word, rows in (("high", high), ("low", low)):
        for row, value in rows.items():
            table.loc[row, ["deviation", "verdict"]] = [value, word]
    return table


def test_neighbours_are_one_region():
    """Straight neighbours and diagonal ones (1.41 steps) join, two steps apart do not."""
    found = find_regions(plate({0: 0.12, 1: 0.15, 12: 0.13, 5: 0.2, 77: 0.11, 79: 0.3}, {}))
    assert sorted(found["ids"]) == [(0, 1, 12), (5,), (77,), (79,)]
    assert found["deviation"].tolist() == [0.3, 0.2, 0.15, 0.11]  # the worst first
    assert found["region"].tolist() == [1, 2, 3, 4]
    one = found[found["touches"] == 3].iloc[0]
    assert one["beyond"] == pytest.approx(0.05)
    assert [one["x"], one["y"], one["z"]] == [0, 5, 0]  # the foot nearest to their middle
    assert one["reach"] == pytest.approx(np.hypot(5, 5) + 2.5)


def test_left_and_missing_never_mix():
    found = find_regions(plate({0: 0.3}, {1: -0.12, 2: -0.16}))
    assert found["kind"].tolist() == ["material missing", "material left"]  # what cannot be mended comes first
    assert found["can_recut"].tolist() == [False, True]
    assert found["deviation"].tolist() == [-0.16, 0.3]
    assert found["beyond"].tolist() == pytest.approx([0.06, 0.2])
    assert found["ids"].tolist() == [(1, 2), (0,)]


def test_only_high_and_low_count():
    table = plate({}, {})
    table.loc[[3, 4, 5], "verdict"] = ["undecided", "missed", "unjudged"]
    found = find_regions(table)
    assert len(found) == 0
    assert {"region", "face", "kind", "can_recut", "touches", "deviation", "beyond", "x", "reach", "ids"} <= set(found)


def test_faces_are_kept_apart():
    table = plate({0: 0.2, 1: 0.2}, {})
    table.loc[table.index % 2 == 1, "face"] = "side"
    found = find_regions(table)
    assert sorted(zip(found["face"], found["ids"], strict=True)) == [("side", (1,)), ("top", (0,))]


def test_missed_touches_have_no_foot():
    table = plate({0: 0.2}, {})
    table.loc[5, ["foot_x", "foot_y", "foot_z", "deviation"]] = np.nan
    table.loc[5, "verdict"] = "missed"
    table["face"] = pd.Categorical(table["face"].where(table.index != 5), categories=["top", "side"])
    assert find_regions(table)["ids"].tolist() == [(0,)]


def test_row_labels_do_not_matter():
    """Two runs put together repeat row labels."""
    table = plate({0: 0.2, 1: 0.3, 98: 0.4}, {})
    expected = find_regions(table)
    table.index = np.tile(np.arange(50), 2)
    assert find_regions(table).equals(expected)


def test_a_lone_touch_on_a_face():
    found = find_regions(plate({0: 0.2}, {}, size=1))
    assert found[["touches", "deviation", "reach"]].iloc[0].tolist() == [1, 0.2, 0.0]


def test_density_sets_the_distance():
    """Ten times the spacing, ten times the distance that joins: the same regions."""
    near, far = (find_regions(plate({0: 0.2, 1: 0.2, 55: 0.2}, {}, step=s)) for s in (1.0, 10.0))
    assert near["ids"].tolist() == far["ids"].tolist()
    assert far["reach"].to_numpy() == pytest.approx(10 * near["reach"].to_numpy())


def with_normals(table: pd.DataFrame, normals: np.ndarray) -> pd.DataFrame:
    return table.assign(**dict(zip(("nx", "ny", "nz"), np.asarray(normals, dtype=float).T, strict=True)))


def wall(thickness: float, *, size: int = 8, step: float = 5.0) -> pd.DataFrame:
    """Both sides of a sheet that is one face, all of it 0.12 high, touched at the same places from either side."""
    one = plate(dict.fromkeys(range(size * size), 0.12), {}, size=size, step=step)
    above = with_normals(one.assign(foot_z=thickness / 2), np.tile([0, 0, 1], (len(one), 1)))
    below = with_normals(one.assign(foot_z=-thickness / 2), np.tile([0, 0, -1], (len(one), 1)))
    table = pd.concat([above, below], ignore_index=True)
    return table.assign(touch=np.arange(len(table)))


@pytest.mark.parametrize("thickness", [0.3, 3.0, 8.0])
def test_both_sides_of_a_thin_wall_are_two_regions(thickness):
    found = find_regions(wall(thickness))
    assert found["touches"].tolist() == [64, 64]
    assert found["z"].abs().tolist() == [thickness / 2] * 2, "on the surface, not in the material"
    assert np.sign(found["z"]).tolist() == [1, -1]


def blade(radius: float = 30.0, *, turn: float = np.pi) -> tuple[pd.DataFrame, np.ndarray]:
    """A nose: part of a cylinder about y, touched every 5 degrees and 3 mm, all 0.12 high; and its normals."""
    angle, y = (a.ravel() for a in np.meshgrid(np.arange(0, turn, np.radians(5)), np.arange(0, 15.1, 3)))
    normals = np.column_stack([np.cos(angle), np.zeros(len(y)), np.sin(angle)])
    table = pd.DataFrame({"touch": np.arange(len(y)), "face": "skin", "deviation": 0.12, "verdict": "high"})
    table[["foot_x", "foot_y", "foot_z"]] = radius * normals + np.column_stack([0 * y, y, 0 * y])
    table["lower"], table["upper"] = -0.1, 0.1
    return with_normals(table, normals), normals


@pytest.mark.parametrize("turn", [1.0, np.pi, 2 * np.pi])
def test_a_place_is_a_foot_and_a_region_has_one_side(turn):
    table, normals = blade(turn=turn)
    found = find_regions(table)
    assert found["touches"].sum() == len(table)
    assert len(found) <= 6, "few regions, not one for each touch"
    for region in found.itertuples():
        own = normals[list(region.ids)]
        assert (own @ own.T).min() > 0, "no two normals 90 degrees apart"
        assert np.hypot(region.x, region.z) == pytest.approx(30.0)
        feet = table.loc[list(region.ids), ["foot_x", "foot_y", "foot_z"]].to_numpy()
        assert (feet == [region.x, region.y, region.z]).all(axis=1).any(), "a foot of one of its touches"
    assert (len(found) == 1) is (turn == 1.0)


def test_a_step_is_not_along_the_surface():
    """Two terraces of one face, 6 mm one above the other: their normals agree all the same."""
    table = plate(dict.fromkeys((44, 45, 54, 55), 0.2), {})
    table.loc[[54, 55], "foot_z"] = 6.0
    found = find_regions(with_normals(table, np.tile([0, 0, 1], (100, 1))))
    assert sorted(found["ids"]) == [(44, 45), (54, 55)]


def test_noise_on_the_feet_changes_nothing():
    rng = np.random.default_rng(1)
    table = wall(1.0)
    table[["foot_x", "foot_y", "foot_z"]] += rng.normal(scale=0.02, size=(len(table), 3))
    normals = table[["nx", "ny", "nz"]] + rng.normal(scale=0.02, size=(len(table), 3))
    table[["nx", "ny", "nz"]] = normals.div(np.linalg.norm(normals, axis=1), axis=0)
    assert find_regions(table)["touches"].tolist() == [64, 64]


def two_ribs(gap: float) -> Nominal:
    """Two ribs 20 mm high on one plate, `gap` apart along x: their tops are one plane at z = 0."""
    boxes = [
        trimesh.creation.box(bounds=[[-20, -10, -20], [-gap / 2, 10, 0]]),
        trimesh.creation.box(bounds=[[gap / 2, -10, -20], [20, 10, 0]]),
    ]
    both = trimesh.util.concatenate(boxes)
    faces = np.zeros(len(both.faces), dtype=np.int64)
    return Nominal(np.array(both.vertices), np.array(both.faces, dtype=np.int64), faces, ("top",))


@pytest.mark.parametrize(("gap", "regions"), [(4.0, 2), (0.5, 1)])
def test_touches_do_not_join_across_a_slot(gap, regions):
    """Tops of two ribs, touched every 4 mm, 5 mm apart across a slot of 4 mm: two places to cut; a scratch is none."""
    x = np.array([-10.5, -6.5, -2.5, 2.5, 6.5, 10.5])
    x, y = (a.ravel() for a in np.meshgrid(x, [-4.0, 0.0, 4.0], indexing="ij"))
    table = pd.DataFrame({"touch": np.arange(18), "face": "top", "foot_x": x, "foot_y": y, "foot_z": 0.0})
    table = table.assign(deviation=0.2, lower=-0.1, upper=0.1, verdict="high", nx=0.0, ny=0.0, nz=1.0)
    assert len(find_regions(table)) == 1, "feet and normals alone do not show the slot"
    assert len(find_regions(table, two_ribs(gap))) == regions


class Copied:
    """Something that a table carries; pandas copies it with every part of the table that is taken."""

    def __init__(self) -> None:
        self.times = 0

    def __deepcopy__(self, memo: dict) -> "Copied":
        self.times += 1
        return self


def test_many_regions_are_those_of_pairs_and_ask_no_more_of_table_and_model(monkeypatch):
    """Against components of a graph (networkx) whose edges are tried one by one; 1 of 6 touches is high, at random."""
    rng, work = np.random.default_rng(4), []
    box = trimesh.creation.box(bounds=[[-9, -9, -50], [159, 159, 0]])
    block = Nominal(np.array(box.vertices), np.array(box.faces, dtype=np.int64), np.zeros(12, dtype=np.int64), ("top",))
    asked, feet = [], block.engine.feet
    monkeypatch.setattr(block.engine, "feet", lambda points: asked.append(1) or feet(points))
    for some in (0.05, 0.17):
        high = np.flatnonzero(rng.random(900) < some)
        table = plate(dict.fromkeys(high.tolist(), 0.2), {}, size=30)
        table["foot_z"] = rng.normal(0, 0.5, 900)
        table.attrs["carried"] = carried = Copied()
        before = len(asked)
        found = find_regions(table, block)
        work.append((carried.times, len(asked) - before))
        place = table[["foot_x", "foot_y", "foot_z"]].to_numpy()
        graph = networkx.Graph()
        graph.add_nodes_from(high.tolist())
        near = np.linalg.norm(place[high][:, None] - place[high], axis=2) <= 1.8 * spacing_of(table)
        graph.add_edges_from((high[i], high[j]) for i, j in np.argwhere(near))
        assert {frozenset(ids) for ids in found["ids"]} == {frozenset(c) for c in networkx.connected_components(graph)}
    assert len(found) > 30
    assert work[0] == work[1]
