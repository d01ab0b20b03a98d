"""What a user gets back prints as one short line that names it, and shows in a notebook with its text escaped.

The classes are found from the annotations of the public face: what its functions return, and what that holds. One of
each is taken from the run of a tiny study, or made here.
"""

from __future__ import annotations

import dataclasses
import importlib.util
import inspect
import re
import sys
import textwrap
import types
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import deciding
import numpy as np
import pandas as pd
import pytest
import shapes
import tiny
from machine.probing_text import probing_text
from tolerance.touched import around, table

import probekit as pk
from probekit import show
from probekit.nominal.frames import datum_feature
from probekit.program.deciding.asked import CutAgain
from probekit.program.deciding.decisions import Recut
from probekit.program.reading.words import parse
from probekit.program.writing.compose import Touching
from probekit.scene.sections import with_sections
from probekit.study.following import Cut
from probekit.study.playing import with_plays
from probekit.tolerance.play import Play
from probekit.tolerance.unjudged import Unjudged


@cache
def names_in(module: str) -> dict[str, Any]:
    """Names that annotations of a module may use, with those imported for type checkers only."""
    space = dict(vars(sys.modules[module]))
    for block in re.findall(r"^if TYPE_CHECKING:\n((?: .*\n|\n)+)", inspect.getsource(sys.modules[module]), re.M):
        exec(textwrap.dedent(block), space)
    return space


def classes_in(annotation: object, module: str) -> set[type]:
    found = set()
    for name in re.findall(r"[A-Za-z_][\w.]*", str(annotation)):
        first, *rest = name.split(".")
        thing = names_in(module).get(first)
        for part in rest:
            thing = getattr(thing, part, None)
        rule = getattr(thing, "__module__", "") == "probekit.values"  # in Annotated: a rule for a value, not a value
        if inspect.isclass(thing) and dataclasses.is_dataclass(thing) and not rule:
            found.add(thing)
    return found


def given_by(thing: Any) -> set[type]:
    """Dataclasses that a public function returns, or that a class is, holds and returns."""
    if inspect.isfunction(thing):
        return classes_in(thing.__annotations__.get("return", ""), thing.__module__)
    if not inspect.isclass(thing) or not dataclasses.is_dataclass(thing):
        return set()
    found = {thing}
    for base in thing.__mro__:
        for name, annotation in vars(base).get("__annotations__", {}).items():
            found |= set() if name.startswith("_") else classes_in(annotation, base.__module__)
        for name, member in vars(base).items():
            function = getattr(member, "fget", None) or getattr(member, "func", None) or member
            if inspect.isfunction(function) and not name.startswith("_"):
                found |= given_by(function)
    return found


def given_back() -> set[type]:
    rooms = [getattr(pk, name) for name in pk.__all__ if inspect.ismodule(getattr(pk, name))]
    todo = [getattr(room, name) for room in rooms for name in room.__all__]
    found: set[type] = set()
    while todo:
        new = given_by(todo.pop()) - found
        found |= new
        todo += new
    return found


CLASSES = sorted(given_back(), key=lambda one: (one.__module__, one.__name__))


def held_by(thing: Any, seen: set[int]) -> Iterator[Any]:
    """All dataclasses in a result: itself, its fields, and what these hold."""
    if isinstance(thing, Mapping):
        thing = tuple(thing.values())
    if isinstance(thing, tuple | list):
        for one in thing:
            yield from held_by(one, seen)
    elif dataclasses.is_dataclass(thing) and not inspect.isclass(thing) and id(thing) not in seen:
        seen.add(id(thing))
        yield thing
        for field in dataclasses.fields(thing):
            yield from held_by(getattr(thing, field.name), seen)


