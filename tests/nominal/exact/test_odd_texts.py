"""STEP texts as other systems write them, and as people leave them: each loads right, or is refused with a reason."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

import probekit as pk
from probekit.nominal.exact import escapes, part21

SIZE = (30.0, 20.0, 10.0)


@pytest.fixture(scope="module")
def text(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A box of 30 x 20 x 10 mm with a named face, as the kernel writes it."""
    body = es.Body("block", BRepPrimAPI_MakeBox(*SIZE).Shape(), {0: "left side"})
    return es.write_document([body], tmp_path_factory.mktemp("odd") / "box.step").read_bytes()


def sub(pattern: bytes, by: bytes, text: bytes, *, count: int = 0) -> bytes:
    """Replace what must be there."""
    out, found = re.subn(pattern, by, text, count=count, flags=re.DOTALL)
    assert found
    return out


def without_uncertainty(text: bytes) -> bytes:
    return sub(rb"GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT\(\(#\d+\)\)\s*", b"", text)


def in_one_line(text: bytes) -> bytes:
    return re.sub(rb"\s*\r?\n\s*", b"", text)


def with_comments(text: bytes) -> bytes:
    """Before, between and inside records; one with brackets, quotes and a record of its own."""
    text = sub(
        rb"DATA;", b"/* DATA follows (see ((the manual) */ DATA; /* #1=ADVANCED_FACE('it''s',(),#2,.T.); */", text
    )
    text = sub(rb"\n#(\d+) = ", rb"\n/* no. \1 */ #\1 /* is */ = ", text)
    return text + b"/* the end */\n"


def in_pieces(text: bytes) -> bytes:
    """A line for each comma, indented with tabs, and Windows line ends."""
    head, _, data = text.partition(b"DATA;")
    return head.replace(b"\n", b"\r\n") + b"DATA;" + data.replace(b",(", b",\r\n\t\t(").replace(b"\n", b"\r\n")


def named(name: bytes) -> Callable[[bytes], bytes]:
    return lambda text: text.replace(b"'left side'", b"'" + name + b"'")


def of_schema(name: bytes) -> Callable[[bytes], bytes]:
    return lambda text: sub(rb"FILE_SCHEMA\s*\(\(.*?\)\)", b"FILE_SCHEMA(('" + name + b"'))", text)


RIGHT: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "no uncertainty": (without_uncertainty, "left side"),
    "one line": (in_one_line, "left side"),
    "comments": (with_comments, "left side"),
    "Windows line ends": (in_pieces, "left side"),
    "a mark of UTF-8 before it": (lambda text: b"\xef\xbb\xbf" + text, "left side"),
    "AP203": (of_schema(b"CONFIG_CONTROL_DESIGN"), "left side"),
    "AP203 edition 2": (
        of_schema(b"AP203_CONFIGURATION_CONTROLLED_3D_DESIGN_OF_MECHANICAL_PARTS_AND_ASSEMBLIES_MIM_LF"),
        "left side",
    ),
    "AP214": (of_schema(b"AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }"), "left side"),
    "AP242": (of_schema(b"AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF { 1 0 10303 442 3 1 4 }"), "left side"),
    "a schema that nobody knows": (of_schema(b"MY_OWN_DESIGN"), "left side"),
    "ISO 8859 in the standard's escape": (named(rb"c\S\tt\S\i"), "côté"),
    "UCS-2 in the standard's escape": (named(rb"c\X2\00F4\X0\t\X2\00E9\X0\ "), "côté"),
    "one byte in the standard's escape": (named(rb"c\X\F4t\X\E9"), "côté"),
    "UTF-8": (named("côté".encode()), "côté"),
    "a letter and its accent apart": (named("co\u0302te".encode()), "côte"),
    "an apostrophe": (named(b"operator''s side"), "operator's side"),
}


