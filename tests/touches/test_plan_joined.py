"""Results that hold numbers and positions alone, joined with the plan; a plan and a results file read as touches."""

import numpy as np
import pandas as pd
import pytest

import probekit as pk
from probekit.columns import APPROACH, MEASURED, NORMAL, TARGET, TURN

HEAD = "# unit: mm\n# recorded: centre\n"
BARE = "touch,x,y,z\n3,10.01,0.02,3.01\n1,20.0,0.0,3.02\n2,23.05,5.0,-2.0\n"


@pytest.fixture
def plan() -> pd.DataFrame:
    """Three targets, one on a wall, touched with the probe turned by 90 degrees about X; a fourth out of reach."""
    return pd.DataFrame(
        {
            "touch": [1, 2, 3, 4],
            "feature": ["top face", "wall", "top face", "wall"],
            **dict(zip(TARGET, np.array([[20.0, 0, 0], [20, 5, -2], [10, 0, 0], [20, 8, -4]]).T, strict=True)),
            **dict(zip(NORMAL, np.array([[0.0, 0, 1], [1, 0, 0], [0, 0, 1], [1, 0, 0]]).T, strict=True)),
            "face": ["face_1", "face_2", "face_1", "face_2"],
            "reachable": [True, True, True, False],
            "reason": ["", "", "", "no pose keeps clear of the part"],
            **dict(zip(TURN, np.array([[0.0, 0, 0], [90, 0, 0], [0, 0, 0], [np.nan] * 3]).T, strict=True)),
        }
    )


def test_numbers_and_positions_are_enough(tmp_path, plan):
    file = tmp_path / "plan.csv"
    plan.to_csv(file, index=False)
    (tmp_path / "run.csv").write_text(HEAD + BARE)
    (tmp_path / "run.log").write_text(
        "START\nPT 003 X10.01 Y0.02 Z3.01\nPT 001 X20. Y0. Z3.02\nPT 002 X23.05 Y5. Z-2.\n"
    )
    pattern = r"PT (?P<touch>\d+) X(?P<x>\S+) Y(?P<y>\S+) Z(?P<z>\S+)"
    for table in (
        pk.touches.read(tmp_path / "run.csv", plan=file),
        pk.touches.read_text(tmp_path / "run.log", pattern=pattern, unit="mm", recorded="centre", plan=plan),
    ):
        rows = plan.iloc[[2, 0, 1]]
        assert table["touch"].tolist() == [3, 1, 2]
        for names in (TARGET, NORMAL, TURN):
            np.testing.assert_array_equal(table[list(names)].to_numpy(), rows[list(names)].to_numpy())
        np.testing.assert_array_equal(table[list(APPROACH)].to_numpy(), -rows[list(NORMAL)].to_numpy())
        assert table["feature"].tolist() == rows["feature"].tolist()
        assert table["face"].tolist() == rows["face"].tolist()
        assert table[list(MEASURED)].iloc[0].tolist() == [10.01, 0.02, 3.01]
        pk.touches.write(table, tmp_path / "again.csv")
        assert pk.touches.read(tmp_path / "again.csv")[list(TARGET)].equals(table[list(TARGET)])


def test_a_file_that_brings_its_targets_keeps_them(tmp_path, plan, good):
    (tmp_path / "run.csv").write_text(good)
    with_its_own = pk.touches.read(tmp_path / "run.csv")
    pd.testing.assert_frame_equal(pk.touches.read(tmp_path / "run.csv", plan=plan), with_its_own)