def of_a_study(folder: Path) -> list[Any]:
    study = pk.study.load(tiny.write(folder))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    (folder / "edited.nc").write_text(programmed.text)
    run = pk.study.simulate(study, planned, programmed)
    parts = [
        programmed.merged.difference,
        planned.probe.outline(),
        pk.study.places.results_of(study, folder / "out", "plan"),
        pk.study.trial(study, planned, programmed, run),
        pk.study.check(study, planned, folder / "edited.nc"),
    ]
    drawn = {"probe": planned.probe, "kinematics": planned.kinematics, "fixtures": [planned.part]}
    scene = pk.scene.plan_scene(planned.part, planned.table, route=planned.route, **drawn)
    number = np.zeros(1)
    ground = planned.obstacles.ground(number.astype(int), np.zeros((1, 3)), np.eye(3)[:1], number)
    steps = list(pk.program.run(programmed.probing))
    blocks = parse(programmed.probing)
    recorded = [step.detail for step in steps if step.kind == "record"]
    phases = pk.study.load(deciding.write(folder / "phases", "rs274"))
    in_phases = pk.study.plan(phases)
    later = pk.study.program(phases, in_phases)
    asked = [in_phases.phases, [one.estimate for one in in_phases.phases], in_phases.parts, later, later.enter]
    recut = Recut("T1", "left at rest", 0.3, "G59", "G55")
    asked += [CutAgain("T1", "height", 0.03, 0.3, "G59"), Cut("A-2-CUT-AGAIN.nc", 2, recut, "M2", later.findings)]
    chip = pk.machine.Chip(0.1)
    return [
        *asked,
        later.following,
        Touching(),
        chip,
        study,
        planned,
        programmed,
        run,
        parts,
        with_plays(scene, planned),
        ground,
        steps,
        blocks,
        recorded,
        *of_an_inspection(pk.study.run(study)),
    ]


def of_an_inspection(found: pk.study.inspection.Inspection) -> list[Any]:
    """With a section through touches of the block, and as one side of a comparison."""
    at = found.verdict.table[["foot_x", "foot_y", "foot_z"]].to_numpy()[0]
    scene = with_sections(found.scene, found.part, pk.plan.section(found.part, at, (0.0, 1.0, 0.0)), 1.0, "through 1")
    return [found, scene, pk.report.Side(scene, found.verdict, found.part.sha256)]


def of_machines() -> list[Any]:
    named = {"sigma": 0.001, "probability": 0.1, "seconds": 0.001, "mean": 0.01, "letter": "A", "minutes": 5.0}
    named |= {"drift": (0.01, 0.0, 0.0), "x": 0.01, "xy": 0.01}
    errors = []
    for cls in (
        one for one in CLASSES if one.__module__ == "probekit.machine.errors" and one.__name__ != "MachineError"
    ):
        wanted = {field.name for field in dataclasses.fields(cls)}
        errors.append(
            cls(**{key: value for key, value in named.items() if key in wanted})
            if cls.__name__ != "ErrorGrid"
            else cls((0.0, 1.0), (0.0, 1.0), (0.0, 1.0), np.zeros((2, 2, 2, 3)))
        )
    axis = pk.plan.RotaryAxis("A", "table", limits=(-100.0, 100.0))
    sphere = pk.machine.ReferenceSphere(25.0)
    touched = pk.machine.run(probing_text(sphere.targets()), sphere, probe=6.0, decimals=6).table
    qualified = pk.fit.qualify(touched, diameter=25.0)
    hill = pk.machine.Hill((0.0, 0.0, 0.0), 5.0, 0.1)
    made = pk.machine.AsMade(shapes.box(), hills=(hill,))
    tip = pk.plan.Tip(3.0, 2.0, 20.0, (1.0, 0.0, 0.0))
    kinematics = pk.plan.Kinematics((axis,))
    return [errors, kinematics, pk.machine.ReferenceRing(40.0), sphere, qualified, qualified.stylus(6.0), made, tip]


