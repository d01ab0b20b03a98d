"""The house rules that a machine can check: light import, one direction, small modules, documented functions."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import probekit as pk
from probekit import columns

ROOT = Path(pk.__file__).parent
MODULES = sorted(p for p in ROOT.rglob("*.py") if "assets" not in p.parts)
PATHS = {".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p for p in MODULES}

#: The pipeline. A room may import rooms to its left, never to its right.
ORDER = (
    *(
        "errors",
        "lazily",
        "chain",
        "show",
        "making",
        "values",
        "columns",
        "geometry",
        "files",
        "csv_text",
        "published",
        "cache",
        "qif",
        "nominal",
        "plan",
        "program",
        "machine",
        "touches",
        "dmis",
    ),
    *(
        "deviation",
        "fit",
        "plausibility",
        "uncertainty",
        "field",
        "tolerance",
        "verdict",
        "action",
        "scene",
        "settle",
        "report",
        "widgets",
        "figures",
        "limits",
    ),
    *(
        "settings",
        "study",
        "draft",
        "gauge",
        "archive",
        "inspecting",
        "share",
        "demo",
        "dashboard",
        "console",
        "cli_many",
        "cli_answers",
        "cli_compare",
        "cli_models",
        "cli",
        "__main__",
    ),
)


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """All nodes of a module's tree: each file is parsed once."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


@cache
def for_type_checkers(path: Path) -> set[int]:
    """Which of them stand under ``if TYPE_CHECKING``, by `id`."""
    return {
        id(inner)
        for node in nodes_of(path)
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }


def imported_rooms(path: Path, *, run_time_only: bool) -> set[str]:
    """Rooms that a module imports, with or without those it imports for type checkers only."""
    skipped = for_type_checkers(path) if run_time_only else set()
    package = path.relative_to(ROOT).parts[:-1]
    rooms = set()
    for node in nodes_of(path):
        if isinstance(node, ast.ImportFrom) and node.level and id(node) not in skipped:
            base = package[: len(package) - node.level + 1]
            full = (*base, *((node.module or "").split(".") if node.module else ()))
            rooms |= {full[0]} if full else {alias.name for alias in node.names}
    return {room for room in rooms if room in ORDER}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_rooms_import_only_what_comes_before_them(path: Path) -> None:
    room = room_of(path)
    if room == "__init__":
        pytest.skip("the public face names every room")
    assert room in ORDER, f"room {room} has no place in the pipeline yet: enter it in ORDER"
    late = {r for r in imported_rooms(path, run_time_only=True) if ORDER.index(r) > ORDER.index(room)}
    assert not late, f"{path.name} in {room} imports {late}, which come later"


def imported_modules(path: Path, modules: set[str]) -> set[str]:
    """Modules of probekit that a module imports anywhere in it, but for type checkers."""
    package, found = path.relative_to(ROOT).parts[:-1], set()
    for node in nodes_of(path):
        if isinstance(node, ast.ImportFrom) and node.level and id(node) not in for_type_checkers(path):
            base = [*package[: len(package) - node.level + 1], *(node.module or "").split(".")]
            of = ".".join(filter(None, base))
            found |= {inner if (inner := f"{of}.{one.name}".strip(".")) in modules else of for one in node.names}
    return found & modules


def test_no_imports_go_round() -> None:
    import networkx

    graph = networkx.DiGraph((name, to) for name, p in PATHS.items() for to in imported_modules(p, set(PATHS) - {name}))
    assert graph.number_of_edges() > len(MODULES)
    assert [sorted(c) for c in networkx.strongly_connected_components(graph) if len(c) > 1] == []


def test_the_names_of_columns_have_one_home() -> None:
    """Nobody defines them again, and nobody hands them on: they are imported from `probekit.columns`."""
    elsewhere = []
    for path in MODULES:
        if path.name == "columns.py" or room_of(path) == "nominal":  # a model has no table of touches
            continue
        for node in nodes_of(path):
            if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[-1] != "columns":
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.Assign):
                names = [target.id for target in node.targets if isinstance(target, ast.Name)]
            else:
                continue
            twins = {name for name in columns.__all__ if name.isupper()} & set(names)
            elsewhere += [f"{path.relative_to(ROOT)}:{node.lineno} {name}" for name in sorted(twins)]
    assert elsewhere == []


