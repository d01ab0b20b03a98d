"""study.toml: what it may say and how it says no."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import probekit as pk
from probekit.settings import read_settings

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
        (MINIMAL.replace("[part]", "[[part]]"), r"column 'part'.*expected \[part\]"),
        (
            MINIMAL.replace("width = 0.1", 'name = "x"'),
            r"column 'tolerance\.width': the table \[tolerance\] lacks a key",
        ),
        (MINIMAL + "[deviation]\nnamed = 1\n", r"column 'deviation\.named'.*expected true or false"),
        (MINIMAL + "[uncertainty]\nu = true\n", r"column 'uncertainty\.u'.*expected a number"),
        (MINIMAL + "[stylus]\nlength = 5\n", r"column 'stylus\.ball_diameter'"),
        (b"\xff\xfe\x00", r"not UTF-8"),
        ("part = 3", r"column 'part'|lacks"),
    ],
)
def test_what_it_may_not_say(tmp_path: Path, text: str | bytes, message: str) -> None:
    with pytest.raises(pk.InputError, match=message):
        read_settings(write(tmp_path, text))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(pk.InputError, match=r"nowhere\.toml: the study file cannot be read"):
        read_settings(tmp_path / "nowhere.toml")


def variant(demo_study: Path, folder: Path, *changes: tuple[str, str]) -> pk.study.Inspection:
    text = demo_study.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    for name in ("foil.step", "foil.3mf", "touches.csv"):
        text = text.replace(f'"{name}"', f'"{demo_study.parent / name}"')
    return pk.study.run(pk.study.load(write(folder, text)))


def test_without_an_alignment_the_part_is_judged_as_clamped(demo_study: Path, tmp_path: Path) -> None:
    text = demo_study.read_text()
    table = text[text.index("[alignment]") : text.index("[[tolerance]]")]
    found = variant(demo_study, tmp_path, (table, ""))
    assert found.alignment is None
    assert found.verdict.evaluations[0].actual > 0.4
    np.testing.assert_array_equal(found.found["deviation"], found.verdict.table["deviation"])


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


def test_provenance_names_files_with_their_checksums(demo: pk.study.Inspection, demo_study: Path) -> None:
    import hashlib

    told = dict(demo.provenance)
    model = demo_study.parent / read_settings(demo_study)["part"]["model"]
    assert told["nominal"].startswith(model.name)
    assert told["nominal SHA-256"] == hashlib.sha256(model.read_bytes()).hexdigest()
    assert told["touches SHA-256"] == hashlib.sha256((demo_study.parent / "touches.csv").read_bytes()).hexdigest()
    assert told["study SHA-256"] == hashlib.sha256(demo_study.read_bytes()).hexdigest()
    assert "libigl" in told["software"]