def of_touches() -> list[Any]:
    hole = around(20.02, heights=(0.0, 10.0), bore=True)
    top = table([[x, y, 20.0] for x in (0.0, 30.0, 60.0) for y in (0.0, 50.0)], [0, 0, 1], feature="top")
    top = top.assign(x0=top["x"], y0=top["y"], z0=top["z"], i=0.0, j=0.0, k=1.0)
    hole = hole.assign(
        x0=hole["foot_x"], y0=hole["foot_y"], z0=hole["foot_z"], i=hole["nx"], j=hole["ny"], k=hole["nz"]
    )
    both = pd.concat([top, hole], ignore_index=True).assign(touch=range(1, len(top) + len(hole) + 1))
    datums = [pk.fit.Datum("A", "plane", "top"), pk.fit.Datum("B", "cylinder", "hole", boundary=("MMB", 39.9))]
    frame = pk.fit.datum_frame(both, datums)
    tolerance = pk.tolerance
    kinds = {
        "position": tolerance.Position(width=0.1, features=("hole",), at=(0.0, 0.0, 0.0), direction=(0, 0, 1)),
        "size": tolerance.Size(width=0.1, features=("hole",), limits=(39.9, 40.1)),
        "profile": tolerance.Profile(width=0.1),
        "line": tolerance.LineProfile(width=0.1),
        "form": tolerance.Form(width=0.1, of="flatness"),
        "orientation": tolerance.Orientation(width=0.1, of="parallelism", datums=("A",)),
        "boundary": tolerance.Boundary(within=(-0.1, 0.1), width=0.1),
        "median": tolerance.Median(width=0.1, of="straightness of an axis"),
        "runout": tolerance.Runout(width=0.1, datums=("A",)),
    }
    kinds["composite"] = tolerance.Composite(kinds["profile"], dataclasses.replace(kinds["profile"], width=0.05))
    group = kinds["position"].group(hole)
    evaluation = kinds["position"].evaluate(hole)
    flat = pk.fit.minimax.minimax_motion(
        np.eye(3), lambda p: (p[:, 2], np.tile([0.0, 0.0, 1.0], (3, 1))), np.eye(6)[:, 2:3], pivot=np.zeros(3)
    )
    return [
        frame,
        datums,
        kinds,
        group.held(),
        group,
        list(group.parts.values()),
        evaluation,
        evaluation.explain(),
        kinds["form"].evaluate(top),
        Unjudged.of(kinds["form"], "too few touches", top),
        pk.fit.element(np.eye(3), "plane"),
        flat,
        pk.fit.DatumTarget("A1", (0.0, 0.0, 0.0)),
        pk.fit.set_up(both, datums, work_offset=np.eye(4), ball=0.0),
        frame.freedom,
        Play.of(frame.mobility[0], np.ones(1)),
    ]


def of_models(folder: Path) -> list[Any]:
    part, regions = shapes.box(), pk.plan
    found: list[Any] = [datum_feature(part, part.face_names[0]), part.engine.feet(np.zeros((2, 3)))]
    found += [
        regions.Ball((0, 0, 0), 1.0),
        regions.Box((0, 0, 0), (1, 1, 1)),
        regions.Cylinder((0, 0, 0), (0, 0, 1), 1.0),
    ]
    found += [regions.Solid.of(part), pk.plan.section(part, (0.0, 0.0, 0.5), (0.0, 0.0, 1.0))]
    found += [pk.deviation.Projection(part, stylus=3.0), pk.plausibility.Probing(2.0, 0.5, "the program")]
    if importlib.util.find_spec("OCP"):
        import exact_shapes

        block = exact_shapes.BRepPrimAPI_MakeBox(80, 60, 30).Shape()
        found.append(pk.nominal.load(exact_shapes.write(block, folder / "block.step")))
    return found


def of_budgets() -> list[Any]:
    """A budget, what two touches share by it, who matters, and the drift that the first one shows when made again."""
    spot = {"x0": [0.0, 5.0, 0.0], "y0": 0.0, "z0": 0.0, "i": 0.0, "j": 0.0, "k": 1.0}
    table = pd.DataFrame(
        {"touch": [1, 2, 3], "feature": "top", **spot, "x": spot["x0"], "y": 0.0, "z": [0.0, 0.0, 0.01]}
    )
    named = {"x0": "foot_x", "y0": "foot_y", "z0": "foot_z", "i": "nx", "j": "ny", "k": "nz"}
    budget = pk.uncertainty.read({"budget": {}})
    scatter = pk.uncertainty.touches(table.rename(columns=named), budget)
    return [budget, scatter, pk.uncertainty.shares(scatter, np.ones(3) / 3), pk.uncertainty.drift(table, budget)]


def of_actions() -> list[Any]:
    """A tool, and the re-cut map of a box whose top it left 0.2 mm high."""
    box = shapes.box()
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-20, 20, 5), np.linspace(-15, 15, 4)))
    table = pd.DataFrame({"touch": np.arange(20), "feature": "top", "x": x, "y": y, "z": 10.2})
    found = pk.deviation.project(table, box, stylus=0.0)
    verdict = pk.verdict.classify(found, pk.tolerance.profile(found, 0.1), rule=pk.verdict.simple())
    tool = pk.action.Cutter(5, ("top",), "finish", radius=4.0)
    return [tool, pk.action.recut_map(verdict, box, cutters=[tool])]