def test_touches_too_many_and_too_few_are_named(tmp_path, plan):
    """Only those that the probe reaches count as missing; what the plan does not know stays, without a target."""
    (tmp_path / "run.csv").write_text(HEAD + "touch,x,y,z\n3,10.01,0.02,3.01\n9,20.0,0.0,3.02\n")
    with pytest.warns(pk.ProbekitWarning) as caught:
        table = pk.touches.read(tmp_path / "run.csv", plan=plan)
    told = [str(one.message).partition(": ")[2] for one in caught]
    assert told == [
        "1 touches have numbers that the plan does not have, so they have no target: 9",
        "2 planned touches are not in the results: 1, 2",
    ]
    assert table["touch"].tolist() == [3, 9]
    assert np.isnan(table.loc[1, list(TARGET)].to_numpy(float)).all()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("touch,x,y,z\n71,1,2,3\n", "no touch of the results has a number that the plan has; found '71'"),
        ("touch,x,y,z\n1,1,2,3\n01,1,2,3\n", "a touch stands twice; found '1'"),
        ("touch,feature,x,y,z\n2,TOP_FACE,1,2,3\n", "touch 2 is on another feature in the plan; found 'TOP_FACE'"),
        ("touch,x,y\n1,1,2\n", "required columns are missing: z"),
        ("touch,x,y,z\n1,1,2\n", "line 4: the last row is cut short"),
    ],
)
def test_what_does_not_belong_to_the_plan_is_refused(tmp_path, plan, text, words):
    (tmp_path / "run.csv").write_text(HEAD + text)
    with pytest.raises(pk.InputError) as caught:
        pk.touches.read(tmp_path / "run.csv", plan=plan)
    assert words in str(caught.value)


def test_a_feature_as_a_program_had_to_spell_it(tmp_path, plan):
    (tmp_path / "run.csv").write_text(HEAD + "touch,feature,x,y,z\n1,TOP_FACE,20,0,3\n2,WALL,23,5,-2\n3,,10,0,3\n")
    assert pk.touches.read(tmp_path / "run.csv", plan=plan)["feature"].tolist() == ["top face", "wall", "top face"]


def test_log_lines_without_numbers_cannot_be_joined(tmp_path, plan):
    (tmp_path / "run.log").write_text("20 0 3\n23 5 -2\n")
    with pytest.raises(pk.InputError, match="the numbers of the touches are not read"):
        pk.touches.read_text(
            tmp_path / "run.log", columns={"x": 0, "y": 1, "z": 2}, unit="mm", recorded="centre", plan=plan
        )


def test_a_plan_is_touches_none_of_which_is_made(tmp_path, plan):
    """As it is written: no measured columns; a reason of its own where the probe does not reach."""
    plan.to_csv(tmp_path / "plan.csv", index=False)
    table = pk.touches.read(tmp_path / "plan.csv")
    assert table["reason"].tolist() == ["not touched yet"] * 3 + ["no pose keeps clear of the part"]
    assert np.isnan(table[list(MEASURED)].to_numpy()).all()
    np.testing.assert_array_equal(table[list(TARGET)].to_numpy(), plan[list(TARGET)].to_numpy())
    pk.touches.write(table, tmp_path / "again.csv")
    assert pk.touches.read(tmp_path / "again.csv")["reason"].tolist() == table["reason"].tolist()


def test_a_plan_cut_short_or_with_holes_is_refused(tmp_path, plan):
    file, text = tmp_path / "plan.csv", plan.to_csv(index=False)
    file.write_text("# unit: mm\n# rows: 4\n" + "".join(text.splitlines(keepends=True)[:-1]))
    with pytest.raises(
        pk.InputError, match=r"the file does not hold as many rows as it states; found '3 rows'; expected 4 rows"
    ):
        pk.touches.read_plan(file)
    file.write_text(text.replace("20.0,5.0,-2.0", "20.0,,-2.0"))
    with pytest.raises(pk.InputError, match=r"plan.csv, line 3, column 'y0': the plan holds what is no number"):
        pk.touches.read_plan(file)
    file.write_text(text.replace("\n3,", "\n1,"))
    with pytest.raises(pk.InputError, match=r"plan.csv, line 4, column 'touch': a number stands twice"):
        pk.touches.read_plan(file)


def test_unit_and_kind_of_a_file_that_does_not_say_them(tmp_path, plan):
    (tmp_path / "run.csv").write_text("touch,x,y,z\n1,1,0,0.1\n")
    with pytest.warns(pk.ProbekitWarning, match="planned touches are not in"):
        table = pk.touches.read(tmp_path / "run.csv", plan=plan, unit="inch", recorded="contact")
    assert table[list(MEASURED)].iloc[0].tolist() == pytest.approx([25.4, 0, 2.54])  # 25.4 mm since 1959
    assert table[list(TARGET)].iloc[0].tolist() == [20.0, 0.0, 0.0]
    (tmp_path / "run.csv").write_text(HEAD + BARE)
    with pytest.raises(pk.InputError, match=r"line 1, column 'unit': .* otherwise .*found 'mm'; expected inch"):
        pk.touches.read(tmp_path / "run.csv", plan=plan, unit="inch")
