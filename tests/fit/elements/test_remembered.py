"""Fits that are asked for again: the same answer, found once; never that of other touches."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from probekit.errors import ProbekitWarning
from probekit.fit import element
from probekit.fit.elements import fitting
from probekit.fit.elements.remembered import remembered


def ring(seed: int, of: float = 2 * np.pi) -> np.ndarray:
    angle = np.arange(9) * of / 9
    return np.column_stack([np.cos(angle), np.sin(angle)]) * 5 + np.random.default_rng(seed).normal(0, 0.01, (9, 2))


def test_what_was_asked_before_is_not_fitted_again(monkeypatch):
    counted, real = [], fitting.fit_least_squares
    monkeypatch.setattr(
        fitting, "fit_least_squares", lambda *given, **named: counted.append(1) or real(*given, **named)
    )
    points = ring(101)
    first = element(points, "circle2")
    assert element(points.copy(), "circle2") is first
    assert len(counted) == 1
    start = {"centre": np.zeros(2), "radius": 5.0}
    others = [
        element(np.nextafter(points, 9.0), "circle2"),
        element(points, "circle2", ball=1.0),
        element(points, "circle2", u=0.01),
        element(points, "circle2", weights=np.arange(1.0, 10.0)),
        element(points, "circle2", start=start),
        element(points, "circle2", start={**start, "radius": 5.1}),
    ]
    assert len(counted) == 1 + len(others)
    assert all(one is not first for one in others)
    with pytest.raises(ValueError, match="read-only"):
        first.residuals[0] = 1.0


def test_touches_that_change_in_place_are_others():
    points = ring(102)
    before = element(points, "circle2").parameters["centre"][0]
    points += [1.0, 0.0]
    assert element(points, "circle2").parameters["centre"][0] == pytest.approx(before + 1.0)


def test_a_warning_comes_each_time():
    points = ring(103, of=0.5)
    for _ in range(2):
        with pytest.warns(ProbekitWarning, match="deg of arc"):
            element(points, "circle2")


def test_errors_are_not_kept_and_old_answers_go():
    asked = []

    @remembered(2)
    def half(value):
        asked.append(value)
        return 1.0 / value

    for value in (1.0, 2.0, 1.0, 4.0, 2.0):
        half(value)
    assert asked == [1.0, 2.0, 4.0, 2.0]
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            half(0.0)
    assert asked[-2:] == [0.0, 0.0]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert (half(1), half(1.0), half(-0.0 + 1)) == (1.0, 1.0, 1.0)
