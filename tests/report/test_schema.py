"""results.json follows its published schema (JSON Schema 2020-12, by the library jsonschema)."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest
import tiny

import probekit as pk
from probekit import cli, report
from probekit.study.content import content_of

SCHEMA = json.loads(Path(report.__file__).with_name("results.schema.json").read_text(encoding="utf-8"))
VALID = jsonschema.Draft202012Validator(SCHEMA)

FRAME = '[[datum]]\nletter = "A"\nkind = "plane"\nfeatures = "top"\n[alignment]\ndatums = ["A"]'
SECTION = '[[section]]\nname = "across"\npoint = [30, 20, 10]\nnormal = [1, 0, 0]\nwithin = 8.0\n\n[[plan]]'
STUDIES = {
    "as it is": (),
    "with a budget": (("[uncertainty]\nu = 0.003\n", "[budget]\n[uncertainty]\n"),),
    "with a section": (("[[plan]]", SECTION),),
    "an alignment that does not fix the part": (('[alignment]\nfeatures = ["top", "front", "left"]', FRAME),),
}


def test_the_schema_itself_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_what_the_library_writes(verdict, results) -> None:
    VALID.validate(json.loads(json.dumps(report.tables(verdict, **results, provenance=[("a", "b")]))))
    VALID.validate(json.loads(json.dumps(report.tables(verdict))))


@pytest.mark.parametrize("case", STUDIES)
def test_what_the_command_writes(tmp_path: Path, case: str) -> None:
    tiny.write(tmp_path, *STUDIES[case])
    cli.main(["inspect", str(tmp_path / "study.toml"), "--quiet"])
    content = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    VALID.validate(content)
    assert all(isinstance(note, str) for note in content["notes"])


def test_a_file_holds_what_an_archive_does(tmp_path: Path) -> None:
    """All but the suggestion to touch again, which the file has besides; and no other file than is known is written."""
    found = pk.study.run(pk.study.load(tiny.write(tmp_path, ("u = 0.003", "u = 0.05"))))
    assert found.notes
    paths = pk.study.write(found, tmp_path / "results")
    content = json.loads(paths["json"].read_text(encoding="utf-8"))
    kept = json.loads(json.dumps(content_of(found)))
    assert content.keys() == kept.keys()
    assert {key for key in content if content[key] != kept[key]} <= {"action"}
    assert content["notes"] == list(found.notes)
    with pytest.raises(
        pk.InputError, match=r"such a file cannot be written; found 'pdf'; expected 'qif' or 'dmis' or 'xlsx'"
    ):
        pk.study.write(found, tmp_path / "results", also=("pdf",))


def test_touches_may_be_named_by_text(tmp_path: Path) -> None:
    tiny.write(tmp_path)
    path = tmp_path / "touches.csv"
    path.write_text(re.sub(r"^(\d+),", r"T\1,", path.read_text(encoding="utf-8"), flags=re.M), encoding="utf-8")
    cli.main(["inspect", str(tmp_path / "study.toml"), "--quiet"])
    content = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    assert content["touches"][0]["touch"] == "T1"
    VALID.validate(content)


@pytest.mark.parametrize(
    ("where", "value"), [("part", "good"), ("format", "probekit results 2"), ("tolerances", [{}]), ("units", {})]
)
def test_it_refuses_what_is_none(verdict, where: str, value: object) -> None:
    with pytest.raises(jsonschema.ValidationError):
        VALID.validate(json.loads(json.dumps(report.tables(verdict))) | {where: value})
