"""study.toml: what it may say and how it says no."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from machine.probing_text import probing_text
from tolerance.inspected import elsewhere

import probekit as pk
from probekit.machine import ReferenceSphere
from probekit.machine.errors import Lobing
from probekit.settings import read_settings
from probekit.study.machinery import probe_of

MINIMAL = '[part]\nmodel = "a.stl"\n[touches]\nfile = "t.csv"\n[[tolerance]]\nwidth = 0.1\n'


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "study.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_the_least_that_is_needed(tmp_path: Path) -> None:
    assert read_settings(write(tmp_path, MINIMAL))["tolerance"] == [{"width": 0.1}]
    assert read_settings(write(tmp_path, b"\xef\xbb\xbf" + MINIMAL.encode()))["part"]["model"] == "a.stl"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"lacks the table \[part\]"),
        (
            MINIMAL.replace("[[tolerance]]", "[tolerance]"),
            r"written in the wrong way; .*\[\[tolerance\]\]|expected \[\[tol",
        ),
        (MINIMAL.replace("[part]", "[[part]]"), r"key 'part'.*expected \[part\]"),
        (
            MINIMAL.replace("width = 0.1", 'name = "x"'),
            r"key 'tolerance\.width': the table \[tolerance\] lacks a key",
        ),
        (MINIMAL + "[deviation]\nnamed = 1\n", r"key 'deviation\.named'.*expected true or false"),
        (MINIMAL + "[uncertainty]\nu = true\n", r"key 'uncertainty\.u'.*expected a number"),
        (MINIMAL + "[stylus]\nlength = 5\n", r"key 'stylus\.ball_diameter'"),
        (b"\xff\xfe\x00", r"not UTF-8"),
        ("part = 3", r"key 'part'|lacks"),
    ],
)
def test_what_it_may_not_say(tmp_path: Path, text: str | bytes, message: str) -> None:
    with pytest.raises(pk.InputError, match=message):
        read_settings(write(tmp_path, text))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(pk.InputError, match=r"nowhere\.toml: the study file cannot be read"):
        read_settings(tmp_path / "nowhere.toml")


def variant(demo_study: Path, folder: Path, *changes: tuple[str, str]) -> pk.study.inspection.Inspection:
    text = demo_study.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return pk.study.run(pk.study.load(write(folder, elsewhere(text, demo_study.parent))))


def test_without_an_alignment_the_part_is_judged_as_clamped(demo_study: Path, tmp_path: Path) -> None:
    text = demo_study.read_text()
    table = text[text.index("[alignment]") : text.index("[[tolerance]]")]
    found = variant(demo_study, tmp_path, (table, ""))
    assert found.alignment is None
    assert found.verdict.evaluations[0].actual > 0.4
    np.testing.assert_array_equal(found.deviations["deviation"], found.verdict.table["deviation"])


def test_each_free_and_between_reach_the_tolerance(demo_study: Path, tmp_path: Path) -> None:
    found = variant(
        demo_study,
        tmp_path,
        ('features = ["bore", "slot"]', 'features = ["bore", "slot"]\neach = true'),
        ("width = 0.20", 'width = 0.20\nfree = ["tx", "ty"]\nbetween = {z = [20.0, 80.0]}'),
    )
    skin, _, bore, slot = found.verdict.evaluations
    assert (bore.name, slot.name) == ("bore and slot, bore", "bore and slot, slot")
    assert skin.free == ("tx", "ty")
    assert 0 < skin.touches < 91
    assert (found.verdict.table["verdict"] == "unjudged").any()


def test_progress_tells_every_step(demo_study: Path) -> None:
    steps: list[tuple[str, float]] = []
    pk.study.run(pk.study.load(demo_study), progress=lambda step, done: steps.append((step, done)))
    parts = [done for _, done in steps]
    assert parts == sorted(parts)
    assert (parts[0], parts[-1]) == (0.0, 1.0)


def test_provenance_names_files_with_their_checksums(demo: pk.study.inspection.Inspection, demo_study: Path) -> None:
    told = dict(demo.provenance)
    model = demo_study.parent / read_settings(demo_study)["part"]["model"]
    assert told["nominal"].startswith(model.name)
    assert told["nominal SHA-256"] == hashlib.sha256(model.read_bytes()).hexdigest()
    assert told["touches SHA-256"] == hashlib.sha256((demo_study.parent / "touches.csv").read_bytes()).hexdigest()
    assert told["study SHA-256"] == hashlib.sha256(demo_study.read_bytes()).hexdigest()
    assert "libigl" in told["software"]


# --- the probe, qualified -------------------------------------------------------------------------------------------

QUALIFIED = 'qualification = {file = "sphere.csv", diameter = 25.0, artefact = "sphere"}'
GIVEN = "effective_radius = 2.991  # from qualification: a little less than half the diameter"


def touch_the_sphere(folder: Path, lobing: Lobing) -> None:
    sphere = ReferenceSphere(25.0)
    run = pk.machine.run(probing_text(sphere.targets()), sphere, probe=6.0, errors=(lobing,), decimals=9)
    run.write(folder / "sphere.csv")


def test_qualification_gives_the_radius(demo: pk.study.inspection.Inspection, demo_study: Path, tmp_path: Path) -> None:
    """A probe that triggers 9 um late in all directions is the demo's, whose radius of 2.991 its study states."""
    touch_the_sphere(tmp_path, Lobing(0.009))
    found = variant(demo_study, tmp_path, (GIVEN, QUALIFIED))
    np.testing.assert_allclose(found.deviations["deviation"], demo.deviations["deviation"], atol=2e-7)
    said = [note for note in found.notes if note.startswith("Qualified on a sphere of 25 mm with 25 touches")]
    assert "effective radius 2.9910 mm (u = 0.0 um), form error of the 25-point sphere test 0.0 um" in said[0]
    assert any(note.startswith("qualification: one orientation of the spindle") for note in found.notes)
    told = dict(found.provenance)
    assert told["qualification"] == said[0]
    assert told["qualification touches"] == "sphere.csv, 25 rows"
    assert told["qualification SHA-256"] == hashlib.sha256((tmp_path / "sphere.csv").read_bytes()).hexdigest()
    assert "qualification" not in dict(demo.provenance)