def test_random_tests_take_their_settings_from_one_profile() -> None:
    tests = Path(__file__).parent
    own = re.compile(r"\b(derandomize|deadline)=")
    assert [p.name for p in tests.rglob("*.py") if own.search(p.read_text(encoding="utf-8"))] == ["conftest.py"]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_stay_small_and_never_print(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= 400
    calls = [n for n in nodes_of(path) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)]
    assert not [c.lineno for c in calls if c.func.id == "print"]


def test_no_signed_number_reads_minus_zero() -> None:
    """The option z of a format (PEP 682) takes the sign from what rounds to zero; a sign that is asked for needs it."""
    assert f"{-0.00001:+z.4f} {-0.01:z.1f}" == "+0.0000 0.0"
    wrong = [
        f"{path.relative_to(ROOT)}, line {number}"
        for path in sorted(ROOT.rglob("*.py"))
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if re.search(r":\+\.\d[fe]|:\.\d[fe]\} %", line)
    ]
    assert not wrong, "write +z.4f for +.4f, z.0f for .0f before %:\n" + "\n".join(wrong)


def test_import_is_light() -> None:
    """Importing probekit imports nothing else that is installed, and no room before it is used."""
    code = "import sys; before = set(sys.modules); import probekit; print(*sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    brought = {name for name in done.stdout.split() if name.split(".")[0] not in sys.stdlib_module_names}
    assert brought == {"probekit"}


def test_the_public_face_names_every_room() -> None:
    for name in pk.__all__:
        assert getattr(pk, name) is not None
    assert set(pk.__all__) <= set(dir(pk))
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = pk.nonsense


def public_functions() -> list[tuple[str, object]]:
    found = []
    for room in (
        "nominal",
        "plan",
        "program",
        "machine",
        "touches",
        "deviation",
        "fit",
        "plausibility",
        "uncertainty",
        "field",
        "tolerance",
        "verdict",
        "action",
        "scene",
        "settle",
        "report",
        "figures",
        "study",
        "gauge",
        "archive",
    ):
        module = getattr(pk, room)
        found += [
            (f"{room}.{name}", thing)
            for name in module.__all__
            if inspect.isfunction(thing := getattr(module, name)) and thing.__module__.startswith("probekit")
        ]
    return found


@pytest.mark.parametrize(("name", "function"), public_functions(), ids=lambda x: x if isinstance(x, str) else "")
def test_public_functions_are_typed_and_say_what_every_argument_is(name: str, function: object) -> None:
    text = inspect.getdoc(function)
    assert text, f"{name} has no docstring"
    signature = inspect.signature(function)
    assert signature.return_annotation is not inspect.Signature.empty, f"{name} has no return type"
    for argument in signature.parameters.values():
        assert argument.annotation is not inspect.Parameter.empty, f"{name}({argument.name}) has no type"
        if len(signature.parameters) > 1:
            assert argument.name in text, f"{name} does not say what {argument.name} is"


@pytest.mark.parametrize(("name", "function"), public_functions(), ids=lambda x: x if isinstance(x, str) else "")
def test_a_public_function_with_more_than_eight_parameters_says_why(name: str, function: object) -> None:
    """A sentence of its own, "Many parameters: ...", before the list of them."""
    reason = re.search(r"^Many parameters: (\S.{30,}?)\.\s", inspect.getdoc(function) or "", re.DOTALL | re.MULTILINE)
    assert len(inspect.signature(function).parameters) <= 8 or reason, name


def test_an_error_says_where_what_and_what_to_do() -> None:
    error = pk.InputError(
        "it is wrong", file="a.csv", line=3, column="x", found="abc\n", expected="a number", todo="Mend."
    )
    assert str(error) == "a.csv, line 3, column 'x': it is wrong; found 'abc\\n'; expected a number. Mend."
    assert isinstance(error, ValueError)
    assert len(str(pk.InputError("long", found="y" * 1000))) < 120


