"""What is to be touched again is written as a plan, and that plan can be planned."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import tiny

from probekit import InputError, cli, study, touches


def spoilt(folder: Path, *, chip: float = 0.0, missed: bool = False, near: float | None = None) -> Path:
    """The tiny study with a chip under datum touch 9, touch 3 missed, and touch 5 this far from its nominal [mm]."""
    path = tiny.write(folder)
    text = (folder / "touches.csv").read_text().splitlines()
    head = next(n for n, line in enumerate(text) if line.startswith("touch,"))
    for number, column, change in ((9, 9, -chip), (5, 10, near)):
        if change:
            cells = text[head + number].split(",")
            cells[column] = f"{float(cells[column]) + change:.4f}"
            text[head + number] = ",".join(cells)
    if missed:
        cells = text[head + 3].split(",")
        text[head + 3] = ",".join([*cells[:8], "", "", "", "no trigger"])
    (folder / "touches.csv").write_text("\n".join(text) + "\n")
    return path


def again(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "results" / "again.csv")


def test_nothing_to_touch_again_leaves_no_file(tmp_path):
    cli.main(["inspect", str(tiny.write(tmp_path)), "--quiet"])
    assert not (tmp_path / "results" / "again.csv").exists()


def test_a_chip_under_a_datum_touch_is_the_one_to_touch_again(tmp_path, capsys):
    """All touches are undecided then; to touch all of them again would be of no use."""
    cli.main(["inspect", str(spoilt(tmp_path, chip=0.5))])
    assert again(tmp_path)["touch"].tolist() == [9]
    assert "does not agree" in again(tmp_path)["why"][0]
    assert "--only" in capsys.readouterr().out


def test_missed_and_undecided_touches_come_with_their_targets(tmp_path):
    cli.main(["inspect", str(spoilt(tmp_path, missed=True)), "--quiet"])
    found = again(tmp_path)
    assert found["touch"].tolist() == [3]
    given = touches.read(tmp_path / "touches.csv").set_index("touch").loc[3]
    assert found[["x0", "y0", "z0", "i", "j", "k"]].to_numpy()[0] == pytest.approx(
        given[["x0", "y0", "z0", "i", "j", "k"]].to_numpy(dtype=float)
    )


def test_the_file_can_be_planned_and_keeps_numbers_and_features(tmp_path):
    path = spoilt(tmp_path, missed=True)
    cli.main(["inspect", str(path), "--quiet"])
    assert cli.main(["program", str(path), "--only", str(tmp_path / "results" / "again.csv")]) == 0
    plan = pd.read_csv(tmp_path / "results" / "again" / "plan.csv", comment="#")
    assert plan[["touch", "feature"]].values.tolist() == [[3, "top"]]
    assert (tmp_path / "results" / "again" / "BLOCK-PROBE.nc").is_file()
    assert (tmp_path / "results" / "report.html").is_file(), "what was inspected stays"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.iloc[:0], "holds no touch"),
        (lambda t: t.assign(z0=t["z0"] + 3), "does not lie on the part"),
        (lambda t: t.drop(columns="k"), "k"),
    ],
)
def test_a_plan_that_is_not_one_of_this_part_is_refused(tmp_path, change, message):
    path = spoilt(tmp_path, missed=True)
    cli.main(["inspect", str(path), "--quiet"])
    other = tmp_path / "other.csv"
    change(again(tmp_path)).to_csv(other, index=False)
    with pytest.raises(InputError, match=message):
        study.plan(study.load(path), only=other)
