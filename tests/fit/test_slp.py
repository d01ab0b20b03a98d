"""The sequential linear program on functions whose least largest value is known, and on ones that deceive it."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.optimize

from probekit import FitError
from probekit.fit.slp import Linear, linear_step, minimise_largest


def solve(functions, start, **options):
    """`functions`: place (k,) -> values (m,), slopes (m, k)."""

    def evaluate(place):
        values, slope = functions(place)
        return Linear(values, slope, float(values.max()))

    options = {
        "name": "the test",
        "radius": lambda _: 1.0,
        "settled": 1e-10,
        "negligible": lambda _: 1e-6,
        **options,
    }
    return minimise_largest(evaluate, np.add, np.array(start, dtype=float), **options)


def test_two_circles_and_a_parabola() -> None:
    """C. Charalambous, A. R. Conn, SIAM J. Numer. Anal. 15 (1978) 162-187, problem CB2 (from memory): 1.9522245."""

    def functions(x):
        a, b = x
        values = [a**2 + b**4, (2 - a) ** 2 + (2 - b) ** 2, 2 * np.exp(b - a)]
        slope = [[2 * a, 4 * b**3], [2 * a - 4, 2 * b - 4], [-2 * np.exp(b - a), 2 * np.exp(b - a)]]
        return np.array(values), np.array(slope)

    found = solve(functions, [2.0, 2.0])
    assert found.there.top == pytest.approx(1.9522245, abs=1e-7)
    assert found.state == pytest.approx([1.1390, 0.8996], abs=1e-4)


def test_slopes_that_promise_what_does_not_come_are_told_from_a_minimum() -> None:
    """A value that jumps up with the least step: the trust region shrinks to nothing, though slopes still promise."""

    def deceiving(x):
        return np.array([1.0 + float(x[0] != 0.0)]), np.array([[1.0]])

    with pytest.raises(FitError, match=r"the test is stuck: a step of 1 um promises 0.001"):
        solve(deceiving, [0.0])
    assert solve(deceiving, [0.0], negligible=lambda _: 0.01).gap == pytest.approx(1e-3)


def test_rows_that_do_not_rule_hold_and_auxiliary_unknowns_cost() -> None:
    """Largest of x and -x - 4 over x >= -1: -1. The least size over 1 + x and 1 - x: 1, from 1.5 at x = 0.5."""
    held = Linear(np.array([0.0, -4.0, -1.0]), np.array([[1.0], [-1.0], [-1.0]]), 0.0, np.array([True, True, False]))
    found = linear_step(held, 5.0)
    assert (found.step[0], found.promised) == pytest.approx((-1.0, 1.0), abs=1e-6)
    sized = Linear(np.array([0.0, -1.0]), np.array([[1.0, -1.0], [-1.0, -1.0]]), 1.5, np.zeros(2, dtype=bool), (1.0,))
    found = linear_step(sized, 5.0)
    assert found.step[0] == pytest.approx(-0.5, abs=1e-6)
    assert found.promised == pytest.approx(0.5, abs=1e-6)


def test_a_solver_that_gives_up_is_asked_for_less(monkeypatch) -> None:
    """HiGHS ends now and then without a status ("Not Set") at tolerances of 1e-10; ten times wider ones do."""
    asked, real = [], scipy.optimize.linprog

    def moody(*given, options, **named):
        asked.append(options["primal_feasibility_tolerance"])
        found = real(*given, options=options, **named)
        found.status = 4 if asked[-1] < 5e-10 else found.status
        return found

    monkeypatch.setattr(scipy.optimize, "linprog", moody)
    there = Linear(np.array([0.0, -4.0]), np.array([[1.0], [-1.0]]), 0.0)
    assert linear_step(there, 5.0).step[0] == pytest.approx(-2.0, abs=1e-6)
    assert asked == [1e-10, 1e-10, 1e-9]
