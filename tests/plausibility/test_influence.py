"""What each datum touch does to set-up and verdict, against fits that were really made without it."""

from __future__ import annotations

import numpy as np
import pytest
from plausibility.jobs import Job, on_pad

import probekit as pk
from probekit.geometry import motion_parameters
from probekit.verdict.influence import Influence, influence_of

FREE = ("tx", "ty", "tz", "rx", "ry", "rz")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return on_pad(tmp_path_factory.mktemp("pad"))


def looked_at(job: Job, chip: float = 0.0, free: tuple[str, ...] = FREE, method: str = "least_squares"):
    """Influence, alignment, touches as clamped, and how the fit is made."""
    touches = job.touches.copy()
    touches.attrs = dict(job.touches.attrs)
    touches.loc[touches["touch"] == 33, "z"] += chip
    how = pk.deviation.Projection(job.part, job.stylus)
    found = how.project(touches)

    def fit(table):
        return pk.fit.rigid(
            table, how, features=job.features, method=method, free=free, u=0.003, pivot=(20.0, -9.0, 4.0)
        )

    alignment = fit(found)
    aligned = how.project(alignment.apply(touches))
    top = pk.tolerance.profile(aligned, width=0.15, features=["top"])
    verdict = pk.verdict.classify(aligned, top, rule=pk.verdict.guarded(), u=0.003, alignment=alignment)
    return influence_of(verdict, alignment), alignment, found, fit, verdict


@pytest.mark.parametrize("chip", [0.0, 0.4])
@pytest.mark.parametrize("free", [FREE, ("tx", "ty", "ry", "rz")])
def test_the_linearised_motion_and_covariance_are_those_of_fits_made_without_each_touch(job, chip, free):
    if len(free) < 6 and chip:
        pytest.skip("the chip has nowhere to go")
    influence, alignment, found, fit, _ = looked_at(job, chip, free)
    assert len(influence.touches) == 25
    changed = []
    for row, linear in zip(alignment.used[::3], influence.motion[::3], strict=True):
        other = found.copy()
        other.loc[other.index[row], ["x", "y", "z"]] = np.nan
        again = fit(other)
        shift, turn = motion_parameters(again.motion @ alignment.inverse)
        true = np.array([*shift, *np.radians(turn)])
        size = np.array([1.0] * 3 + [50.0] * 3)  # the half length of the part [mm] makes turns comparable
        assert np.linalg.norm(size * (linear - true)) < 0.03 * np.linalg.norm(size * true) + 1e-6
        changed.append(np.linalg.norm(size * true))
    assert max(changed) > 20 * min(changed)


def test_a_chip_that_makes_the_part_scrap_is_named_with_what_would_be_without_it(job):
    influence, *_, verdict = looked_at(job, 0.6)
    assert verdict.part != "conforms"
    names = {influence.touches[row] for row in influence.named}
    assert 33 in names
    first = influence.named[0]
    assert influence.touches[first] == 33
    assert influence.changes[first][0][0] == "profile"
    assert influence.changes[first][0][2] == "conforms"
    assert "without touch 33 'profile' would conform" in influence.sentence
    assert influence.share_of_U[first] > 1


def test_no_touch_of_a_good_run_is_named(job):
    assert (
        looked_at(job)[0].sentence == "no datum touch by itself changes a verdict, or moves the set-up by more than U"
    )


def test_a_datum_frame_is_made_anew_without_each_touch_it_rests_on(inspect):
    frame = "".join(
        f'\n[[datum]]\nletter = "{letter}"\nkind = "plane"\nfeatures = ["{name}"]\n'
        for letter, name in (("A", "flange"), ("B", "front"), ("C", "left"))
    )

    def chip(table):
        table.loc[table["touch"] == 33, "z"] += 0.5

    features = 'features = ["flange", "left", "right", "front", "back"]'
    status, said, told, page = inspect(chip, (features, 'datums = ["A", "B", "C"]'), more=frame)
    assert (status, told["part"]) == (1, "undecided")
    by = {one["touch"]: one for one in told["influence"]["touches"]}
    assert by[33]["changes"] == [{"tolerance": "top", "now": "does not conform", "then": "conforms"}]
    for text in (said, page):
        assert "ithout touch 33 &#x27;top&#x27; would conform".replace("&#x27;", "'") in text.replace("&#x27;", "'")


def test_what_is_told_of_many_is_short():
    n = 9
    one = Influence(
        np.arange(n).astype(object),
        np.zeros((n, 6)),
        np.zeros(n),
        np.full(n, 1.5),
        ((("a", "conforms", "undecided"),),) * n,
    )
    assert one.sentence.count("without touch") == 4
    assert one.sentence.endswith("and 5 more touches")
