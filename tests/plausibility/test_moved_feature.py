"""A small feature that lies off as a whole is no second clamping of the part."""

import numpy as np
import pandas as pd
import pytest

from probekit.plausibility.clamping import two_clampings

U = 0.003


def table(seed: int, off: float, slip: float) -> pd.DataFrame:
    """A plane, a slot and three bores of eight touches, the last `off` along x; or the second half slipped."""
    rng, rows = np.random.default_rng(seed), []
    for x, y in ((8, 8), (8, 45), (8, 84), (80, 6), (80, 84), (152, 8)):
        rows.append(("top", x, y, 20, 0, 0, 1))
    for name, (x, y, r) in {"B": (20, 20, 8), "D": (20, 70, 6), "E": (140, 20, 6)}.items():
        for k, z in enumerate((6.0, 14.0)):
            for a in 2 * np.pi * np.arange(4) / 4 + 0.3 + 0.25 * np.pi * k:
                rows.append((name, x + r * np.cos(a), y + r * np.sin(a), z, -np.cos(a), -np.sin(a), 0))
    for name, y, way in (("slot1", 40, 1), ("slot2", 50, -1)):
        rows += [(name, x, y, z, 0, way, 0) for x, z in ((140, 16), (155, 16), (148, 11.5))]
    rows += [("top", x, y, 20, 0, 0, 1) for x, y in ((152, 60), (36, 84), (120, 8), (152, 84))]
    names = ["feature", "foot_x", "foot_y", "foot_z", "nx", "ny", "nz"]
    out = pd.DataFrame(rows, columns=names).assign(touch=np.arange(len(rows)))
    normal = out[["nx", "ny", "nz"]].to_numpy(float)
    away = np.outer(out["feature"] == "E", [off, 0.0, 0.0])
    away = away + np.outer(np.arange(len(out)) >= len(out) // 2, [slip, -slip, slip])
    return out.assign(deviation=np.einsum("ij,ij->i", normal, away) + rng.normal(scale=U, size=len(out)))


@pytest.mark.parametrize("off", [0.0, 0.06, 0.1])
def test_a_bore_that_lies_off_is_at_most_a_note(off):
    """Of 20 parts each; the whole part was undecided by it before."""
    found = [one for seed in range(20) for one in two_clampings(table(seed, off, 0.0), u=U)]
    assert {one.level for one in found} <= {"note"}
    assert all("E lies off as a whole" in one.what for one in found)


def test_a_part_that_slipped_while_a_bore_was_touched_is_still_looked_at():
    """Of 20 parts, between two touches of a bore, by 0.2 mm along each axis."""
    found = [one for seed in range(20) for one in two_clampings(table(seed, 0.0, 0.2), u=U)]
    assert sum(one.level == "look" for one in found) >= 15
