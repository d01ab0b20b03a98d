"""Earlier parts place the first touches of the next one, and those of another revision of the model do not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapes
import tiny

from probekit import InputError, study
from probekit.study.earlier_parts import earlier_table
from probekit.study.kept_plan import inputs_sum
from probekit.study.planning import targets_of

MODEL = "0123456789012" + "e" * 51


def earlier(path: Path, model: tuple[str, ...] = (MODEL[:12],), parts: int = 20) -> Path:
    """Parts of one process on the square patch: high in one corner, low nowhere."""
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-22, 22, 5), np.linspace(-22, 22, 5)))
    rng, tables = np.random.default_rng(3), []
    for k in range(parts):
        form = 0.03 * np.exp(-((x - 22) ** 2 + (y - 22) ** 2) / 200.0) + 0.002 * rng.standard_normal(25)
        table = pd.DataFrame({"touch": np.arange(1, 26), "x0": x, "y0": y, "z0": 0.0, "i": 0.0, "j": 0.0, "k": 1.0})
        tables.append(table.assign(deviation=form, record=k + 1, model=model[k % len(model)]))
    pd.concat(tables).to_csv(path, index=False)
    return path


def test_targets_go_where_earlier_parts_came_near_a_limit(tmp_path):
    earlier(tmp_path / "old.csv")
    part = shapes.plane_patch()
    one = {"how": "touch_first", "n": 8, "earlier": "old.csv", "width": 0.08, "feature": "top"}
    found = targets_of([one], part, file=tmp_path / "study.toml", ball_radius=2.0)
    assert len(found) == 8
    assert set(found["feature"]) == {"top"}
    away = np.hypot(found["x0"] - 22, found["y0"] - 22)
    assert away.min() < 12.0
    assert (away < 25.0).sum() >= 3, "a quarter of the surface has more than its share"
    low, high = part.vertices[:, :2].min(axis=0), part.vertices[:, :2].max(axis=0)
    at = found[["x0", "y0"]].to_numpy()
    assert np.minimum(at - low, high - at).min() > 1.9, "the ball stays on the face"
    assert "20 earlier parts" in found.attrs["notes"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"earlier": "none.csv"}, "cannot be read"),
        ({"n": 5000}, "too little of the faces"),
        ({"earlier": None}, "earlier"),
        ({"widht": 0.1}, "no such key"),
    ],
)
def test_a_table_that_cannot_be_used_is_named(tmp_path, change, words):
    earlier(tmp_path / "old.csv")
    one = {"how": "touch_first", "n": 8, "earlier": "old.csv", "width": 0.08} | change
    one = {key: value for key, value in one.items() if value is not None}
    with pytest.raises(InputError, match=words):
        targets_of([one], shapes.plane_patch(), file=tmp_path / "study.toml", ball_radius=2.0)


def test_parts_of_another_revision_are_not_mixed_in(tmp_path):
    path = earlier(tmp_path / "old.csv")
    assert earlier_table(path, MODEL)[1] == "record"
    assert earlier_table(path, "")[1] == "record", "of a mesh without a file nothing is compared"
    with pytest.raises(InputError, match="not all of this revision") as raised:
        earlier_table(path, "f" * 64)
    assert "012345678901 (20 parts)" in str(raised.value), "a number is not read as one"
    with pytest.raises(InputError, match="not all of this revision"):
        earlier_table(earlier(path, (MODEL[:12], "f" * 12)), MODEL)
    with pytest.raises(InputError, match=r"f{12} \(10 parts\)"):
        earlier_table(path, "")


def test_a_plan_is_made_anew_where_the_earlier_parts_changed(tmp_path):
    tiny.write(tmp_path, ('how = "plane"', 'how = "touch_first"\nearlier = "old.csv"'))
    path = earlier(tmp_path / "old.csv")
    before = inputs_sum(study.load(tmp_path / "study.toml"))
    path.write_text(path.read_text().replace("0.0,0.0,1.0", "0.0,0.0,1.00"), encoding="utf-8")
    assert inputs_sum(study.load(tmp_path / "study.toml")) != before
