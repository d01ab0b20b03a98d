"""Exact models from the cache: the same in everything as those that the CAD kernel reads, or not used."""

from __future__ import annotations

import hashlib
import inspect
import json
import os
import random
import shutil
import subprocess
import sys
from dataclasses import fields, is_dataclass, replace
from functools import cached_property
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from thorough import some

pytest.importorskip("OCP")
import exact_shapes as es  # needs the kernel
import real_models

import probekit as pk
from probekit import cache
from probekit.cli import main
from probekit.demo import write_demo
from probekit.nominal.exact import pmi_kept, stored
from probekit.nominal.exact import step as reading_step
from probekit.nominal.exact.brep import Brep
from probekit.nominal.exact.convert import KernelSurface
from probekit.nominal.exact.pmi_model import ModelDatum, ModelPmi, ModelSize, ModelTarget, ModelTolerance
from probekit.nominal.exact.step import read_step

DEMO = Path(__file__).parents[3] / "data" / "foil"


def assert_same(one: Any, other: Any, where: str = "model") -> None:
    """Every attribute of every part is the same, whether it is a field or not; derived ones are left out."""
    if isinstance(one, np.ndarray):
        assert isinstance(other, np.ndarray), where
        assert (one.dtype, one.shape) == (other.dtype, other.shape), where
        assert np.array_equal(one, other), where
    elif is_dataclass(one):
        assert type(one) is type(other), where
        derived = {name for name, value in inspect.getmembers(type(one)) if isinstance(value, cached_property)}
        names = set(vars(one)) - derived
        assert names == set(vars(other)) - derived, where
        assert names >= {field.name for field in fields(one)}, where
        for name in names:
            assert_same(getattr(one, name), getattr(other, name), f"{where}.{name}")
    elif isinstance(one, tuple | list):
        assert isinstance(other, tuple | list), where
        assert len(one) == len(other), where
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            assert_same(a, b, f"{where}[{k}]")
    else:
        assert one == other, where


