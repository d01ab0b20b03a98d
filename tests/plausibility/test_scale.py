"""Whether the gate names one scale of all positions, and keeps quiet on errors that are none."""

from __future__ import annotations

import numpy as np
import pytest
from plausibility import pad
from plausibility.jobs import Job, on_foil, on_pad

XYZ = ["x", "y", "z"]


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Job]:
    """A part without bores, its datums walls and a plane; and the demo."""
    return {"pad": on_pad(tmp_path_factory.mktemp("pad")), "foil": on_foil()}


def said(job: Job, seed: int, change) -> list:
    """The findings on a scale, after a change of positions (n, 3) with normals (n, 3) and features (n,)."""
    touches = pad.run(job.touches, seed=seed)
    normal = touches[["i", "j", "k"]].to_numpy(dtype=float)
    touches[XYZ] = change(touches[XYZ].to_numpy(dtype=float), normal, touches["feature"].to_numpy()).round(4)
    return [one for one in job.findings(touches)[0] if one.name == "scale"]


@pytest.mark.parametrize("name", ["pad", "foil"])
@pytest.mark.parametrize("factor", [1.002, 0.998])
def test_a_scale_of_the_results_wants_a_look(jobs: dict[str, Job], name: str, factor: float) -> None:
    (one,) = said(jobs[name], 1, lambda p, *_: factor * p)
    assert one.level == "look"
    assert one.doubts_place
    told = float(one.what.split("are ")[1].split(" times")[0])
    assert told == pytest.approx(factor, abs=1e-4)


def test_a_part_that_may_be_warm_is_a_note(jobs: dict[str, Job]) -> None:
    """Of aluminium, 23 um/(m K) (handbook value, from memory), 13 degrees above 20."""
    found = [said(jobs["pad"], seed, lambda p, *_: (1 + 13 * 23e-6) * p) for seed in range(6)]
    told = [one for each in found for one in each]
    assert len(told) >= 5
    assert {one.level for one in told} == {"note"}
    degrees = [float(one.cause.split("(")[1].split(" °C for aluminium")[0]) for one in told]
    assert degrees == pytest.approx([13.0] * len(told), abs=4.0)


def none(p: np.ndarray, *_: object) -> np.ndarray:
    return p


def along(p: np.ndarray, _: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return p * [1 + 1e-3 * rng.normal(), 1.0, 1.0]


def ball(p: np.ndarray, n: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return p + 0.02 * rng.normal() * n


def test_datum_touches_that_a_scale_moved_are_no_chip(jobs: dict[str, Job]) -> None:
    """The demo, whose bore and slot say that the datum touches do not agree."""
    touches = pad.run(jobs["foil"].touches, seed=1)
    touches[XYZ] = (touches[XYZ] * 1.002).round(4)
    causes = {one.name: one.cause for one in jobs["foil"].findings(touches)[0]}
    assert causes["datum residuals"] == "the scale of all positions that is found beside this"


@pytest.mark.parametrize("name", ["pad", "foil"])
@pytest.mark.parametrize("error", [none, along, ball], ids=["none", "one axis", "ball"])
def test_other_errors_are_no_scale(jobs: dict[str, Job], name: str, error) -> None:
    """A good run; a scale of one axis of the machine alone; a wrong radius of the ball."""
    rng = np.random.default_rng(3)
    for seed in range(8):
        assert [one for one in said(jobs[name], seed, lambda p, n, _: error(p, n, rng)) if one.level == "look"] == []


def test_faces_that_lie_off_each_by_its_own_are_no_scale(jobs: dict[str, Job]) -> None:
    rng = np.random.default_rng(4)

    def faces(p: np.ndarray, n: np.ndarray, features: np.ndarray) -> np.ndarray:
        off = {name: 0.05 * rng.normal() for name in sorted(set(features))}
        return p + np.array([off[name] for name in features])[:, None] * n

    assert sum(one.level == "look" for seed in range(15) for one in said(jobs["pad"], seed, faces)) == 0


def test_a_study_says_it_and_does_not_decide(inspect) -> None:
    """Before, nothing was found on such a run, and the part did not conform or was undecided without a cause."""

    def larger(table) -> None:
        table[XYZ] = (table[XYZ] * 1.002).round(4)

    _, out, told, page = inspect(larger)
    assert told["part"] == "undecided"
    assert [(one["level"], one["name"]) for one in told["findings"]] == [("look", "scale")]
    for text in (out, page):
        assert "the deviations follow one scale: the positions are 1.0020 times" in text.replace("1.00199", "1.0020")


def test_the_demo_has_no_scale(jobs: dict[str, Job]) -> None:
    assert "scale" not in {one.name for one in jobs["foil"].findings(jobs["foil"].touches)[0]}