def of_gauges() -> list[Any]:
    readings = pd.DataFrame({"value": [10.001, 10.003, 10.002, 10.000, 10.004]})
    box = shapes.box()
    faults = {"thick": lambda size, _: pk.machine.AsMade(box, offset={"top": size})}
    on_box = {"program": "", "how": pk.deviation.Projection(box, stylus=3.0), "probe": 6.0, "good": lambda _: box}
    return [pk.gauge.type_1(readings, 10.0, 0.1), pk.gauge.Scenarios(**on_box, faults=faults, sizes={"thick": (0.1,)})]


def of_fields() -> list[Any]:
    """What lies between the touches of a box's top."""
    rng, box = np.random.default_rng(1), shapes.box()
    at = pk.field.nodes(box, 60, rng, faces="top")
    y = 0.003 * np.sin(at.places[:40, 0])
    scatter = pk.uncertainty.Scatter.independent(np.full(40, 0.002))
    belief = pk.field.learn(at.places[:40], at.normals[:40], y, scatter, area=at.area, zone=0.1)
    defects = pk.field.Defects(1.0, (4.0, 8.0), (0.02, 0.04))
    judged = pk.field.surface(belief, at, (-0.1, 0.1), rng, fields=100)
    between = pk.study.between.Between("top", judged, "A hill is felt.", pd.DataFrame())
    parts = [at.places[:12], at.normals[:12]]
    earlier = pd.DataFrame(np.hstack(parts), columns=["x0", "y0", "z0", "i", "j", "k"]).assign(touch=range(12))
    tables = [earlier.assign(part=k, deviation=0.003 * rng.standard_normal(12)) for k in range(20)]
    learned = pk.field.learn_prior(pd.concat(tables), scatter.of(np.arange(12)), area=at.area, zone=0.1)
    over = pk.field.nodes(box, 40, rng)
    sides = pk.field.learn(
        over.places, over.normals, 0.003 * np.sin(over.places[:, 0]),
        pk.uncertainty.Scatter.independent(np.full(len(over.places), 0.002)), area=over.area, zone=0.1,
    ).sides  # fmt: skip
    return [at, belief, sides, defects, judged, between, learned, *of_artefacts(earlier)]


def of_artefacts(targets: pd.DataFrame) -> list[Any]:
    """What the same points in two poses of a table tell."""
    from probekit.field import artefact, artefact_plan, unknowns

    budget = pk.uncertainty.read({"budget": {}})
    known = unknowns.unknowns(pk.plan.Kinematics((pk.plan.RotaryAxis("C", "table"),)), budget)
    proposed = artefact_plan.propose(targets, [[0, 1]] * len(targets), [(0.0,), (90.0,)], known, budget, touches=8)
    return [known, known.each[0], proposed, artefact.estimate(proposed.table.assign(deviation=0.0), known, budget)]


def of_archives(folder: Path) -> list[Any]:
    from archive.made import record

    archive, one = pk.archive.Archive(folder / "archive"), record("S1")
    done = pk.archive.batch.Batch(pd.DataFrame({"word": ["conforms"], "new": [True]}))
    arrived = pk.archive.watching.Arrival(Path("a.csv"), "conforms", "part 1", 1)
    (folder / "a.xyz").write_text("# unit: mm\n1 2 60\n3 4 60\n")
    cloud = pk.touches.read_cloud(folder / "a.xyz")
    scanned = pk.deviation.scan(cloud, shapes.box())
    kept = [archive.append(one), pk.archive.verify(archive), pk.archive.history(archive)]
    return [archive, one, *kept, done, arrived, cloud, scanned]


def of_answers(folder: Path) -> list[Any]:
    """A page that can be answered, an answer with a comment, what it comes to, and an entry of a log."""
    page = pk.settle.pages.Page("", "a" * 64, "b" * 64, True, {"title": "foil", "verdict": "conforms"}, ())
    comment = pk.settle.answers.Comment("touch", "7", "a chip?")
    answer = pk.settle.answers.Answer("a" * 64, "b" * 64, "N", "", "2026-11-29T22:00:00Z", comments=(comment,))
    log = pk.share.log.Log(folder / "answers.sqlite")
    entry = log.append("answer", {"answer": answer.data})
    log.close()
    return [page, answer, pk.settle.merge(page, [answer]), entry]


def of_documents(folder: Path) -> list[Any]:
    plan = pd.DataFrame(
        {"touch": [1], "feature": ["top"], "x0": 0.0, "y0": 0.0, "z0": 1.0, "i": 0.0, "j": 0.0, "k": 1.0}
    )
    (folder / "plan.qif").write_bytes(pk.qif.plan(plan, part="box"))
    (folder / "run.dmo").write_text("UNITS/MM,ANGDEC\nFA(P1)=FEAT/POINT,CART,0,0,1,0,0,1\nENDFIL\n")
    return [pk.qif.read(folder / "plan.qif"), pk.dmis.read(folder / "run.dmo")]