@pytest.fixture(scope="module")
def step(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two named bodies of elementary and free-form faces with names and colours, one of them turned."""
    folder = tmp_path_factory.mktemp("step")
    bodies = [
        es.Body("block", es.plate(), {0: "Boden ä", 1: "top"}, {2: (0.1, 0.2, 0.3)}),
        es.Body("pin", es.cone(), colour=(0.5, 0.25, 1.0), places=(es.place(300.0, 0.0, 0.0, 0.4),)),
    ]
    return es.write_document(bodies, folder / "bodies.step")


@pytest.mark.parametrize("name", some(es.SHAPES))
def test_a_stored_model_is_the_same_in_everything(name: str, tmp_path: Path) -> None:
    fresh = read_step(es.make(name, tmp_path).path, deflection=0.1, body="*")
    assert stored.keep(fresh, cache.name_of(name), name, tmp_path / "cache") == ""
    again = stored.fetch(cache.name_of(name), tmp_path / "cache")
    assert again is not None
    assert_same(fresh, again)
    motion = pk.fit.make_motion(translation=(1.0, 2.0, 3.0), rotation=(10.0, 20.0, 30.0))
    assert_same(fresh.moved(motion), again.moved(motion))


def test_a_surface_that_only_the_kernel_can_evaluate_is_not_kept(step: Path, tmp_path: Path) -> None:
    fresh = read_step(step, body="*")
    other = KernelSurface(None, np.zeros(2), np.ones(2), (0.0, 0.0))
    fresh = replace(fresh, faces=(*fresh.faces[:-1], replace(fresh.faces[-1], surface=other)))
    assert stored.keep(fresh, cache.name_of("other"), "other", tmp_path / "cache") == ""
    assert stored.fetch(cache.name_of("other"), tmp_path / "cache") is None
    assert not (tmp_path / "cache").exists()


def test_the_shapes_have_every_kind_of_surface(tmp_path: Path) -> None:
    """So the test above is of each of them; a new kind must be made known to the store, or named here."""
    room = Path(stored.__file__).parent
    modules = [import_module(f"probekit.nominal.exact.{path.stem}") for path in room.glob("[!_]*.py")]
    classes = {one for module in modules for _, one in inspect.getmembers(module, inspect.isclass)}
    surfaces = {
        one.__name__ for one in classes if is_dataclass(one) and hasattr(one, "closest") and hasattr(one, "moved")
    }
    made = set()
    for name in ("plate", "rational", "creased_skin", "revolved", "conics", "offset_skin"):
        made |= {
            type(face.surface).__name__
            for face in read_step(es.make(name, tmp_path).path, deflection=0.5, body="*").faces
        }
    assert surfaces - {"KernelSurface"} == made
    assert made == {kind.__name__ for kind in stored._SURFACES}


def test_the_second_load_reads_nothing_and_is_the_same(
    step: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = pk.nominal.load(step, body="*")
    first = pk.nominal.load(step, body="*", cache=tmp_path)
    monkeypatch.setattr(reading_step, "read_step", lambda *_, **__: pytest.fail("read again"))
    second = pk.nominal.load(step, body="*", cache=tmp_path)
    assert_same(plain, first)
    assert_same(plain, second)
    assert [face.colour for face in second.brep.faces if face.colour] != []
    assert "Boden ä" in second.face_names
    with pytest.raises(ValueError, match="read-only"):
        second.brep.vertices[0] = 0.0


def test_nothing_is_kept_in_secret(step: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PROBEKIT_CACHE", str(tmp_path / "cache"))
    pk.nominal.load(step, body="*")
    assert not (tmp_path / "cache").exists()
    pk.nominal.load(step, body="*", cache=True)
    assert [one.label for one in cache.contents(tmp_path / "cache")] == ["bodies.step"]


def test_other_options_or_another_file_are_another_model(
    step: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "copy.step"
    shutil.copy(step, copy)
    place, read = tmp_path / "cache", []

    def reading(path: Path, **options: Any) -> Brep:
        read.append(path.name)
        return read_step(path, **options)

    monkeypatch.setattr(reading_step, "read_step", reading)
    for path, options, anew in (
        (step, {"body": "*"}, True),
        (copy, {"body": "*"}, False),  # the same content under another name
        (step, {"body": "*", "deflection": 0.2}, True),
        (step, {"body": "*", "deflection": 0.4}, True),
        (step, {"body": "*", "deflection": 0.2}, False),
        (step, {"body": "pin"}, True),
        (step, {"body": "pin", "faces": {"top": "face_1"}}, False),
    ):
        read.clear()
        part = pk.nominal.load(path, **options, cache=place)
        assert bool(read) == anew, (path, options)
        assert_same(part, pk.nominal.load(path, **options))
    stamped = copy.read_bytes()
    at = stamped.index(b"FILE_NAME(") + len("FILE_NAME('")
    copy.write_bytes(stamped[:at] + b"X" + stamped[at + 1 :])  # one byte, of no importance to the shape
    read.clear()
    pk.nominal.load(copy, body="*", cache=place)
    assert read == ["copy.step"]
    assert len(cache.contents(place)) == 5
    with pytest.raises(pk.InputError, match="states its own unit"):
        pk.nominal.load(step, unit="inch", cache=place)
    with pytest.raises(pk.InputError, match="no body with that name"):
        pk.nominal.load(step, body="nonsense", cache=place)
    with pytest.raises(pk.InputError, match="cannot be read"):
        pk.nominal.load(tmp_path / "missing.step", cache=place)


@pytest.mark.parametrize("what", ["version", "kernel", "source"])
def test_another_version_reads_anew(what: str, step: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = stored.name_of("0" * 64, deflection=None)
    if what == "version":
        monkeypatch.setattr(stored, "__version__", "9.9.9")
    elif what == "kernel":
        monkeypatch.setattr(stored, "kernel_version", lambda: "another")
    else:
        monkeypatch.setattr(cache, "source_of", lambda *_: "another")
    assert stored.name_of("0" * 64, deflection=None) != before
    monkeypatch.setattr(stored, "kernel_version", lambda: "")
    assert stored.name_of("0" * 64, deflection=None) is None
    assert pk.nominal.load(step, body="*", cache=tmp_path).exact
    assert list(tmp_path.iterdir()) == []


def test_the_source_that_reads_models_is_part_of_the_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(Path(stored.__file__).parent, tmp_path / "exact")
    found = []
    for _ in range(2):
        cache.source_of.cache_clear()
        monkeypatch.setattr(stored, "_MADE_BY", (tmp_path / "exact",))
        found.append(stored.name_of("0" * 64))
        with (tmp_path / "exact" / "extract.py").open("a") as stream:
            stream.write("\n")
    cache.source_of.cache_clear()
    assert found[0] != found[1]


def test_a_damaged_file_is_read_anew_and_replaced(step: Path, tmp_path: Path) -> None:
    first = pk.nominal.load(step, body="*", cache=tmp_path)
    (path,) = tmp_path.iterdir()
    whole = path.read_bytes()
    for bad in (whole[:-1], whole[: len(whole) // 2], b"", bytes([*whole[:5000], whole[5000] ^ 1, *whole[5001:]])):
        path.write_bytes(bad)
        assert_same(first, pk.nominal.load(step, body="*", cache=tmp_path))
        assert path.read_bytes() == whole


def spoilt(node: Any, rng: random.Random) -> Any:
    """A description with something else in one place."""
    strange = (None, True, -1, 0, 1, 2**31, 2**63, 2**200, 1e300, float("nan"), "", "Edge", [], {}, [[]], {"Edge": []})
    inner = list(node.items()) if isinstance(node, dict) else list(enumerate(node)) if isinstance(node, list) else []
    if not inner or rng.random() < 0.1:
        return rng.choice(strange)
    key, value = rng.choice(inner)
    changed = dict(node) if isinstance(node, dict) else list(node)
    kind = rng.random()
    if kind < 0.05:
        del changed[key]
    elif kind < 0.1 and isinstance(changed, list):
        changed.insert(key, rng.choice(strange))
    else:
        changed[key] = spoilt(value, rng)
    return changed


def test_a_file_made_by_somebody_else_with_a_right_checksum_raises_nothing(tmp_path: Path) -> None:
    """Whatever passes has arrays of the right types, whose indices lie inside: touches can be projected on it."""
    rng, numbers = random.Random(5), np.random.default_rng(5)
    used = 0
    for shape in ("plate", "creased_skin", "revolved", "cone"):
        fresh = read_step(es.make(shape, tmp_path).path, deflection=2.0)
        name, place = cache.name_of(shape), tmp_path / "cache"
        stored.keep(fresh, name, shape, place)
        content = bytes(cache.fetch(name, place))
        length, _, rest = content.partition(b"\n")
        described = json.loads(rest[: int(length)])
        arrays = rest[int(length) :].lstrip(b" ")
        arrays = content[len(content) - len(arrays) :] if arrays else b""
        begin = len(length) + 1 + int(length)
        arrays = content[begin + -begin % 8 :]
        for k in range(150):
            if k % 4:
                text, tail = json.dumps(spoilt(described, rng)).encode(), arrays
            else:
                text, tail = json.dumps(described).encode(), bytearray(arrays)
                at = numbers.integers(len(tail) - 8)
                tail[at : at + 8] = numbers.bytes(8)
            start = b"%d\n" % len(text) + text
            cache.keep(name, shape, [start + b" " * (-len(start) % 8), bytes(tail)], place)
            found = stored.fetch(name, place)
            if found is not None:
                used += 1
                assert found.facets.max() < len(found.vertices)
                assert all(edge < len(found.edges) for face in found.faces for edge, _ in face.borders)
                for face in found.faces:
                    face.surface.evaluate(np.zeros((1, 2)))
    assert 20 < used < 550
    for text in (
        b"",
        b"7",
        b"-1\n{}",
        b"9999999\n{}",
        b"x\n{}",
        b"5\n[[[[[",
        b"200000\n" + b"[" * 200000,
        b"2\n[]",
        b"2\n{}",
    ):
        cache.keep(name, shape, [text], place)
        assert stored.fetch(name, place) is None


def test_a_folder_that_cannot_be_used_is_said_in_the_notes(step: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    part = pk.nominal.load(step, body="*", cache=tmp_path / "file")
    (note,) = set(part.notes) - set(pk.nominal.load(step, body="*").notes)
    assert note.startswith("the exact model could not be kept for later runs: ")
    assert str(tmp_path / "file") in note


def test_warnings_are_the_same_from_the_store(tmp_path: Path) -> None:
    path = es.write(es.parts(es.plate(), es.FACE)[0], tmp_path / "open.step")
    said = []
    for place in (False, tmp_path / "cache", tmp_path / "cache"):
        with pytest.warns(pk.ProbekitWarning) as caught:
            pk.nominal.load(path, cache=place)
        said.append([str(one.message) for one in caught])
    assert said[0] == said[1] == said[2]
    assert "the surface is open" in said[0][0]


def test_a_file_that_changes_while_it_is_read_is_refused(
    step: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "copy.step"
    shutil.copy(step, copy)

    def reading(path: Path, **options: Any) -> Brep:
        found = read_step(path, **options)
        copy.write_bytes(copy.read_bytes() + b"\n")
        return found

    monkeypatch.setattr(reading_step, "read_step", reading)
    with pytest.raises(pk.InputError, match="changed while it was read"):
        pk.nominal.load(copy, body="*", cache=tmp_path / "cache")
    assert not (tmp_path / "cache").exists()


def run(code: str, *arguments: object, place: object) -> str:
    """Standard output of Python code in a process of its own, with a folder for the cache."""
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PROBEKIT_CACHE": str(place)},
    )
    return done.stdout


@pytest.mark.slow
def test_the_second_inspection_starts_without_the_kernel_and_gives_the_same_bytes(tmp_path: Path) -> None:
    code = """if True:
        import sys
        from probekit import study
        found = study.run(study.load(sys.argv[1]))
        study.write(found, sys.argv[2], made="now")
        print("OCP" in sys.modules, *found.notes, sep="\\n")
    """
    outputs = [run(code, DEMO / "study.toml", tmp_path / f"out{k}", place=tmp_path / "cache") for k in range(2)]
    assert [text.partition("\n")[0] for text in outputs] == ["True", "False"]
    assert len({text.partition("\n")[2] for text in outputs}) == 1
    names = sorted(path.name for path in (tmp_path / "out0").iterdir())
    assert {"report.html", "results.csv", "results.json"} <= set(names)
    for name in names:
        checks = {hashlib.sha256((tmp_path / f"out{k}" / name).read_bytes()).hexdigest() for k in range(2)}
        assert len(checks) == 1, name


def few_targets(folder: Path) -> Path:
    """The demo with a few targets, on the base and spread over the skin, and three poses."""
    write_demo(folder)
    text = (folder / "study.toml").read_text()
    plane, evenly = text.index('[[plan]]\nhow = "rings"'), text.index('[[plan]]\nhow = "blue_noise"')
    text = text[:plane].replace("spacing = 30.0", "spacing = 60.0", 1) + text[evenly:].replace("n = 50", "n = 6", 1)
    start, end = text.index("poses = "), text.index("margin = 0.3")
    text = text[:start] + "poses = [[0, 0], [75, 90], [75, -90]]\n" + text[end:]
    (folder / "study.toml").write_text(text)
    return folder / "study.toml"


@pytest.mark.slow
def test_the_second_plan_and_program_start_without_the_kernel_and_give_the_same_bytes(tmp_path: Path) -> None:
    code = """if True:
        import sys
        from probekit.cli import main
        main(["program", sys.argv[1], "--to", sys.argv[2]])
        print("OCP" in sys.modules)
    """
    study = few_targets(tmp_path / "demo")
    told = [run(code, study, tmp_path / f"out{k}", place=tmp_path / "cache") for k in range(2)]
    assert [text.split()[-1] for text in told] == ["True", "False"]
    names = sorted(path.name for path in (tmp_path / "out0").iterdir())
    assert len(names) > 5
    for name in names:
        assert (tmp_path / "out0" / name).read_bytes() == (tmp_path / "out1" / name).read_bytes(), name


def test_whether_a_file_can_be_read_is_told_without_the_kernel(step: Path, tmp_path: Path) -> None:
    pk.nominal.load(step, body="*", cache=tmp_path)
    code = """if True:
        import sys
        from probekit import nominal
        assert nominal.can_read(sys.argv[1], body="*", cache=sys.argv[2])
        assert nominal.load(sys.argv[1], body="*", cache=sys.argv[2]).exact
        assert "OCP" not in sys.modules
        sys.modules["OCP.Message"] = None  # a kernel that is installed, but cannot be imported
        assert nominal.can_read(sys.argv[1], body="*", cache=sys.argv[2])
        print(nominal.can_read(sys.argv[1]), nominal.can_read("part.stl"))
    """
    assert run(code, step, tmp_path, place="off").split() == ["False", "True"]


def test_a_draft_is_the_same_from_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    model = real_models.unpack(real_models.NAMES[0], tmp_path)
    drafts = []
    for k, place in enumerate(("off", str(tmp_path / "cache"), str(tmp_path / "cache"))):
        monkeypatch.setenv("PROBEKIT_CACHE", place)
        if k == 2:  # not even the CAD kernel is needed then
            monkeypatch.setattr(pmi_kept, "read_pmi", lambda *_, **__: pytest.fail("read again"))
            monkeypatch.setattr(reading_step, "read_step", lambda *_, **__: pytest.fail("read again"))
        assert main(["draft", str(model), "--to", str(tmp_path / f"{k}.toml")]) == 0
        drafts.append((tmp_path / f"{k}.toml").read_text())
    labels = sorted(one.label for one in cache.contents(tmp_path / "cache"))
    assert labels == [model.name, f"{model.name}, tolerances"]
    assert drafts[0] == drafts[1] == drafts[2]
    assert drafts[0].count("[[tolerance]]") > 3


def test_every_field_of_a_tolerance_comes_back(tmp_path: Path) -> None:
    target = ModelTarget("A1", "rectangle", (1.0, 2.0, 0.1 + 0.2), None, (("width", 3.0),), ("top",), "#9")
    whole = ModelPmi(
        (
            ModelTolerance("a", "flatness", 0.1, None, None, (("A", "MMC"), ("B",)), ("m",), ("top",), "#1"),
            ModelTolerance(
                "b", "position", 0.2, 0.3, -0.1, (), (), ("top", "side"), "#2", "#1", (10.0, 5.0), "rectangular",
                ((4.5, ("side",)),),
            ),
        ),
        (ModelDatum("A", ("top",), "#3", (target,)),),
        ("#4 not understood: ä",),
        "AP242",
        "ISO 1101",
        (ModelSize("diameter", 10.0, (-0.1, 0.2), ("E",), ("bore",), "#5", "H7", (("x",), ("y", "z")), True),),
        ("a note",),
        ("a text",),
    )  # fmt: skip
    assert stored.keep(whole, cache.name_of("pmi"), "pmi", tmp_path) == ""
    assert stored.fetch_pmi(cache.name_of("pmi"), tmp_path) == whole
    assert stored.fetch(cache.name_of("pmi"), tmp_path) is None  # it is no exact model