def test_qualification_gives_the_map(demo: pk.study.inspection.Inspection, demo_study: Path, tmp_path: Path) -> None:
    """The base is touched from above, where the pre-travel is 3 um; the bore from all sides, where it is 12 +- 4 um."""
    lobing = Lobing(0.012, 0.004, 3, 25.0, axial=0.003)
    touch_the_sphere(tmp_path, lobing)
    found = variant(demo_study, tmp_path, (GIVEN, QUALIFIED))
    gained = found.deviations["deviation"] - demo.deviations["deviation"]  # a smaller radius reads higher
    base, bore = (found.deviations["feature"] == name for name in ("base_top", "bore"))
    np.testing.assert_allclose(gained[base], 0.003 - 0.009, atol=1e-5)
    azimuth = np.arctan2(found.deviations["ny"], found.deviations["nx"])[bore]
    np.testing.assert_allclose(gained[bore], 0.012 + 0.004 * np.cos(3 * (azimuth - np.radians(25))) - 0.009, atol=2e-5)


def test_the_map_stays_with_the_probe_where_the_part_lies_turned(demo_study: Path, tmp_path: Path) -> None:
    """A part a quarter turn on in the machine sees the lobes a quarter turn back."""
    measured = pk.touches.read(demo_study.parent / "touches.csv")
    there = pk.fit.make_motion((350.0, -120.0, 85.0), (0.0, 0.0, 90.0))
    found = []
    for phase, motion, tables in (
        (25.0, there, "[machine]\ntranslation = [350.0, -120.0, 85.0]\nrotation = [0.0, 0.0, 90.0]\n"),
        (25.0 - 90.0, np.eye(4), "[machine]\n"),
    ):
        touch_the_sphere(tmp_path, Lobing(0.012, 0.004, 3, phase))
        moved = pk.fit.move_touches(measured, motion).drop(columns=["turn_x", "turn_y", "turn_z"], errors="ignore")
        pk.touches.write(moved, tmp_path / "turned.csv")  # the part was turned, not the probe
        changes = ((GIVEN, QUALIFIED), ('file = "touches.csv"', 'file = "turned.csv"'), ("[machine]\n", tables))
        found.append(variant(demo_study, tmp_path, *changes).deviations["deviation"])
    np.testing.assert_allclose(found[0], found[1], atol=1e-6)


def test_contact_points_need_no_qualification(demo_study: Path, tmp_path: Path) -> None:
    touch_the_sphere(tmp_path, Lobing(0.009))
    table = pk.touches.read(demo_study.parent / "touches.csv")
    table[["x", "y", "z"]] -= 2.991 * table[["i", "j", "k"]].to_numpy()
    table.attrs["recorded"] = "contact"
    pk.touches.write(table, tmp_path / "contact.csv")
    found = variant(demo_study, tmp_path, (GIVEN, QUALIFIED), ('file = "touches.csv"', 'file = "contact.csv"'))
    assert "the touches are contact points: the qualification of the stylus is not used" in found.notes
    assert abs(found.deviations["deviation"].median()) < 0.2  # a second radius taken off would be seen


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("file =", "flie =", r"key 'stylus\.qualification\.flie': unknown key; expected 'file'"),
        (
            "diameter = 25.0, ",
            "",
            r"key 'stylus\.qualification\.diameter': the table \[stylus\.qualification\] lacks",
        ),
        ("25.0", '"25"', r"key 'stylus\.qualification\.diameter': a value has the wrong type; found '25'"),
        (
            "25.0",
            "-25.0",
            r"study\.toml, key 'stylus\.qualification': the artefact has no usable diameter; found -25",
        ),
        ("25.0", "20.0", r"study\.toml, key 'stylus\.qualification': the effective radius does not fit the ball"),
        ('"sphere"', '"cube"', r"key 'stylus\.qualification': the artefact is not known; found 'cube'"),
        ("sphere.csv", "nowhere.csv", r"nowhere\.csv: "),
        ("qualification =", "effective_radius = 2.99\nqualification =", r"two effective radii.*Omit either"),
        ('"sphere"}', '"sphere", degree = 6}', r"key 'stylus\.qualification': the touches do not determine"),
        (QUALIFIED, "qualification = true", r"key 'stylus\.qualification': a value has the wrong type"),
    ],
)
def test_a_qualification_that_cannot_be_used(
    demo_study: Path, tmp_path: Path, old: str, new: str, message: str
) -> None:
    touch_the_sphere(tmp_path, Lobing(0.009))
    assert old in QUALIFIED
    with pytest.raises(pk.InputError, match=message):
        variant(demo_study, tmp_path, (GIVEN, QUALIFIED.replace(old, new)))


def test_a_plan_takes_the_radius_from_qualification(demo_study: Path, tmp_path: Path) -> None:
    touch_the_sphere(tmp_path, Lobing(0.009))
    study = pk.study.load(write(tmp_path, demo_study.read_text().replace(GIVEN, QUALIFIED)))
    assert probe_of(study).radius == pytest.approx(2.991, abs=1e-6)
    (tmp_path / "sphere.csv").unlink()
    with pytest.raises(pk.InputError, match="sphere"):
        probe_of(study)
