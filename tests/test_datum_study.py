"""Datums in a study file: the frame takes the place of the fit, and its errors say where they are."""

import re
from pathlib import Path

import pytest
from tolerance.inspected import elsewhere

from probekit import InputError, study
from probekit.demo import demo_folder
from probekit.fit import Datum, datum_frame

DATUMS = """
[[datum]]
letter = "A"
kind = "plane"
features = "base_top"

[[datum]]
letter = "B"
kind = "cylinder"
features = ["bore"]
boundary = ["MMB", 19.95]

[[datum]]
letter = "C"
kind = "width"
features = ["slot"]

[alignment]
datums = ["A", "B(M)", "C"]
"""


def written(folder: Path, datums: str = DATUMS) -> Path:
    source = demo_folder() / "foil"
    text = (source / "study_mesh.toml").read_text()
    text = re.sub(r"\[alignment\].*?(?=\[\[tolerance)", lambda _: datums, text, count=1, flags=re.DOTALL)
    path = folder / "study.toml"
    path.write_text(elsewhere(text, source))
    return path


def test_a_study_in_a_datum_frame(tmp_path):
    found = study.run(study.load(written(tmp_path)))
    same = datum_frame(
        found.deviations, [Datum("A", "plane", "base_top"), Datum("B", "cylinder", "bore"), Datum("C", "width", "slot")]
    )
    assert found.alignment.method == "datum frame A|B|C"
    assert found.alignment.motion == pytest.approx(same.motion, abs=1e-12)
    assert any("took tz, rx, ry" in note for note in found.notes)
    assert any("datum B at MMB 19.95 mm" in note for note in found.notes)
    paths = study.write(found, tmp_path / "out")
    assert "datum frame A|B|C" in paths["report"].read_text(encoding="utf-8")


def test_a_letter_without_a_modifier_is_at_rmb(tmp_path):
    """ASME Y14.5: RMB applies where no modifier is written; in [alignment] and in tolerances, and it is said."""
    said = "datum B is taken at RMB, as a reference without a modifier is; "
    said += "its MMB 19.95 mm counts where it is written B(M)"
    plain = DATUMS.replace('"B(M)"', '"B"') + '\n[[tolerance]]\nname = "own"\nfeatures = ["skin"]\nwidth = 0.5\n'
    found = study.run(study.load(written(tmp_path, plain + 'datums = ["A", "B", "C"]\n\n')))
    assert said in found.notes
    assert not any("at MMB" in note for note in found.notes if note != said)
    own = next(one for one in found.verdict.evaluations if one.name == "own")
    assert said in own.notes


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('["A", "B(M)", "C"]', '["A", "D"]', "'alignment.datums': there is no datum with that letter; found 'D'"),
        ('kind = "plane"', 'kind = "flat"', "'datum A': unknown kind of datum; found 'flat'"),
        ('kind = "plane"', "", "'datum A': a key is missing; expected kind"),
        ('datums = ["A"', 'features = ["bore"]\ndatums = ["A"', "'alignment.features': a datum frame has its own"),
        ('letter = "A"', 'lettre = "A"', "'datum 1.lettre': unknown key; expected 'letter'"),
        ('[[datum]]\nletter = "C"', '[[datum]]\nkind = "plane"\n\n[[datum]]\nletter = "C"', "lacks a key"),
        (
            'kind = "plane"',
            'kind = "targets"\ntargets = [{name = "A1"}]',
            "'datum A.targets': a key is missing; expected point",
        ),
    ],
)
def test_errors_say_where(tmp_path, old, new, message):
    assert old in DATUMS
    with pytest.raises(InputError, match=re.escape(message)):
        study.run(study.load(written(tmp_path, DATUMS.replace(old, new, 1))))