def public_names() -> list[str]:
    """Names that the rooms export: what one calls. Results, constants and helpers are imported from their modules."""
    rooms = {name: getattr(pk, name) for name in pk.__all__ if inspect.ismodule(getattr(pk, name))}
    return [f"{room}.{name}" for room, module in rooms.items() for name in module.__all__]


def modules_at_hand(room: str) -> set[str]:
    """Modules of a room that are its attributes after it is imported: all, where that imports them when asked for."""
    init = ROOT / room / "__init__.py"
    inside = {path.stem for path in init.parent.iterdir()}
    if any(isinstance(node, ast.Name) and node.id == "on_first_use" for node in nodes_of(init)):
        return inside
    found, ahead = set(), {room}
    while ahead:
        found |= ahead
        ahead = {one for name in ahead for one in imported_modules(PATHS[name], set(PATHS))} - found
    return {name.split(".")[1] for name in found if name.startswith(f"{room}.")}


def test_a_module_that_is_reached_through_its_room_is_imported_by_it() -> None:
    """Else it is there only if something else has imported it."""
    rooms = {one.name for one in ROOT.iterdir() if (one / "__init__.py").exists()}
    inside = {room: {path.stem for path in (ROOT / room).iterdir()} for room in rooms}
    wrong = []
    for path in MODULES:
        called = {}
        for node in nodes_of(path):
            if isinstance(node, ast.ImportFrom) and node.level and not node.module:
                called |= {one.asname or one.name: one.name for one in node.names if one.name in rooms}
        for node in nodes_of(path):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in called:
                room = called[node.value.id]
                exported = getattr(getattr(pk, room, None), "__all__", ())
                if node.attr in inside[room] and node.attr not in exported and node.attr not in modules_at_hand(room):
                    wrong.append(f"{path.relative_to(ROOT)}, line {node.lineno}: {room}.{node.attr}")
    assert not wrong, "import the module itself:\n" + "\n".join(wrong)


def test_the_public_face_is_small() -> None:
    # errors of the virtual machine stand in `machine.errors`, how many touches do in `plan.count`
    # a new room brings its own: `field` eight; `gauge` nineteen, one for each study, by the trade's word, and proving;
    # `figures` eleven, one for each picture; `archive` its store, what is done with it, and batches; `settle` six,
    # `qif` three, `dmis` two, `share` four; scans two; `widgets` four more, the page, to pick targets, to try fits
    # and tolerances; `report` two more, the page of two parts and a side of it
    assert len(public_names()) <= 158 + 19 + 11 + 8 + 6 + 3 + 2 + 4 + 2 + 4 + 2
    assert len(set(public_names())) == len(public_names())


@pytest.mark.parametrize("room", [name for name in pk.__all__ if inspect.ismodule(getattr(pk, name))])
def test_a_room_imports_no_more_than_it_exports(room: str) -> None:
    tree = ast.parse((ROOT / room / "__init__.py").read_text(encoding="utf-8"))
    own = [node for node in tree.body if isinstance(node, ast.ImportFrom) and node.level == 1]
    assert {alias.asname or alias.name for node in own for alias in node.names} <= set(getattr(pk, room).__all__)


@pytest.mark.parametrize("room", [name for name in pk.__all__ if inspect.ismodule(getattr(pk, name))])
def test_names_that_are_imported_on_first_use_are_those_that_type_checkers_see(room: str) -> None:
    tree = ast.parse((ROOT / room / "__init__.py").read_text(encoding="utf-8"))
    seen = {
        alias.name: node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.level == 1
        for alias in node.names
    }
    modules = {path.stem for path in (ROOT / room).iterdir()}
    calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "on_first_use"]
    for call in calls:
        homes = ast.literal_eval(call.args[1])
        late = {name: home for home, names in homes.items() for name in names.split()}
        assert late.items() <= seen.items()
        assert set(seen) <= set(getattr(pk, room).__all__)
        assert not set(late) & modules  # such a name would be the module once that is imported
        for name in late:
            assert callable(getattr(getattr(pk, room), name))
            assert name in dir(getattr(pk, room))