@pytest.mark.parametrize("name", RIGHT)
def test_loads_right(name: str, text: bytes, tmp_path: Path) -> None:
    change, face = RIGHT[name]
    path = tmp_path / "odd.step"
    path.write_bytes(change(text))
    part = pk.nominal.load(path)
    np.testing.assert_allclose(part.bounds, [np.zeros(3), SIZE], atol=1e-9)
    assert part.open_edges == 0
    assert len(part.face_names) == 6
    assert face in part.face_names
    assert part.notes == ()


@pytest.mark.parametrize(
    ("written", "read"),
    [
        (rb"c\X2\00F4te", "côte"),
        (rb"c\X2\00F4\X0t\X2\00E9\X0\ ", "côté"),
        (rb"left \X2\4", "left 4"),
        (rb"\X4\0001F4A1", "\U0001f4a1"),
    ],
)
def test_an_escape_that_is_not_closed_is_read_and_named(text: bytes, tmp_path: Path, written: bytes, read: str) -> None:
    """The kernel misreads such a name, or drops it, without a word."""
    path = tmp_path / "odd.step"
    path.write_bytes(named(written)(text))
    part = pk.nominal.load(path)
    number = re.search(rb"#(\d+) = ADVANCED_FACE\('left side'", text)[1].decode()
    assert read in part.face_names
    assert [note for note in part.notes if f"in #{number} ADVANCED_FACE:" in note] == list(part.notes)
    assert len(part.notes) == 1
    assert part21._plain(written.decode()).strip() == read


def test_escapes_that_are_closed_stay() -> None:
    r"""So do two backslashes, which stand for one: what follows is no escape."""
    for text in (rb"#1=A('\X2\00F4\X0\',2);", rb"#1=A('c\\X2\t \X2\00F400E9\X0\');", rb"#1=A('\S\o')"):
        assert escapes.closed(text) == (text, [])
    assert escapes.closed(rb"#1=A('\\');#2=B('\X2\00F4');")[0] == rb"#1=A('\\');#2=B('\X2\00F4\X0" + b"\\');"


def test_latin_1_in_a_name_is_read_or_left_out(text: bytes, tmp_path: Path) -> None:
    """Against the standard, but old systems write it."""
    path = tmp_path / "odd.step"
    path.write_bytes(named("côté".encode("latin-1"))(text))
    part = pk.nominal.load(path)
    np.testing.assert_allclose(part.bounds, [np.zeros(3), SIZE], atol=1e-9)
    assert all(name.isprintable() for name in part.face_names)
    part.face_names[0].encode("utf-8")


def test_marks_that_nobody_sees_are_shown_in_the_name_of_a_body(text: bytes, tmp_path: Path) -> None:
    r"""U+202E turns round the order of what is read after it."""
    path = tmp_path / "odd.step"
    path.write_bytes(sub(rb"PRODUCT\s*\(\s*'[^']*'\s*,\s*'[^']*'", rb"PRODUCT('a','\\X2\\202E\\X0\\abc'", text))
    assert pk.nominal.load(path, body="?abc").brep.bodies == ("?abc",)


def shells(text: bytes, *, closed: bool) -> bytes:
    """The body as a surface model without a solid."""
    if not closed:
        text = sub(rb"CLOSED_SHELL\('([^']*)',\((#\d+),", rb"OPEN_SHELL('\1',(", text)
    text = sub(rb"MANIFOLD_SOLID_BREP\('([^']*)',(#\d+)\)", rb"SHELL_BASED_SURFACE_MODEL('\1',(\2))", text)
    return text.replace(b"ADVANCED_BREP_SHAPE_REPRESENTATION", b"MANIFOLD_SURFACE_SHAPE_REPRESENTATION")


@pytest.mark.parametrize("closed", [True, False])
def test_a_surface_model_without_a_solid(text: bytes, tmp_path: Path, closed: bool) -> None:
    path = tmp_path / "shell.step"
    path.write_bytes(shells(text, closed=closed))
    with nullcontext() if closed else pytest.warns(pk.ProbekitWarning, match="the surface is open"):
        part = pk.nominal.load(path)
    np.testing.assert_allclose(part.bounds, [np.zeros(3), SIZE], atol=1e-9)
    assert len(part.face_names) == 5 + closed
    assert any("open" in note for note in part.notes) == (not closed)