@pytest.fixture(scope="module")
def examples(tmp_path_factory: pytest.TempPathFactory) -> dict[type, Any]:
    found: dict[type, Any] = {}
    folder = tmp_path_factory.mktemp("study")
    for one in held_by(
        [
            of_a_study(folder),
            of_machines(),
            of_touches(),
            of_models(folder),
            of_budgets(),
            of_actions(),
            of_gauges(),
            of_fields(),
            of_archives(folder),
            of_answers(folder),
            of_documents(folder),
        ],
        set(),
    ):
        found.setdefault(type(one), one)
    return found


def test_there_are_many() -> None:
    assert len(CLASSES) > 60
    assert {pk.verdict.results.Verdict, pk.study.preparation.Plan} <= set(CLASSES)


@pytest.mark.parametrize("cls", CLASSES, ids=lambda one: f"{one.__module__.removeprefix('probekit.')}.{one.__name__}")
def test_prints_in_one_line(cls: type, examples: dict[type, Any]) -> None:
    one = next((one for kind, one in examples.items() if issubclass(kind, cls)), None)
    assert one is not None, "no example: make one above"
    text = repr(one)
    assert type(one).__name__ in text
    assert len(text) < 400
    assert len(text.splitlines()) == 1
    assert "mappingproxy" not in text
    assert "array(" not in text


NASTY = "<b>A&B</b>"


def test_html_has_no_text_that_was_not_escaped(examples: dict[type, Any]) -> None:
    """Names from files and studies are put into every text field, and must come out as text."""
    shown = 0
    for cls, one in examples.items():
        if not hasattr(one, "_repr_html_"):
            continue
        named = {f.name: NASTY for f in dataclasses.fields(cls) if f.name in ("name", "what", "about", "title", "text")}
        if "notes" in {f.name for f in dataclasses.fields(cls)}:
            named["notes"] = (NASTY,)
        html = dataclasses.replace(one, **named)._repr_html_()
        assert NASTY not in html, cls
        assert html.startswith(("<p>", "<ol>", "<ul>")), cls
        shown += "&lt;b&gt;A&amp;B&lt;/b&gt;" in html
    assert shown > 15


def test_a_long_sentence_is_cut() -> None:
    @show.shown
    @dataclasses.dataclass(frozen=True)
    class Long:
        sentence: str

    assert repr(Long("two\nlines")) == "<Long two lines>"
    assert repr(Long("x" * 1000)) == "<Long " + "x" * 391 + "…>"
    assert len(repr(Long("x" * 392))) == 399


def test_a_table_shows_no_more_digits_than_it_is_worth():
    """Percents with one decimal, micrometres with two, a flag only where it is set."""
    rows = pd.DataFrame({"cause": ["a", "b"], "u [um]": [1.23456, 0.5], "% of u²": [94.5287, 5.4713]})
    rows = rows.assign(value=[100.0, 0.5], u=[0.00312, 0.5], assumed=[True, False])
    html = show.as_html(types.SimpleNamespace(sentence="s", table=rows))
    for shown in ("<td>1.23</td>", "<td>94.5</td>", "<td>100</td>", "<td>0.0031</td>", "<td>yes</td>", "<td></td>"):
        assert shown in html
    assert "True" not in html
    assert "False" not in html


def test_long_texts_are_wrapped_between_words() -> None:
    """Common practice, no source: a line of a page holds about 100 characters."""
    sentence = "the probe touched " + "a work-offset of the part and " * 12 + "x" * 130
    lines = show.wrapped(sentence, "  - a note\n  - " + "long " * 30, "", "3. " + "step " * 30).split("\n")
    assert " ".join(line.strip() for line in lines[:4]) == sentence[: sentence.rindex("x" * 130) - 1]
    assert lines[4] == "x" * 130, "a name or a checksum stays whole"
    assert lines[5] == "  - a note"
    assert [line[:3] for line in lines[6:8]] == ["  -", "  l"]
    assert [line[:4] for line in lines[-2:]] == ["3. s", "   s"]
    assert lines[-3] == ""
    assert max(map(len, [*lines[:4], *lines[5:]])) <= 100
