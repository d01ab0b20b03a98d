"""The gate, through the command line, on a part of our own with noise: each mistake is refused or named."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from plausibility import pad
from thorough import some

import probekit as pk
from probekit.geometry import apply_motion

MEASURED, TARGET, NORMAL = ["x", "y", "z"], ["x0", "y0", "z0"], ["i", "j", "k"]


def without(table: pd.DataFrame, rows: np.ndarray) -> pd.DataFrame:
    out = table[~rows].reset_index(drop=True)
    out.attrs = table.attrs
    return out


def seen_first(page: str) -> str:
    """The part of a page that stands beside the picture, seen without scrolling past it."""
    return page[page.index('class="sheet"') : page.index('class="rest"')]


NO_PLAN = (re.compile(r"\[\[plan\]\].*?(?=\[reach\])", re.DOTALL), "")


def test_a_good_run_conforms_and_shows_its_residuals(inspect):
    status, said, told, page = inspect()
    assert (status, told["part"], told["reasons"]) == (0, "conforms", [])
    assert [one["level"] for one in told["findings"]] == []
    assert told["residuals"]["rms"] == pytest.approx(0.002, abs=0.001)
    for text in (said, page):
        assert re.search(
            r"[Rr]esiduals of 25 datum touches: rms 0\.00\d\d mm, largest [+-]0\.00\d\d mm \(touch \d+\)", text
        )


# --- touches that are not there ---------------------------------------------------------------------------------------


def test_deleted_rows_are_missed_touches(inspect):
    def dented(table: pd.DataFrame) -> pd.DataFrame:
        table.loc[table["touch"].isin([4, 9]), MEASURED] -= 0.2 * table[NORMAL].to_numpy()[[3, 8]]
        return without(table, table["touch"].isin([4, 9]).to_numpy())

    status, said, told, page = inspect(dented)
    assert (status, told["part"]) == (1, "undecided")
    assert "2 planned touches are not in the results" in said.replace("2 of 55 planned", "2 planned")
    assert "touches 4, 9" in said
    assert "touches 4, 9" in page
    lost = {one["touch"]: one["reason"] for one in told["touches"] if one["verdict"] == "missed"}
    assert lost == {4: "planned touch 4, not in the results", 9: "planned touch 9, not in the results"}


@pytest.mark.parametrize(
    ("features", "fault"), [(["top"], "there is no touch to fit"), (["top", "left"], "the touches do not fix the part")]
)
def test_results_of_a_run_that_stopped_early_name_what_is_missing_when_nothing_can_be_aligned(inspect, features, fault):
    status, said, told, page = inspect(lambda t: without(t, ~t["feature"].isin(features).to_numpy()))
    assert (status, told["part"]) == (1, "undecided")
    assert [one["word"] for one in told["tolerances"]] == ["not judged"] * len(told["tolerances"])
    for text in (said, page):
        assert f"the alignment cannot be made: {fault}" in text
    assert "planned touches are not in the results; they count as missed" in said
    assert "the program was stopped" in said


def test_all_but_one_of_the_freeform_touches_deleted(inspect):
    status, said, told, _ = inspect(lambda t: without(t, ((t["feature"] == "top") & (t["touch"] > 1)).to_numpy()))
    assert (status, told["part"]) == (1, "undecided")
    assert "29 of 55 planned touches are not in the results" in said


def test_numbers_of_other_places_want_a_look_and_again_names_the_places(inspect, good, tmp_path):
    def scrambled(table: pd.DataFrame) -> None:
        table["touch"] = np.roll(table["touch"].to_numpy(), 7)  # a column that was sorted alone
        table["reason"] = np.where(np.arange(len(table)) == 3, "no trigger", "")
        table.loc[table.index[3], ["x", "y", "z"]] = np.nan

    _, said, told, _ = inspect(scrambled)
    look = next(one for one in told["findings"] if one["name"] == "another plan")
    assert (look["level"], len(look["touches"])) == ("look", 55)
    assert "55 of 55 touches have numbers that the plan has for other places" in said
    planned = pk.touches.read(good / "touches.csv").iloc[3]
    again = pd.read_csv(tmp_path / "study" / "results" / "again.csv", comment="#").iloc[0]
    assert again["planned"] == planned["touch"] != again["touch"]
    assert again[["x0", "y0", "z0"]].tolist() == pytest.approx(planned[["x0", "y0", "z0"]].tolist())


def test_a_plan_by_its_file(inspect, good, tmp_path):
    """Named in the study; without [[plan]]; and numbers in the file that the plan has for other targets."""
    table = pk.touches.read(good / "touches.csv")
    table[["touch", "feature", *TARGET, *NORMAL]].to_csv(tmp_path / "plan.csv", index=False)
    text = (good / "study.toml").read_text()
    bare = NO_PLAN[0].sub("", text)
    named = (text, bare.replace('file = "touches.csv"', f'file = "touches.csv"\nplan = "{tmp_path / "plan.csv"}"'))

    def shuffled(table: pd.DataFrame) -> pd.DataFrame:
        out = without(table, table["touch"].isin([4]).to_numpy())
        out["touch"] = np.arange(1, len(out) + 1)[::-1]
        return out

    status, said, told, _ = inspect(shuffled, named)
    assert (status, told["part"]) == (1, "undecided")
    assert "1 of 55 planned touches are not in the results" in said
    assert [one["touch"] for one in told["touches"] if one["verdict"] == "missed"] == [55]


def test_targets_that_no_program_touched_are_noted(inspect, tmp_path):
    """The plan that was written says that the probe does not reach 4; 9 was deleted."""

    def planned(table: pd.DataFrame) -> pd.DataFrame:
        plan = table[["touch", "feature", *TARGET, *NORMAL]].assign(reachable=table["touch"] != 4)
        plan.to_csv(tmp_path / "plan.csv", index=False)
        return without(table, table["touch"].isin([4, 9]).to_numpy())

    text = f'file = "touches.csv"\nplan = "{tmp_path / "plan.csv"}"'
    _, _, told, _ = inspect(planned, ('file = "touches.csv"', text))
    assert [(one["level"], one["touches"]) for one in told["findings"]] == [("note", [4]), ("look", [9])]
    assert [one["touch"] for one in told["touches"] if one["verdict"] == "missed"] == [9]


def test_without_a_plan_gaps_are_noted_and_a_short_file_is_refused(inspect, good):
    text = (good / "study.toml").read_text()
    status, said, told, _ = inspect(
        lambda t: without(t, (t["touch"] == 9).to_numpy()), (text, NO_PLAN[0].sub("", text))
    )
    assert (status, told["part"]) == (0, "conforms")
    assert "the numbers of the touches have gaps" in said


def test_a_plan_that_cannot_be_made_wants_a_look(inspect):
    status, said, told, _ = inspect(None, ("[reach]", '[[plan]]\nhow = "blue_noise"\nfaces = "hull"\nn = 3\n\n[reach]'))
    assert (status, told["part"]) == (1, "undecided")
    assert "the plan of the study cannot be made" in said


# --- touches that cannot be -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shift", "cause"),
    some(
        [
            ((0, 0, 160), "along Z, by the same amount: the length offset of the probe"),
            ((60, -45, -30), "another work offset, machine coordinates, or another origin"),
            ((0, 0, 5), "along Z"),
            ((5, 0, 0), "along X, by the same amount: the X of the work offset"),
        ]
    ),
)
def test_a_run_in_the_wrong_place_is_refused(inspect, shift, cause):
    def moved(table: pd.DataFrame) -> None:
        table[MEASURED] += np.array(shift, dtype=float)

    status, said, told, _ = inspect(moved)
    assert (status, told) == (2, None)
    assert "touches are further from their targets than the probing moves could go" in said
    assert cause in said
    assert "would put the program back" not in said
    assert "standoff 3 mm, overtravel 1 mm ([reach] of the study)" in said


def test_a_turned_frame_is_named(inspect):
    def turned(table: pd.DataFrame) -> None:
        table[MEASURED] = apply_motion(pk.fit.make_motion((9, 4, 2), (0, 0, 30.0)), table[MEASURED].to_numpy())

    status, said, *_ = inspect(turned)
    assert status == 2
    angle = re.search(r"another frame: turned by about ([\d.]+) degrees and shifted as a whole", said)
    assert float(angle[1]) == pytest.approx(30.0, abs=0.2)


def test_a_program_from_a_corner_is_refused(inspect):
    def cornered(table: pd.DataFrame) -> None:
        table[MEASURED] += [50.0, 36.0, 20.0]
        table[TARGET] += [50.0, 36.0, 20.0]

    status, said, told, _ = inspect(cornered)
    assert (status, told) == (2, None)
    assert "do not lie on the model" in said
    assert "another origin: the targets are counted from a corner" in said


def test_shifted_rows_are_refused(inspect):
    def rolled(table: pd.DataFrame) -> None:
        table[MEASURED] = np.roll(table[MEASURED].to_numpy(), 1, axis=0)

    status, said, *_ = inspect(rolled)
    assert status == 2
    assert "shifted rows: each touch carries the position of the touch 1 row away" in said


def test_machine_coordinates_are_not_called_inch(inspect):
    def machine(table: pd.DataFrame) -> None:
        table[MEASURED] += [312.4, -180.0, -402.0]

    status, said, *_ = inspect(machine)
    assert status == 2
    assert "25.4" not in said
    assert "another work offset, machine coordinates, or another origin" in said


def test_one_touch_far_off_along_the_surface_is_refused_by_its_number(inspect):
    def one(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 33, "x"] += 9.0  # on the flange, so its deviation stays as it was

    status, said, *_ = inspect(one)
    assert status == 2
    assert "1 of 55 touches are further from their targets" in said
    assert "(touch 33)" in said


def test_one_touch_a_little_off_along_the_surface_wants_a_look(inspect):
    def one(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 33, "x"] += 2.0

    status, said, told, page = inspect(one)
    assert (status, told["part"]) == (1, "undecided")
    assert "1 of 55 touches lie beside their targets" in said
    assert [one["touches"] for one in told["findings"] if one["level"] == "look"] == [[33]]
    assert "lie beside their targets" in seen_first(page)


# --- another run -----------------------------------------------------------------------------------------------------


def _yesterday(table: pd.DataFrame, rows: list[int]) -> pd.Series:
    """Every 20 s from 14:05; some touches are from the day before."""
    time = pd.Timestamp("2026-11-20T14:05:00") + pd.to_timedelta(20 * np.arange(len(table)), unit="s")
    old = np.isin(np.arange(len(table)), rows)
    return pd.Series(time - pd.to_timedelta(old * 24, unit="h"), index=table.index).dt.strftime("%Y-%m-%dT%H:%M:%S")


def test_half_a_feature_from_the_run_of_yesterday_wants_a_look(inspect):
    def half(table: pd.DataFrame) -> None:
        table["time"] = _yesterday(table, list(range(15)))  # of the 30 on top

    status, said, told, page = inspect(half)
    assert (status, told["part"]) == (1, "undecided")
    look = [one for one in told["findings"] if one["level"] == "look"]
    assert [(one["name"], one["touches"]) for one in look] == [("mixed runs", list(range(1, 16)))]
    assert "the touches are of 2 runs, mixed on top" in said
    assert "2026-11-19 14:05 for 15, 2026-11-20 14:10 for 40" in look[0]["found"]
    assert "mixed on top" in seen_first(page)


@pytest.mark.parametrize(
    ("column", "values", "level"),
    some(
        [
            ("plan", ["a81f", "77c0"], "look"),  # on one feature
            ("serial", ["12E4", "12E5"], "look"),
            ("time", None, None),  # one run
        ]
    ),
)
def test_what_else_tells_runs_and_parts_apart(inspect, column, values, level):
    def mix(table: pd.DataFrame) -> None:
        table[column] = _yesterday(table, []) if values is None else np.where(table.index < 10, *values)

    _, _, told, _ = inspect(mix)
    found = [one["level"] for one in told["findings"] if one["name"] == "mixed runs"]
    assert found == ([] if level is None else [level])


@pytest.mark.parametrize(
    ("rows", "order", "times", "level"),
    [
        (range(55), "after", False, ["look"]),
        (range(55), "after", True, ["look"]),  # and two hours later
        (range(55), "beside", False, []),  # each touched twice at once
        (range(30, 43), "after", True, []),  # references
    ],
)
def test_two_runs_in_one_file_under_other_numbers_want_a_look(inspect, rows, order, times, level):
    def twice(table: pd.DataFrame) -> pd.DataFrame:
        again = table.iloc[list(rows)].assign(touch=lambda own: own["touch"] + 100)
        again[["x", "y", "z"]] += 0.004 * again[["i", "j", "k"]].to_numpy()
        out = pd.concat([table, again], ignore_index=True)
        if order == "beside":
            out = out.sort_values("touch", key=lambda own: own % 100, ignore_index=True)
        if times:
            out["time"] = 20.0 * np.arange(len(out)) + 7200.0 * (out["touch"] > 100)
        out.attrs = dict(table.attrs)
        return out

    _, said, told, _ = inspect(twice)
    assert [one["level"] for one in told["findings"] if one["name"] == "mixed runs"] == level
    assert ("two runs in one file" in said) == bool(level)
    assert ("+0.0040 mm from the earlier ones at the median" in said) == bool(level)
    assert told["part"] == ("undecided" if level else "conforms")


def test_whole_features_from_two_runs_are_noted(inspect):
    def mix(table: pd.DataFrame) -> None:
        table["time"] = _yesterday(table, list(range(30)))

    status, _, told, _ = inspect(mix)
    assert status == 0
    assert [one["level"] for one in told["findings"] if one["name"] == "mixed runs"] == ["note"]


# --- another model ----------------------------------------------------------------------------------------------------


def test_a_model_read_as_inch_is_refused(inspect):
    faces = [('unit = "mm"', 'unit = "inch"')]
    text = pad.STUDY[pad.STUDY.index("[part.faces]") : pad.STUDY.index("[touches]")]
    scaled = re.sub(r"-?\d+(?=[,\]])", lambda n: str(25.4 * float(n[0])), text)
    status, said, told, _ = inspect(None, *faces, (text, scaled), (pad.WALLS, ""), ("margin = 4.0", "margin = 40.0"))
    assert (status, told) == (2, None)
    assert "a factor of 25.4: the model was read as inch" in said
    assert "median distance" in said


def test_another_part_of_the_family_is_refused(inspect):
    status, said, told, _ = inspect(
        None, ('model = "pad.stl"', f'model = "{_model(higher=4.0)}"'), ("[0, 0, 12]", "[0, 0, 16]")
    )
    assert (status, told) == (2, None)
    assert "the targets of top do not lie on the model" in said
    assert 3.7 < float(re.search(r"found median distance (\S+) mm over 30 targets", said)[1]) <= 4.0  # 4 cos(slope)
    assert "another part of a family, or another revision of the model: top lies" in said


def test_the_mirror_image_of_the_part_is_refused(inspect):
    status, said, told, _ = inspect(
        None,
        ('model = "pad.stl"', f'model = "{_model(mirrored=True)}"'),
        ("left = [-50", "left = [50"),
        ("right = [50", "right = [-50"),
    )
    assert (status, told) == (2, None)
    assert "mirror images" in said


@pytest.fixture(autouse=True)
def _models(tmp_path_factory: pytest.TempPathFactory) -> None:
    _FOLDER.append(tmp_path_factory.mktemp("models"))


_FOLDER: list[Path] = []


def _model(*, higher: float = 0.0, mirrored: bool = False) -> Path:
    mesh = pad.mesh(higher=higher)
    if mirrored:
        mesh.vertices[:, 0] *= -1
        mesh.faces = mesh.faces[:, ::-1]
    path = _FOLDER[-1] / "other.stl"
    mesh.export(path)
    return path


def test_one_target_off_the_model_wants_a_look(inspect):
    def one(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 7, "z0"] += 0.6

    status, said, told, _ = inspect(one)
    assert (status, told["part"]) == (1, "undecided")
    assert "1 of 55 targets do not lie on the model" in said
    assert "(touch 7)" in said


# --- the ball ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("exchanged", [False, True])
def test_a_touch_that_names_another_face_is_refused(inspect, exchanged):
    """It would be measured from the face that it names: one wrong name, or two features exchanged."""

    def rename(table: pd.DataFrame) -> pd.DataFrame:
        names = list(dict.fromkeys(table["feature"]))
        if exchanged:
            return table.assign(feature=table["feature"].replace({names[0]: names[1], names[1]: names[0]}))
        row = np.flatnonzero(table["feature"] == names[0])[1]
        table.loc[table.index[row], "feature"] = names[1]
        return table

    status, words, verdict, _ = inspect(rename)
    assert (status, verdict) == (2, None)
    assert "do not lie on the face that their touch names" in words


def contacts(table: pd.DataFrame, recorded: str) -> None:
    table[MEASURED] = table[MEASURED].to_numpy() - pad.RADIUS * table[NORMAL].to_numpy()
    table.attrs["recorded"] = recorded


@pytest.mark.parametrize(
    ("change", "changes", "words"),
    some(
        [
            (
                None,
                [("ball_diameter = 6.0\neffective_radius = 2.991", "ball_diameter = 4.0")],
                "another ball, of about 5.98",
            ),
            (lambda t: contacts(t, "centre"), [], "contact points were recorded, not ball centres"),
            (lambda t: t.attrs.update(recorded="contact"), [], "ball centres were recorded, not contact points"),
        ]
    ),
)
def test_a_ball_that_contradicts_the_touches_is_refused(inspect, change, changes, words):
    status, said, told, _ = inspect(change, *changes)
    assert (status, told) == (2, None)
    assert "distance of the touches from their targets contradicts" in said
    assert words in said


@pytest.mark.parametrize("recorded", ["centre", "contact"])
def test_exchanged_columns_are_refused(inspect, recorded):
    def swapped(table: pd.DataFrame) -> None:
        if recorded == "contact":
            contacts(table, "contact")
        table[TARGET + MEASURED] = table[MEASURED + TARGET].to_numpy()

    status, said, told, _ = inspect(swapped)
    assert (status, told) == (2, None)
    assert "swapped" in said or "exchanged" in said


def test_a_run_of_contact_points_is_as_good(inspect):
    status, _, told, _ = inspect(lambda t: contacts(t, "contact"))
    assert (status, told["part"], told["findings"]) == (0, "conforms", [])


# --- datum touches ----------------------------------------------------------------------------------------------------


def test_a_part_that_is_bad_with_a_chip_and_without_it_is_bad(inspect):
    def spoilt(table: pd.DataFrame) -> None:
        table.loc[table["feature"] == "top", "z"] += 0.4
        table.loc[table["touch"] == 34, "z"] += 0.2

    status, _, told, _ = inspect(spoilt)
    assert (status, told["part"]) == (1, "does not conform")
    assert [one["name"] for one in told["findings"] if one["level"] == "look"] == ["datum residuals"]
    assert not [one for one in told["touches"] if one["verdict"] == "within"]


def test_a_chip_on_a_datum_face_with_a_tolerance_makes_no_bad_part(inspect):
    def chip(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 34, "z"] += 0.5

    _, _, told, _ = inspect(chip, ('features = ["top"]', 'features = ["top", "flange"]'))
    assert told["part"] == "undecided"


def test_a_chip_under_a_datum_touch(inspect):
    def chip(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 34, "z"] += 0.5

    status, said, told, page = inspect(chip)
    assert (status, told["part"]) == (1, "undecided")
    (look,) = [one for one in told["findings"] if one["level"] == "look"]
    assert look["touches"] == [34]
    assert told["residuals"]["outliers"] == [34]
    assert "A robust fit for comparison (Tukey)" in look["todo"]
    assert "with it, the verdict would be: conforms, all touches within" in look["todo"]
    robust = [float(v) for v in re.search(r"gives \((.*?)\) mm", look["todo"])[1].split(",")]
    assert robust == pytest.approx([-0.11, 0.07, -0.05], abs=0.003)
    for text in (said, seen_first(page)):
        assert "the datum touches do not agree with one another, touch 34 least" in text
    assert "scrap" not in said
    assert "would put the program back" not in said


def test_a_fit_that_leaves_the_chip_out_needs_no_look(inspect):
    def chip(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 34, "z"] += 0.5

    status, said, told, _ = inspect(chip, ("[alignment]", '[alignment]\nmethod = "tukey"'))
    assert (status, told["part"]) == (0, "conforms")
    assert "touch 34 least" in said
    assert "the robust fit left out what does not agree" in said


def test_two_chips_are_both_named(inspect):
    def chips(table: pd.DataFrame) -> None:
        table.loc[table["touch"].isin([33, 37]), "z"] += [0.06, 0.09]

    _, _, told, _ = inspect(chips)
    assert sorted(told["residuals"]["outliers"]) == [33, 37]


def test_without_an_uncertainty_the_others_tell(inspect):
    def chip(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 34, "z"] += 0.05

    status, said, told, _ = inspect(chip, ("[uncertainty]\nu = 0.003\n", ""))
    assert (status, told["part"]) == (1, "undecided")
    assert told["residuals"]["outliers"] == [34]
    assert "no uncertainty is stated" in said


@pytest.mark.parametrize(("step", "said"), [(0.1, "rounded to 0.1 mm"), (0.0254, "rounded to 0.0254 mm"), (0.01, "")])
def test_positions_with_too_few_digits_want_a_look(inspect, step, said):
    """q / sqrt(12) of 0.1 mm is 29 um, of 0.001 inch 7.3 um, of 0.01 mm 2.9 um: u is 3 um."""

    def rounded(table: pd.DataFrame) -> None:
        table[MEASURED] = (table[MEASURED] / step).round() * step

    _, _, told, _ = inspect(rounded)
    found = [one for one in told["findings"] if "are rounded" in one["what"] and one["level"] == "look"]
    assert bool(found) is bool(said)
    if said:
        assert said in found[0]["what"]
        assert (found[0]["level"], told["part"]) == ("look", "undecided")


# --- what is not stated -----------------------------------------------------------------------------------------------


def test_no_alignment_is_said_in_the_headline(inspect):
    text = '[alignment]\nfeatures = ["flange", "left", "right", "front", "back"]\n'
    status, said, told, page = inspect(None, (text, ""))
    assert (status, told["part"]) == (1, "undecided")
    assert "no alignment was made" in said[: said.index("Tolerances")]
    assert "no alignment was made" in seen_first(page)
    assert "re-cut" not in said


def test_it_can_be_accepted_with_a_reason_that_the_page_shows(inspect):
    text = '[alignment]\nfeatures = ["flange", "left", "right", "front", "back"]\n'
    gate = '\n[gate]\naccept = ["no alignment"]\nreason = "set up with the probe just before"\n'
    gone = "width = 0.15", "width = 0.45"
    status, said, told, page = inspect(None, (text, ""), gone, more=gate)
    assert (status, told["part"], told["reasons"]) == (0, "conforms", [])
    assert "accepted by the study (set up with the probe just before): no alignment was made" in said
    assert "accepted by the study (set up with the probe just before)" in page


@pytest.mark.parametrize(
    ("gate", "message"),
    [
        ('accept = ["no alignment"]', "gate.reason': findings are accepted without a reason"),
        ('accept = ["everything"]\nreason = "so"', "there is no finding of that name; found 'everything'"),
    ],
)
def test_what_may_not_be_accepted(inspect, gate, message):
    status, said, *_ = inspect(None, more=f"\n[gate]\n{gate}\n")
    assert status == 2
    assert message in said


@pytest.mark.parametrize(
    ("changes", "words"),
    some(
        [
            ([("u = 0.003", "u = 0.0")], "the uncertainty is stated as zero"),
            ([("effective_radius = 2.991\n", "")], "the probe is not qualified: half the ball diameter, 3 mm"),
            ([("[uncertainty]\nu = 0.003\n", "")], "no uncertainty is stated"),
            ([("u = 0.003", "u = 0.03")], "the datum touches agree far better than their stated uncertainty"),
            ([("u = 0.003", "u = 0.3")], "the datum touches agree far better than their stated uncertainty"),
        ]
    ),
)
def test_what_nobody_stated_is_noted(inspect, changes, words):
    """Beyond a hundred times what the touches show, the unit is in doubt, and somebody has to look."""
    _, said, told, page = inspect(None, *changes)
    assert words in said
    assert words in page
    level = "look" if changes[0][1] in ("u = 0.3", "") and "uncertainty]" not in changes[0][0] else "note"
    assert [one["level"] for one in told["findings"]] == [level]


def test_a_ball_that_looks_like_a_set_up(inspect):
    """Stated 2.991, really 2.961: three faces shift by 0.03, and so do those opposite, which no shift does."""

    def small(table: pd.DataFrame) -> pd.DataFrame:
        still = {"shift": (0, 0, 0), "turn": (0, 0, 0), "top": 0.0}
        return pad.run(table[["touch", "feature", *TARGET, *NORMAL]], seed=4, radius=pad.RADIUS - 0.03, **still)

    status, said, told, _ = inspect(small)
    assert status == 1
    assert [(one["level"], one["name"]) for one in told["findings"]] == [("look", "ball radius")]
    assert "one of about 2.96" in said
    assert "moving the work offset by the same amount" not in said


def test_scatter_of_datums_is_told_without_their_sizes(inspect):
    """Sides 0.02 proud all alike, as an oversize feature is: the scatter is that of the noise, 0.002 mm."""

    def proud(table: pd.DataFrame) -> None:
        side = table["feature"].isin(["left", "right", "front", "back"]).to_numpy()
        for axis, normal in zip("xyz", NORMAL, strict=True):
            table[axis] += np.where(side, 0.02 * table[normal], 0.0)

    _, said, told, _ = inspect(proud, ("u = 0.003", "u = 0.03"))
    found = next(one for one in told["findings"] if one["name"] == "uncertainty")["found"]
    assert float(found.split("a scatter of ")[1].split()[0]) == pytest.approx(0.002, abs=0.001)
    assert "mm scatter and the rest size" in said


@pytest.mark.parametrize(
    ("kept", "level"),
    some(
        [
            (lambda ids: ~((ids > 31) & (ids < 39)), "look"),  # a run
            (lambda ids: (ids < 9) | (ids > 25) | (ids % 2 == 0), "look"),  # every other one of a part of the face
            (lambda ids: ids != 20, "note"),
        ]
    ),
)
def test_rows_that_were_cut_out_show_in_the_numbers(inspect, kept, level):
    """Without a plan a file that lost half of a face was judged as if it were whole."""

    def cut(table: pd.DataFrame) -> pd.DataFrame:
        return table[kept(table["touch"].to_numpy())]

    text = pad.STUDY.format(walls=pad.WALLS)
    plans = text[text.index("[[plan]]") : text.index("[reach]")]
    status, _, told, _ = inspect(cut, (plans, ""))
    assert [one["level"] for one in told["findings"] if one["name"] == "missing touches"] == [level]
    assert (status, told["part"]) == ((0, "conforms") if level == "note" else (1, "undecided"))


def test_numbers_in_tens_leave_nothing_out(inspect):
    text = pad.STUDY.format(walls=pad.WALLS)
    plans = text[text.index("[[plan]]") : text.index("[reach]")]

    def tens(table: pd.DataFrame) -> None:
        table["touch"] *= 10

    assert [one["level"] for one in inspect(tens, (plans, ""))[2]["findings"]] == ["note"]


def test_beyond_max_distance_wants_a_look(inspect):
    def far(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 7, "z"] += 0.6

    status, said, told, _ = inspect(far, ("[alignment]", "[deviation]\nmax_distance = 0.5\n\n[alignment]"))
    assert status == 1
    assert "1 touches are further from the model than max_distance" in said
    assert [one["touches"] for one in told["findings"] if one["name"] == "far from model"] == [[7]]


# --- what must pass ---------------------------------------------------------------------------------------------------


def test_a_large_but_legal_set_up_error_passes(inspect):
    def placed(table: pd.DataFrame) -> pd.DataFrame:
        targets = table[["touch", "feature", *TARGET, *NORMAL]]
        return pad.run(targets, seed=5, shift=(0.7, -0.6, 0.65), turn=(0.15, -0.2, 0.2))

    status, _, told, _ = inspect(placed)
    assert (status, told["part"], told["findings"]) == (0, "conforms", [])


def test_touches_without_targets_pass_and_say_so(inspect, good):
    def bare(table: pd.DataFrame) -> None:
        table[TARGET + NORMAL] = np.nan

    text = (good / "study.toml").read_text()
    status, said, told, _ = inspect(bare, (text, NO_PLAN[0].sub("", text)))
    assert (status, told["part"]) == (0, "conforms")
    assert "55 touches have no target" in said


def test_touches_without_targets_far_from_the_model_are_refused(inspect, good):
    """Where nothing is planned; else their targets are those of the plan."""
    text = (good / "study.toml").read_text()

    def bare(table: pd.DataFrame) -> None:
        table[TARGET + NORMAL] = np.nan
        table["z"] += 160.0

    status, said, *_ = inspect(bare, (text, NO_PLAN[0].sub("", text)))
    assert status == 2
    assert "without a target are further from the model" in said


def test_an_allowance_passes(inspect):
    """0.4 mm left on all faces, said in the study; targets on the nominal."""

    def left(table: pd.DataFrame) -> pd.DataFrame:
        return pad.run(table[["touch", "feature", *TARGET, *NORMAL]], seed=6, radius=pad.RADIUS + 0.4)

    status, _, told, _ = inspect(left, ("[alignment]", "[deviation]\nallowance = 0.4\n\n[alignment]"))
    assert (status, told["part"], told["findings"]) == (0, "conforms", [])


@pytest.mark.parametrize("targets_too", [False, True])
def test_results_in_machine_coordinates_that_the_study_places_pass(inspect, targets_too):
    where = pk.fit.make_motion((350.0, -120.0, 85.0), (0.0, 0.0, 90.0))

    def machine(table: pd.DataFrame) -> None:
        for names in (MEASURED, *([TARGET] if targets_too else [])):
            table[names] = apply_motion(where, table[names].to_numpy())
        if targets_too:
            table[NORMAL] = table[NORMAL].to_numpy() @ where[:3, :3].T

    more = "\n[machine]\ntranslation = [350, -120, 85]\nrotation = [0, 0, 90]\n"
    status, said, told, _ = inspect(machine, more=more)
    assert (status, told["part"], told["findings"]) == (0, "conforms", [])
    assert ("placed as [machine] states" in said) == targets_too


def test_numbers_and_positions_alone_come_home(inspect, good, tmp_path):
    """A log without targets, in another order, gives the deviations of the full file; what it lacks is named."""
    _, _, whole, _ = inspect()
    shutil.rmtree(tmp_path / "study")
    table = pk.touches.read(good / "touches.csv").drop([3, 8])
    rows = table[["touch", *MEASURED]].to_numpy(float)
    lines = [f"PT {int(t):03d} X{x:.6f} Y{y:.6f} Z{z:.6f}\n" for t, x, y, z in rows]
    (tmp_path / "run.log").write_text("".join(lines[::-1]))
    pattern = r"PT (?P<touch>\d+) X(?P<x>\S+) Y(?P<y>\S+) Z(?P<z>\S+)"
    text = f"file = '{tmp_path / 'run.log'}'\npattern = '{pattern}'\nunit = 'mm'\nrecorded = 'centre'"
    status, said, told, _ = inspect(None, ('file = "touches.csv"', text))
    assert (status, told["part"]) == (1, "undecided")
    assert "2 of 55 planned touches are not in the results" in said
    found = {one["touch"]: one["deviation"] for one in told["touches"]}
    full = {one["touch"]: one["deviation"] for one in whole["touches"]}
    assert found[4] is None
    assert found[9] is None
    assert max(abs(found[k] - full[k]) for k in full if k not in (4, 9)) < 1e-3  # two datum touches less


# --- what is told of it, everywhere -----------------------------------------------------------------------------------


def _framed(text: str) -> tuple[tuple[str, str], str]:
    frame = "".join(
        f'\n[[datum]]\nletter = "{letter}"\nkind = "plane"\nfeatures = ["{name}"]\n'
        for letter, name in (("A", "flange"), ("B", "front"), ("C", "left"))
    )
    return (text, 'datums = ["A", "B", "C"]'), frame


def test_a_robust_fit_stands_beside_a_datum_frame_whose_touches_do_not_agree(inspect):
    """The chip lifts the frame; the robust fit is where the part really is, (-0.11, 0.07, -0.05)."""

    def chip(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 33, "z"] += 0.5

    change, frame = _framed('features = ["flange", "left", "right", "front", "back"]')
    status, said, told, _ = inspect(chip, change, more=frame)
    assert (status, told["part"]) == (1, "undecided")
    shift = re.search(r"A robust fit for comparison \(Tukey\), .*? gives \((\S+), (\S+), (\S+)\) mm", said)
    assert np.allclose([float(one) for one in shift.groups()], (-0.11, 0.07, -0.05), atol=0.01)


def test_page_and_json_name_what_to_touch_again(inspect):
    def chip(table: pd.DataFrame) -> None:
        table.loc[table["touch"] == 33, "z"] += 0.5

    _, _, told, page = inspect(chip)
    assert told["touch_again"] == {"file": "again.csv", "touches": [33]}
    assert "Touch these again: again.csv in this folder lists touch 33 as a plan" in page


def test_the_scene_of_notebook_and_page_tells_the_residuals_of_the_datum_touches(good):
    from probekit.widgets.text import panel_html

    found = pk.study.run(pk.study.load(good / "study.toml"))
    touches = found.scene.touches.set_index("touch")
    assert touches["datum_residual"].notna().sum() == 25
    shown = dict(zip(found.residuals.touches, found.residuals.values, strict=True))
    assert touches["datum_residual"].dropna().to_dict() == pytest.approx(shown)
    assert any(line.startswith("Residuals of 25 datum touches: rms") for line in found.scene.captions)
    row = int(np.flatnonzero(found.scene.touches["touch"] == 33)[0])
    assert f"{shown[33]:+.4f} mm" in panel_html(found.scene, row)
    assert "standard deviations" in panel_html(found.scene, row)
    top = int(np.flatnonzero(found.scene.touches["feature"] == "top")[0])
    assert "datum residual" not in panel_html(found.scene, top)


def test_the_page_of_a_plan_says_of_which_study_and_model(good, tmp_path):
    study = pk.study.load(good / "study.toml")
    part = pk.study.model.nominal_of(study)
    table = pk.touches.read(good / "touches.csv")
    targets = table[["touch", "feature", *TARGET, *NORMAL]].assign(face=table["feature"])
    scene = pk.scene.plan_scene(part, targets)
    path = pk.report.plan_page(
        scene, stamp=f"study {study.sha256[:8]}, model {part.sha256[:8]}", to=tmp_path / "p.html"
    )
    page = path.read_text()
    assert page.index(f"study {study.sha256[:8]}, model {part.sha256[:8]}") < page.index('id="view"')


# --- one touch far off, and an allowance that is not there ------------------------------------------------------------


def _lifted(table: pd.DataFrame, by: float, rows: slice = slice(7, 8)) -> None:
    top = table.index[table["feature"] == "top"][rows]
    table.loc[top, MEASURED] += by * table.loc[top, NORMAL].to_numpy()


def test_one_touch_further_off_than_the_program_expects_the_surface_is_not_decided(inspect):
    status, said, told, _ = inspect(lambda t: _lifted(t, 2.5))
    assert (status, told["part"]) == (1, "undecided")
    assert "1 touch lies far off the neighbours; found +2.5" in said
    assert "a chip or coolant under the ball" in said
    assert "a gouge or material left on" in said
    assert [one["verdict"] for one in told["touches"] if one["touch"] == 8] == ["undecided"]
    assert told["touch_again"]["touches"] == [8]


def test_it_counts_as_measured_when_somebody_has_looked(inspect):
    more = '\n[gate]\naccept = ["lone touch"]\nreason = "seen: the cutter did not reach"\n'
    status, said, told, _ = inspect(lambda t: _lifted(t, 2.5), more=more)
    assert (status, told["part"]) == (1, "does not conform")
    assert "accepted by the study (seen: the cutter did not reach)" in said


@pytest.mark.parametrize(("by", "rows"), some([(0.6, slice(7, 8)), (-0.9, slice(7, 8)), (2.5, slice(0, 30))], every=3))
def test_a_dent_or_stock_left_all_over_is_judged(inspect, by, rows):
    """Within the overtravel of 1 mm, or with the neighbours: no reason to doubt the touches."""
    _, _, told, _ = inspect(lambda t: _lifted(t, by, rows))
    assert told["part"] == "does not conform"
    assert "lone touch" not in {one["name"] for one in told["findings"]}


def test_an_allowance_that_is_not_on_the_part_is_refused(inspect):
    status, said, told, _ = inspect(None, ("[reach]", "[deviation]\nallowance = 0.1\n\n[reach]"))
    assert (status, told) == (2, None)
    assert "the material that the study states in [deviation] allowance is not on the part" in said


def test_an_allowance_of_one_face_that_is_not_there_wants_a_look_and_no_silly_share(inspect):
    status, said, *_ = inspect(None, ("[reach]", "[deviation]\nallowance = {top = 0.3}\n\n[reach]"))
    assert status == 1
    assert "the material that [deviation] allowance states is not on top" in said
    assert not re.search(r"-\d+ % of the sum", said)
    assert "lie further from nominal after this than as clamped" in said


def test_an_allowance_that_is_there_passes(inspect):
    status, _, told, _ = inspect(
        lambda t: _lifted(t, 0.3, slice(0, 30)), ("[reach]", "[deviation]\nallowance = {top = 0.3}\n\n[reach]")
    )
    assert (status, told["part"], told["findings"]) == (0, "conforms", [])
