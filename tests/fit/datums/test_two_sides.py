"""The sides of a slot or web as two features are one datum: the plane in their middle."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from probekit.errors import InputError
from probekit.fit import Datum, datum_frame

UP = np.array([0.0, 0.0, 1.0])


def touches(*, slot: bool, far: float, near: float, together: bool) -> pd.DataFrame:
    """Base z = 0, and planes x = 20 (off by `near` along its normal) and x = 80 (off by `far`), of a slot or a web."""
    rows = []
    for x in (0.0, 50.0, 100.0):
        for y in (0.0, 40.0):
            rows.append(("base", (x, y, 0.0), UP, 0.0))
    for name, x, off, sign in (("left", 20.0, near, -1.0), ("right", 80.0, far, 1.0)):
        normal = np.array([-sign if slot else sign, 0.0, 0.0])
        for y in (5.0, 20.0, 35.0):
            for z in (2.0, 8.0)[: 2 if name == "left" else 1]:
                rows.append(("both" if together else name, (x, y, z), normal, off))
    feature, at, normal, off = (list(one) for one in zip(*rows, strict=True))
    at, normal = np.array(at), np.array(normal)
    out = pd.DataFrame({"touch": np.arange(len(at)), "feature": feature})
    for prefix, values in (("0", at), ("n", normal), ("m", at + np.array(off)[:, None] * normal)):
        names = {"0": ("x0", "y0", "z0"), "n": ("i", "j", "k"), "m": ("x", "y", "z")}[prefix]
        out[list(names)] = values
    return out


@pytest.mark.parametrize("slot", [True, False])
def test_two_features_are_one_width(slot: bool) -> None:
    """Both sides 0.3 mm and 0.1 mm off: the middle moves by half the difference, along x, as with one feature."""
    sign = -1.0 if slot else 1.0
    given = {"slot": slot, "near": 0.1, "far": 0.3}
    base = Datum("A", "plane", "base")
    two = datum_frame(touches(**given, together=False), [base, Datum("B", "width", ("left", "right"))])
    one = datum_frame(touches(**given, together=True), [base, Datum("B", "width", "both")])
    np.testing.assert_allclose(two.motion, one.motion, atol=1e-12)
    assert two.motion[0, 3] == pytest.approx(-sign * 0.1, abs=1e-9)


def test_two_slots_stay_a_pattern() -> None:
    """Features that have both sides each are two widths, as before; one side alone is none."""
    both = touches(slot=True, near=0.0, far=0.0, together=True)
    other = both[both.feature == "both"].assign(feature="other")
    other[["y0", "y"]] += 100.0
    datums = [Datum("A", "plane", "base"), Datum("B", "width", ("both", "other"))]
    frame = datum_frame(pd.concat([both, other], ignore_index=True), datums)
    np.testing.assert_allclose(frame.motion, np.eye(4), atol=1e-9)
    with pytest.raises(InputError):
        datum_frame(touches(slot=True, near=0.0, far=0.0, together=False), [Datum("B", "width", "left")])
