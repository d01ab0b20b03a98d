"""Messages to somebody with a study file: its keys, and before any work is done."""

from __future__ import annotations

import pytest
import tiny

from probekit import cli
from probekit.study.wording import in_keys


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("If the decimal mark is ',', use read_text(decimal=',')", "[touches]: decimal = ','"),
        ("name its encoding in read_text(encoding=...), for example 'cp1252'", "[touches]: encoding = ..."),
        (
            "Read it with read_text(separator=';', columns=...), decimal=',' if need be",
            "separator = ';', columns = ...",
        ),
        ("Say with columns= where they stand", "the key columns"),
        ('found unit="mm"', 'unit = "mm"'),
        ("Touch opposite places, widen opposed=, or ask", "widen the key opposed, or ask"),
        ("State which one with occurrence=1, 2, ...", "occurrence = 1, 2, ..."),
        ("expected limits=(smallest, largest)", "limits = [smallest, largest]"),
        ('Use a place before the program end, or after="end".', 'or after = "end".'),
        (
            "Give axis=Axis(point, direction, radius), or",
            "axis = {point = [x, y, z], direction = [x, y, z], radius = r}",
        ),
    ],
)
def test_python_calls_become_keys(said, told):
    text = in_keys(said)
    assert told in text
    assert "read_text" not in text
    assert "=," not in text


@pytest.mark.parametrize(
    "said", ["G0 X{x} #101=4.5", "rms >= 3 and a==b", "https://host/?a=b", "d <= 0.5, x != 3", "w = r k u"]
)
def test_what_is_no_argument_stays(said):
    assert in_keys(said) == said


def failed(capsys, *arguments) -> str:
    assert cli.main([str(one) for one in arguments]) == 2
    return capsys.readouterr().err


def test_touches_that_do_not_fix_the_part_are_told_by_the_keys_of_the_study(tmp_path, capsys):
    path = tiny.write(tmp_path, ('features = ["top", "front", "left"]', 'features = ["top"]'))
    assert cli.main(["inspect", str(path), "--to", str(tmp_path / "out")]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "do not fix the part" in said
    assert "[alignment] free" in said
    assert "undetermined=" not in said


def test_a_results_file_in_another_encoding_is_told_by_the_key(tmp_path, capsys):
    path = tiny.write(tmp_path)
    (tmp_path / "touches.csv").write_bytes("# operator: M\u00fcller\n".encode("cp1252") + tiny.touches().encode())
    said = failed(capsys, "inspect", path)
    assert "[touches]: encoding = ..." in said
    assert "read_text" not in said


@pytest.mark.parametrize("name", ["block.stl", "part.step"])
def test_a_model_in_place_of_a_study_is_called_one(tmp_path, capsys, name):
    tiny.write(tmp_path)
    (tmp_path / "part.step").write_text("ISO-10303-21;")
    said = failed(capsys, "inspect", tmp_path / name)
    assert "this is a model, not a study file" in said
    assert f"probekit {'draft' if name == 'part.step' else 'faces'} " in said


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("tool = 20", 'tool = 20\ndialect = "none.toml"'), "none.toml"),
        (("tool = 20", 'tool = 20\nwork_offset = "G99"'), "no such work offset"),
        (("tool = 20", "tool = 20\nstop_outside = [-0.1, 0.1]"), "cannot stop on a measured deviation"),
        (('milling = "milling.nc"', 'milling = "other.nc"'), "other.nc: the program cannot be read"),
        (('after = "OPERATION 1"\n', ""), "after"),
        (("tool = 20\n", ""), "tool number"),
    ],
)
def test_what_no_program_can_be_written_with_is_told_before_planning(tmp_path, capsys, monkeypatch, change, message):
    from probekit import study

    path = tiny.write(tmp_path, change)

    def planned(*_: object, **__: object) -> None:
        pytest.fail("it was planned first")

    monkeypatch.setattr(study, "plan", planned)
    assert message in failed(capsys, "program", path)


def test_critical_without_effect_and_the_folder_are_said(tmp_path, capsys):
    path = tiny.write(tmp_path, ("spacing = 20.0", "spacing = 20.0\ncritical = true"))
    assert cli.main(["simulate", str(path), "--to", str(tmp_path / "out")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "critical = true in [[plan]] has no effect" in said
    assert f"--touches {tmp_path / 'out' / 'simulated.csv'} --to {tmp_path / 'out'}" in said
