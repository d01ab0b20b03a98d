"""JCGM 106:2012, the Zener diode.

Upper limit of the breakdown voltage -5.40 V, measured -5.47 V with a standard uncertainty of 0.05 V; the probability
of conformity is Phi((-5.40 + 5.47)/0.05) = Phi(1.4) = 0.9192. Basis: memory. The document was not at hand; Phi(1.4) is
tabulated everywhere.
"""

import numpy as np
import pytest

from probekit.verdict import simple
from probekit.verdict.rules import conformity

LIMIT, MEASURED, U = -5.40, -5.47, 0.05


def test_zener_diode():
    probability = conformity(np.array([MEASURED]), -np.inf, LIMIT, U)[0]
    assert round(probability, 4) == 0.9192
    assert simple().decide(np.array([MEASURED]), -np.inf, LIMIT).tolist() == ["within"]


def test_phi_of_1_4():
    """Phi(1.4) to ten places, computed here from the error function by its Taylor series."""
    x, term, total = 1.4 / 2**0.5, 1.4 / 2**0.5, 0.0
    for n in range(60):
        total += term / (2 * n + 1)
        term *= -(x**2) / (n + 1)
    phi = 0.5 + total / np.pi**0.5
    assert phi == pytest.approx(0.9192433408, abs=1e-10)
    assert conformity(np.array([MEASURED]), -np.inf, LIMIT, U)[0] == pytest.approx(phi, abs=1e-12)
