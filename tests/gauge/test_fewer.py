"""Fewer touches at equal risk: against the closed form of a grid, and on parts whose truth is known."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
import shapes

from probekit import cli, plan
from probekit.errors import InputError
from probekit.field import Defects
from probekit.gauge import fewer_touches

SQUARE = shapes.plane_patch(size=60.0)


def row_of(found, way):
    return found.table[found.table["way"] == way].iloc[0]


def test_a_grid_feels_what_its_squares_leave():
    """Half of a square of side s lies within s / (2 pi)^1/2 of its middle."""
    wanted = plan.grid_along(SQUARE, (0, 0, -1), n=(4, 4))
    found = fewer_touches(SQUARE, wanted, width=0.1, u=0.003, margin=1.0, counts=(16, 25), ways=("grid",))
    felt = np.sqrt(1.0 - np.cbrt(3 * np.hypot(0.003, 0.005) / 0.1))
    for row, side in ((row_of(found, "the plan"), 15.0), (found.table.iloc[2], 12.0)):
        assert row["half"] == pytest.approx(side / np.sqrt(2 * np.pi) / felt, rel=0.05)
    assert row_of(found, "grid")["touches"] == 16
    assert "16 touches of the plan feel a hill or dent 0.1 mm high" in found.sentence


def test_targets_that_fill_gaps_are_fewer_for_the_same_blind_spot():
    wanted = plan.blue_noise(SQUARE, 60, np.random.default_rng(3), margin=1.0)
    found = fewer_touches(SQUARE, wanted, width=0.1, margin=1.0, counts=(40, 60), ways=("fill_gaps", "rows"))
    assert found.values["as good fill_gaps"] < 55
    assert found.values["as good fill_gaps"] < found.values["as good rows"] or np.isnan(found.values["as good rows"])
    np.testing.assert_array_equal(found.table.query("way == 'fill_gaps'")["most"].diff().dropna() < 0, True)


def test_a_grid_is_as_good_only_by_a_number_that_it_can_have():
    """Between 25 and 36 touches there is no square grid; fill_gaps can make any number. Counted by trying them all."""
    wanted = plan.blue_noise(SQUARE, 40, np.random.default_rng(3), margin=1.0)
    found = fewer_touches(SQUARE, wanted, width=0.1, margin=1.0, counts=(25, 36), ways=("grid", "fill_gaps"))
    assert found.values["as good grid"] == 36
    each = fewer_touches(SQUARE, wanted, width=0.1, margin=1.0, counts=tuple(range(25, 33)), ways=("fill_gaps",)).table
    least = each[(each["way"] == "fill_gaps") & (each["most"] <= found.values["most"])]["touches"].min()
    assert found.values["as good fill_gaps"] == pytest.approx(least, abs=2)
    far = fewer_touches(SQUARE, wanted, width=0.1, margin=1.0, counts=(9, 36), ways=("rows", "fill_gaps"))
    assert "rows none of those tried" in far.sentence
    near = fewer_touches(SQUARE, wanted, width=0.1, margin=1.0, counts=(36,), ways=("fill_gaps",))
    assert "fill_gaps 36 or fewer" in near.sentence


def test_parts_whose_hills_nobody_touches_are_accepted_though_bad():
    """Hills of the height of the zone, so narrow that hardly a touch feels one; nobody declared them to the verdict."""
    wanted = plan.fill_gaps(SQUARE, 36, np.random.default_rng(3), margin=1.0)
    options = {"width": 0.1, "margin": 1.0, "counts": (36,), "ways": ()}
    options |= {"form": (40.0, 0.002), "parts": 2, "nodes": 100}
    calm = row_of(fewer_touches(SQUARE, wanted, **options), "the plan")
    assert calm["good"] == calm["accepted"] == 2
    assert calm["bad"] == 0
    assert calm["bad high"] > 0.5, "two parts prove little"
    hills = row_of(fewer_touches(SQUARE, wanted, **options, defects=Defects(3.0, (3.0, 4.0), (0.09, 0.1))), "the plan")
    assert hills["good"] < 2
    assert hills["accepted"] == 0, "declared, they are part of what may lie there"


def test_bad_input_is_named():
    with pytest.raises(InputError, match="too few targets"):
        fewer_touches(SQUARE, plan.fill_gaps(SQUARE, 3, np.random.default_rng(1)), width=0.1)
    with pytest.raises(InputError, match="no such way"):
        fewer_touches(SQUARE, plan.fill_gaps(SQUARE, 9, np.random.default_rng(1)), width=0.1, ways=("spiral",))
    with pytest.raises(InputError, match="width of the zone"):
        fewer_touches(SQUARE, plan.fill_gaps(SQUARE, 9, np.random.default_rng(1)), width=0.0)


def test_command_writes_table_and_figure(tmp_path, demo_study, capsys):
    study = tmp_path / "study.toml"
    study.write_text(demo_study.read_text(encoding="utf-8"), encoding="utf-8")
    for name in ("foil.step", "foil.3mf", "study_mesh.toml", "touches.csv", "milling.nc"):
        (tmp_path / name).write_bytes((demo_study.parent / name).read_bytes())
    assert (
        cli.main(["fewer", str(study), "--to", str(tmp_path / "out"), "--only", "skin profile", "--counts", "40"]) == 0
    )
    said = capsys.readouterr().out
    assert "touches of the plan feel" in said
    assert (tmp_path / "out" / "fewer_skin_profile.svg").read_text(encoding="utf-8").startswith("<svg")
    assert "fill_gaps" in (tmp_path / "out" / "fewer_skin_profile.csv").read_text(encoding="utf-8")


def test_finer_form_of_the_study_counts_and_limits_along_a_surface_are_refused(tmp_path, demo_study, capsys):
    shutil.copytree(demo_study.parent, tmp_path / "demo", ignore=shutil.ignore_patterns("results"))
    path, text = tmp_path / "demo" / demo_study.name, demo_study.read_text(encoding="utf-8")
    said = []
    for white in (0.005, 0.02):
        path.write_text(text + f"\n[surface]\nwhite = {white}\n", encoding="utf-8")
        assert cli.main(["fewer", str(path), "--only", "skin profile", "--counts", "40"]) == 0
        said.append(capsys.readouterr().out)
    assert said[0] != said[1], "a hill must be higher to be told from a rougher surface"
    assert cli.main(["fewer", str(path), "--only", "skn profile", "--counts", "40"]) == 2
    assert "skin profile" in capsys.readouterr().err
    path.write_text(
        text.replace('name = "skin profile"', 'name = "skin profile"\nbetween = {z = [10.0, 60.0]}'), encoding="utf-8"
    )
    assert cli.main(["fewer", str(path), "--only", "skin profile", "--counts", "40"]) == 2
    assert "ends within them" in capsys.readouterr().err