def test_a_free_shell_beside_a_solid_is_said(tmp_path: Path) -> None:
    box = BRepPrimAPI_MakeBox(*SIZE).Shape()
    shell = es.parts(es.moved(box, (0, 0, 1), 0.0, (100.0, 0.0, 0.0)), es.TopAbs_ShapeEnum.TopAbs_SHELL)[0]
    path = es.write(es.compound([box, shell]), tmp_path / "both.step")
    part = pk.nominal.load(path)
    np.testing.assert_allclose(part.bounds, [np.zeros(3), SIZE], atol=1e-9)
    assert any("loose surfaces were left out" in note for note in part.notes)


def test_several_bodies_are_told_apart_or_taken_together(tmp_path: Path) -> None:
    boxes = [es.moved(BRepPrimAPI_MakeBox(*SIZE).Shape(), (0, 0, 1), 0.0, (0.0, 30.0 * k, 0.0)) for k in range(3)]
    path = es.write(es.compound(boxes), tmp_path / "three.step")
    with pytest.raises(pk.InputError, match=r"several parts, and none was chosen.*body = "):
        pk.nominal.load(path)
    part = pk.nominal.load(path, body="*")
    np.testing.assert_allclose(part.bounds, [np.zeros(3), (30.0, 80.0, 10.0)], atol=1e-9)
    assert len(part.face_names) == 18


@pytest.mark.parametrize("mirrored", [True, False])
def test_a_body_mirrored_into_its_place_is_refused(text: bytes, tmp_path: Path, mirrored: bool) -> None:
    """By an operator of a mapped item: the kernel turns such a body by 180 degrees about z and says nothing."""
    number = max(map(int, re.findall(rb"#(\d+)\s*=", text)))
    found = re.search(rb"#(\d+) = ADVANCED_BREP_SHAPE_REPRESENTATION\('([^']*)',\((#\d+),(#\d+)\),(#\d+)\)", text)
    assert found
    shape, axis, context = found[1], found[3], found[5]
    if b"AXIS2" not in re.search(rb"\n" + axis + rb" = (\w+)", text)[1]:
        axis = found[4]
    point, back, along, up, operator, whole, item, placed = (b"#%d" % (number + k) for k in range(1, 9))
    new = b"\n".join(
        [
            point + b" = CARTESIAN_POINT('',(0.,0.,0.));",
            back + b" = DIRECTION('',(-1.,0.,0.));",
            along + b" = DIRECTION('',(0.,%d.,0.));" % (1 if mirrored else -1),
            up + b" = DIRECTION('',(0.,0.,1.));",
            operator + b" = CARTESIAN_TRANSFORMATION_OPERATOR_3D('','',$,%s,%s,%s,1.,%s);" % (back, along, point, up),
            whole + b" = REPRESENTATION_MAP(%s,#%s);" % (axis, shape),
            item + b" = MAPPED_ITEM('',%s,%s);" % (whole, operator),
            placed + b" = SHAPE_REPRESENTATION('',(%s),%s);\n" % (item, context),
        ]
    )
    text = sub(rb"SHAPE_DEFINITION_REPRESENTATION\((#\d+),#" + shape + rb"\)",
               rb"SHAPE_DEFINITION_REPRESENTATION(\1,%s)" % placed, text)  # fmt: skip
    path = tmp_path / "mirrored.step"
    path.write_bytes(sub(rb"ENDSEC;\s*END-ISO", new + b"ENDSEC;\nEND-ISO", text))
    if mirrored:
        with pytest.raises(pk.InputError, match=r"mirror image.*found '1 mapped items.*a body of its own"):
            pk.nominal.load(path)
        return
    np.testing.assert_allclose(pk.nominal.load(path).bounds, [(-30.0, -20.0, 0.0), (0.0, 0.0, 10.0)], atol=1e-9)
