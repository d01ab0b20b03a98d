"""One u for each touch says nothing of what touches share: closed forms of a radius that is off, and of scatter.

A radius off by e moves every touch outward by e. Seen from a least-squares datum plane on the other side a face moves
by 2 e, seen from one that looks the same way not at all; a diameter grows by 2 e. With scatter u of each touch by
itself, the middle of nine touches of a plane has u / 3.
"""

import numpy as np
import pandas as pd
import pytest
from tolerance.touched import around, table

from probekit.fit import Datum, datum_frame
from probekit.tolerance import profile, size
from probekit.tolerance.bounds import bounds
from probekit.tolerance.propagation import carry
from probekit.uncertainty import Scatter

U = 0.003
GRID = np.array([[x, y, 0.0] for x in (-30.0, 0, 30) for y in (-20.0, 0, 20)])


def own(n: int) -> Scatter:
    """Scatter of each touch by itself, as a budget says it."""
    return Scatter(np.full(n, U), np.zeros((n, 0)), (), {"probe repeatability": np.full(n, U)})


def of_face(normal: float, scatter: Scatter):
    """A face 20 mm over the datum plane, which looks down; both touched nine times."""
    bottom = table(GRID, (0, 0, -1.0), feature="bottom")
    face = table(GRID + np.array([0, 0, 20.0]), (0, 0, normal), feature="face")
    both = pd.concat([bottom, face], ignore_index=True).assign(touch=np.arange(1, 19))
    datum = Datum("A", "plane", "bottom", simulator="least_squares")
    frame = datum_frame(both, [datum], u=np.full(18, U))
    return bounds(carry(profile(both, 0.1, features="face"), both, frame.alignment), scatter)


@pytest.mark.parametrize(("normal", "common"), [(1.0, 2 * U), (-1.0, 0.0)])
def test_what_a_radius_does_to_a_face_and_to_its_datum(normal, common):
    design = np.column_stack([np.ones(9), GRID[:, :2]])
    place = np.sqrt(np.diag(design @ np.linalg.inv(design.T @ design) @ design.T))  # of the plane under each touch
    alone = U * np.sqrt(1 + place**2)
    assert of_face(normal, own(18)).u_each == pytest.approx(alone, rel=1e-3)
    found = of_face(normal, Scatter.independent(np.full(18, U)))
    assert found.u_each == pytest.approx(np.maximum(alone, common), rel=1e-3)
    assert found.high == pytest.approx(2 * 1.645 * max(common, alone.max()), rel=2e-3)


def test_a_size_is_as_unsure_as_a_radius_or_as_scatter():
    """Twelve touches, least squares: 2 U if common, 2 U / sqrt(12) if each by itself; twice a size is judged."""
    bore = around(10.0, n=12, heights=(0.0,), bore=True)
    one = size(bore, (19.9, 20.1), method="least_squares", independency=True)
    alone, unsaid = bounds(one, own(12)), bounds(one, Scatter.independent(np.full(12, U)))
    assert (alone.u, unsaid.u) == pytest.approx((2 * 2 * U / np.sqrt(12), 2 * 2 * U), rel=1e-6)
    assert not alone.notes
    assert "3.5 times what scatter alone gives; a [budget] says how much is" in unsaid.notes[0]
