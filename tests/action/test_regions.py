"""Regions beyond their limits: by hand."""

import numpy as np
import pandas as pd
import pytest

from probekit.action import find_regions


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
    centre = np.mean([[0, 0], [0, 5], [5, 10]], axis=0)
    assert [one["x"], one["y"], one["z"]] == pytest.approx([*centre, 0])
    assert one["reach"] == pytest.approx(max(np.linalg.norm(centre - p) for p in ([0, 0], [5, 10])) + 2.5)


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
