"""Mesh files: what trimesh writes is read back in millimetres; what no one should write is refused with a reason."""

from __future__ import annotations

import hashlib
import io
import json
import pickle
import struct
import tracemalloc
import warnings
import zipfile

import numpy as np
import pytest
import trimesh
from reference.meshes import box, l_shape, sphere

import probekit as pk
from probekit.errors import InputError, ProbekitWarning
from probekit.nominal import load
from probekit.nominal.load import FORMATS

SIZE = np.array([40.0, 40.0, 10.0])  # of the L [mm]
AREA = 2 * 975 + 160 * 10.0  # two caps of 40 x 15 + 25 x 15, an outline of 160 mm [mm2]


def l_mesh(scale=1.0):
    vertices, facets = l_shape()
    return trimesh.Trimesh(vertices * scale, facets, process=False)


def check_l(part, tolerance=1e-5):
    np.testing.assert_allclose(part.bounds, [np.zeros(3), SIZE], atol=tolerance)
    assert len(part.facets) == 20
    assert len(part.vertices) == 12
    assert len(part.face_names) == 8
    assert part.face_areas.sum() == pytest.approx(AREA, rel=1e-6)
    assert part.notes == ()


@pytest.mark.parametrize(
    ("suffix", "file_type"),
    [(".stl", "stl"), (".stl", "stl_ascii"), (".STL", "stl"), (".ply", "ply"), (".obj", "obj")],
)
@pytest.mark.parametrize(
    ("unit", "scale"), [("mm", 1.0), ("inch", 25.4), ("m", 1000.0), ("Inches", 25.4), ("um", 0.001)]
)
def test_formats_without_a_unit(tmp_path, suffix, file_type, unit, scale):
    """The factors are exact by definition (inch: 25.4 mm, ISO 80000-3)."""
    path = tmp_path / ("ell" + suffix)
    l_mesh(1 / scale).export(path, file_type=file_type)
    part = load(path, unit=unit)
    check_l(part)
    assert part.name == "ell"
    assert part.source == str(path)
    assert part.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert part.unit_source.startswith("given: ")
    assert load(path, unit=unit, name="left bracket").name == "left bracket"


@pytest.mark.parametrize("file_type", ["ascii", "binary_little_endian"])
def test_ply_encodings(tmp_path, file_type):
    path = tmp_path / "ell.ply"
    path.write_bytes(trimesh.exchange.ply.export_ply(l_mesh(), encoding=file_type.split("_")[0]))
    check_l(load(path, unit="mm"))


def test_obj_quads_negative_indices_and_groups(tmp_path):
    """A cube in four-cornered facets, some counted from the end, in two groups, with normals and a missing material."""
    corners = "".join(f"v {x} {y} {z}\n" for z in (0, 10) for y in (0, 10) for x in (0, 10))
    path = tmp_path / "cube.obj"
    path.write_text(
        f"# a cube\nmtllib none.mtl\no one\n{corners}vn 0 0 1\nusemtl grey\nf 1 3 4 2\nf 5 6 8 7\ng two\n"
        "f 1//1 2//1 6//1 5//1\nf 3 7 8 4\nf -8 -4 -2 -6\nf 2 4 8 6\n"
    )
    part = load(path, unit="mm")
    assert len(part.face_names) == 6
    assert part.face_areas.tolist() == pytest.approx([100.0] * 6)
    assert part.engine.feet(np.array([[5.0, 5, 12]])).distance[0] == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("unit", "scale"), [("millimeter", 1), ("inch", 25.4), ("centimeter", 10), ("meter", 1000), ("micron", 0.001)]
)
def test_3mf_brings_its_unit(tmp_path, unit, scale):
    """The units that the 3MF core specification lists for the attribute `unit` of <model>."""
    path = tmp_path / "ell.3mf"
    write_3mf(path, l_mesh(1 / scale), f'unit="{unit}" ')
    part = load(path)
    check_l(part, tolerance=1e-4)
    assert part.unit_source.startswith("3MF file: ")


def test_3mf_without_a_unit_is_in_millimetres(tmp_path):
    """3MF core specification: the default of the attribute `unit` is millimeter."""
    path = tmp_path / "ell.3mf"
    write_3mf(path, l_mesh(), "")
    check_l(load(path), tolerance=1e-4)


def test_3mf_as_trimesh_writes_it(tmp_path):
    path = tmp_path / "ell.3mf"
    mesh = l_mesh(1 / 25.4)
    mesh.units = "inch"
    mesh.export(path)
    declared = zipfile.ZipFile(path).read("3D/3dmodel.model").decode()
    part = load(path)
    expected = 25.4 if 'unit="inch"' in declared else 1.0
    np.testing.assert_allclose(np.ptp(part.bounds, axis=0), SIZE / 25.4 * expected, atol=1e-4)


def write_3mf(path, mesh, attribute):
    """A 3MF file by hand, after the core specification: one object, placed once, moved by nothing."""
    vertices = "".join(f'<vertex x="{x:.9f}" y="{y:.9f}" z="{z:.9f}"/>' for x, y, z in mesh.vertices)
    facets = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces)
    model = (
        f'<?xml version="1.0" encoding="UTF-8"?><model {attribute}xml:lang="en-US" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources><object id="1" type="model">'
        f"<mesh><vertices>{vertices}</vertices><triangles>{facets}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(
            "[Content_Types].xml",
            '<?xml version="1.0" encoding="UTF-8"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/'
            'content-types"><Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-'
            '3dmodel+xml"/></Types>',
        )
        archive.writestr(
            "_rels/.rels",
            '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
            'relationships"><Relationship Target="/3D/3dmodel.model" Id="rel0" Type="http://schemas.microsoft.com/'
            '3dmanufacturing/2013/01/3dmodel"/></Relationships>',
        )
        archive.writestr("3D/3dmodel.model", model)


def test_glb_is_in_metres(tmp_path):
    """glTF 2.0, section 3.4 "Coordinate System and Units": all linear distances are in metres."""
    path = tmp_path / "ell.glb"
    l_mesh(0.001).export(path)
    part = load(path)
    check_l(part)
    assert part.unit_source == "GLB file: m"


def test_glb_with_several_placed_meshes(tmp_path):
    """Positions of the scene's nodes are applied."""
    scene = trimesh.Scene()
    scene.add_geometry(l_mesh(0.001), transform=trimesh.transformations.translation_matrix([0.1, 0, 0]))
    scene.add_geometry(l_mesh(0.001), transform=trimesh.transformations.translation_matrix([0.3, 0, 0.05]))
    path = tmp_path / "two.glb"
    scene.export(path)
    part = load(path)
    np.testing.assert_allclose(part.bounds, [[100, 0, 0], [340, 40, 60]], atol=1e-4)
    assert len(part.face_names) == 16


@pytest.mark.parametrize("suffix", [".stl", ".ply", ".obj"])
def test_unit_must_be_said(tmp_path, suffix):
    path = tmp_path / ("ell" + suffix)
    l_mesh().export(path)
    with pytest.raises(InputError, match=rf'ell\{suffix}: the file does not state its unit; expected unit=.*unit="mm"'):
        load(path)


@pytest.mark.parametrize("unit", ["furlong", "", "25.4"])
def test_unknown_unit(tmp_path, unit):
    path = tmp_path / "ell.stl"
    l_mesh().export(path)
    with pytest.raises(InputError, match=rf"unknown unit of length; found '{unit}'; expected one of cm, foot, inch"):
        load(path, unit=unit)


def test_unit_conflict_warns(tmp_path):
    path = tmp_path / "ell.3mf"
    write_3mf(path, l_mesh(), 'unit="inch" ')
    with pytest.warns(ProbekitWarning, match=r"ell.3mf: the file says inch.*, but mm was given and is used"):
        part = load(path, unit="mm")
    check_l(part, tolerance=1e-4)
    write_3mf(path, l_mesh(), 'unit="millimeter" ')
    check_l(load(path, unit="mm"), tolerance=1e-4)  # they agree: no warning


@pytest.mark.parametrize(("scale", "size"), [(0.00316, "0.182 mm"), (3160.0, "1.82e.05 mm")])
def test_implausible_size_warns(tmp_path, scale, size):
    path = tmp_path / "ell.stl"
    l_mesh(scale).export(path)
    with pytest.warns(ProbekitWarning, match=rf"ell.stl: the part is {size} across.*given: mm\): check the unit"):
        load(path, unit="mm")


def test_faces_are_passed_on(tmp_path):
    path = tmp_path / "ell.stl"
    l_mesh().export(path)
    part = load(path, unit="mm", faces={"top": [5, 30, 10]}, angle=30)
    assert "top" in part.face_names


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("content", [b"", b"  \n\r\n \t"])
def test_empty_file(tmp_path, suffix, content):
    path = tmp_path / ("void" + suffix)
    path.write_bytes(content)
    with pytest.raises(InputError, match=rf"void\{suffix}: the model file is empty"):
        load(path, unit="mm")


def test_no_such_file_and_folder(tmp_path):
    with pytest.raises(InputError, match=r"none\.stl: the model cannot be read \(No such file"):
        load(tmp_path / "none.stl", unit="mm")
    (tmp_path / "dir.stl").mkdir()
    with pytest.raises(InputError, match=r"dir\.stl: the model cannot be read: this is not a file, but a folder"):
        load(tmp_path / "dir.stl", unit="mm")


@pytest.mark.parametrize("name", ["part.dxf", "part", "part.stl.zip"])
def test_unknown_suffix(tmp_path, name):
    with pytest.raises(
        InputError, match=r"not a model file that probekit can read; found .*expected one of \.stl, \.ply"
    ):
        load(tmp_path / name, unit="mm")


GARBAGE = {
    "prose": b"Dear colleague, please find the part attached.\nKind regards\n" * 3,
    "numbers": b"1.0 2.0 3.0\n4.0 5.0 6.0\n" * 20,
    "zeros": bytes(500),
    "noise": np.random.default_rng(1).integers(0, 256, 2000, dtype=np.uint8).tobytes(),
    "page": b"<!DOCTYPE html><html><body>404 not found</body></html>" * 4,
    "solid": b"solid gold, they said\n" * 10,
    "zip": b"PK\x03\x04" + bytes(100),
    "short": b"x",
    "ply": b"ply\nformat ascii 1.0\n",
    "glb": b"glTF\x02\x00\x00\x00\x14\x00\x00\x00" + bytes(8),
}


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("kind", GARBAGE)
def test_garbage(tmp_path, suffix, kind):
    path = tmp_path / ("junk" + suffix)
    path.write_bytes(GARBAGE[kind])
    with pytest.raises(InputError, match=rf"junk\{suffix}: (the {suffix[1:].upper()} file |the model )"):
        load(path, unit="mm")


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("part", [0.3, 0.7, 0.95])
def test_cut_short(tmp_path, suffix, part):
    """Never half a model in silence: a file cut short is refused, or at least says that the surface is open."""
    path = tmp_path / ("ball" + suffix)
    mesh = trimesh.Trimesh(*sphere(20.0, 3), process=False)
    mesh.units = "mm"
    mesh.export(path)
    path.write_bytes(path.read_bytes()[: int(part * path.stat().st_size)])
    if suffix == ".obj":  # text without an end mark: facets that are missing leave holes
        with pytest.raises((InputError, ProbekitWarning), match=r"the surface is open|no facets|cannot be parsed"):
            load(path, unit="mm")
    else:
        with pytest.raises(InputError, match=r"truncated|cannot be parsed"):
            load(path, unit="mm")


@pytest.mark.parametrize("cut", [9, 10, 40, 500, 1003])
def test_text_cut_short(tmp_path, cut):
    """Also where the cut falls between two facets."""
    path = tmp_path / "ell.stl"
    text = trimesh.exchange.stl.export_stl_ascii(l_mesh())
    path.write_text(text[:-cut])
    with pytest.raises(InputError, match=r'ell.stl: the STL file is truncated: .* starts with "endsolid"'):
        load(path, unit="mm")
    last = text.rindex("facet normal")
    path.write_text(text[:last])
    with pytest.raises(InputError, match=r"ell.stl: the STL file is truncated"):
        load(path, unit="mm")
    path = tmp_path / "ell.ply"
    lines = trimesh.exchange.ply.export_ply(l_mesh(), encoding="ascii").splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]))
    with pytest.raises(InputError, match=r"ell.ply: the PLY file is truncated; found '31 lines'; expected the 32 it"):
        load(path, unit="mm")


def test_ascii_stl_as_others_write_it(tmp_path):
    """Capitals, tabs, CRLF, two solids in one file (common practice, no source)."""
    text = trimesh.exchange.stl.export_stl_ascii(l_mesh())
    path = tmp_path / "ell.stl"
    path.write_bytes(text.upper().replace("\n", "\r\n").replace("  ", "\t").encode())
    check_l(load(path, unit="mm"))
    path.write_text(text + "\n" + trimesh.exchange.stl.export_stl_ascii(trimesh.Trimesh(*box(), process=False)))
    assert len(load(path, unit="mm").facets) == 32


@pytest.mark.parametrize("header", [b"solid made by a program", b"", b"\xff" * 80], ids=["solid", "spaces", "bytes"])
def test_binary_stl_headers(tmp_path, header):
    """The header may be anything, even "solid", the first word of the other kind of STL."""
    content = l_mesh().export(file_type="stl")
    path = tmp_path / "ell.stl"
    path.write_bytes(header.ljust(80)[:80] + content[80:])
    check_l(load(path, unit="mm"))
    path.write_bytes(header.ljust(80)[:80] + content[80:-70])
    with pytest.raises(InputError, match=r"ell.stl: the STL file (is truncated|cannot be parsed)"):
        load(path, unit="mm")


@pytest.mark.parametrize("header", [b"", b"solid"])
@pytest.mark.parametrize("claimed", [4_000_000_000, 2**32 - 1, 21])
def test_stl_that_claims_more_than_it_has(tmp_path, header, claimed):
    content = bytearray(header.ljust(80) + l_mesh().export(file_type="stl")[80:])
    struct.pack_into("<I", content, 80, claimed)
    path = tmp_path / "ell.stl"
    path.write_bytes(content)
    tracemalloc.start()
    with pytest.raises(InputError, match=r"ell.stl: the STL file (is truncated|cannot be parsed)"):
        load(path, unit="mm")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6, "memory was asked for on the word of the header"


@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian"])
@pytest.mark.parametrize("element", ["vertex", "face"])
def test_ply_that_claims_more_than_it_has(tmp_path, kind, element):
    content = trimesh.exchange.ply.export_ply(l_mesh(), encoding=kind.split("_")[0])
    count = {"vertex": b"12", "face": b"20"}[element]
    content = content.replace(
        b"element " + element.encode() + b" " + count, b"element " + element.encode() + b" 3000000000"
    )
    assert b"3000000000" in content
    path = tmp_path / "ell.ply"
    path.write_bytes(content)
    tracemalloc.start()
    with pytest.raises(InputError, match=r"ell.ply: the PLY file (cannot be parsed|is truncated)"):
        load(path, unit="mm")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6


@pytest.mark.parametrize("bad", [np.nan, np.inf])
@pytest.mark.parametrize("file_type", ["stl", "stl_ascii", "ply", "obj"])
def test_not_finite(tmp_path, bad, file_type):
    mesh = l_mesh()
    mesh.vertices[0, 2] = bad
    path = tmp_path / ("ell." + file_type[:3])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        mesh.export(path, file_type=file_type)
    with pytest.raises(
        InputError, match=r"ell\.\w+: (the model has facets whose corners are not finite|.*cannot be parsed)"
    ):
        load(path, unit="mm")


@pytest.mark.parametrize("kind", ["ascii", "binary"])
def test_ply_index_out_of_range(tmp_path, kind):
    mesh = l_mesh()
    facets = mesh.faces.copy()
    facets[3, 1] = 12
    header = b"ply\nformat ascii 1.0\nelement vertex 12\nproperty float x\nproperty float y\nproperty float z\n"
    header += b"element face 20\nproperty list uchar int vertex_indices\nend_header\n"
    if kind == "ascii":
        body = "\n".join([*(f"{x} {y} {z}" for x, y, z in mesh.vertices), *(f"3 {a} {b} {c}" for a, b, c in facets)])
        content = header + body.encode() + b"\n"
    else:
        content = header.replace(b"ascii", b"binary_little_endian") + mesh.vertices.astype("<f4").tobytes()
        content += b"".join(struct.pack("<B3i", 3, *row) for row in facets)
    path = tmp_path / "ell.ply"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"refers to a vertex that does not exist; found 'index 12'; expected 0 to 11"):
        load(path, unit="mm")


def test_obj_index_out_of_range(tmp_path):
    path = tmp_path / "bad.obj"
    path.write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n")
    with pytest.raises(InputError, match=r"bad\.obj: (the OBJ file cannot be parsed|a facet refers to a vertex)"):
        load(path, unit="mm")


def test_point_cloud(tmp_path):
    """A PLY of points only, as scanners write: there is nothing to project on."""
    path = tmp_path / "cloud.ply"
    path.write_bytes(trimesh.PointCloud(l_mesh().vertices).export(file_type="ply"))
    with pytest.raises(
        InputError, match=r"cloud.ply: the model has no facets; expected a mesh with at least one triangle"
    ):
        load(path, unit="mm")
    path = tmp_path / "points.obj"
    path.write_text("".join(f"v {x} {y} {z}\n" for x, y, z in l_mesh().vertices))
    with pytest.raises(InputError, match=r"points.obj: (the model has no facets|the OBJ file cannot be parsed)"):
        load(path, unit="mm")


def test_stl_without_facets(tmp_path):
    path = tmp_path / "none.stl"
    path.write_bytes(b"".ljust(84, b"\0"))
    with pytest.raises(InputError, match=r"none.stl: the model has no facets"):
        load(path, unit="mm")
    path.write_text("solid none\nendsolid none\n")
    with pytest.raises(InputError, match=r"none.stl: the model has no facets"):
        load(path, unit="mm")


def test_glb_that_asks_for_other_files(tmp_path):
    """A GLB whose buffer is elsewhere (a file or an address) is refused: nothing else is opened."""
    secret = tmp_path / "buffer.bin"
    secret.write_bytes(np.eye(3, dtype=np.float32).tobytes())
    tree = {
        "asset": {"version": "2.0"},
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"}],
        "bufferViews": [{"buffer": 0, "byteLength": 36}],
        "buffers": [{"byteLength": 36, "uri": str(secret)}],
    }
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    path = tmp_path / "away.glb"
    path.write_bytes(struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), len(text), 0x4E4F534A) + text)
    with pytest.raises(InputError, match=r"away.glb: the (GLB file cannot be parsed|model has no facets)"):
        load(path)


def test_xml_entities_in_3mf_are_not_opened(tmp_path):
    """An external entity names another file; its text must not find its way into a message or a name."""
    (tmp_path / "secret.txt").write_text("confidential")
    path = tmp_path / "ell.3mf"
    write_3mf(path, l_mesh(), 'unit="millimeter" ')
    source = zipfile.ZipFile(path)
    model = source.read("3D/3dmodel.model").decode()
    model = (
        model.replace(
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<?xml version="1.0"?><!DOCTYPE model [<!ENTITY e SYSTEM "file://{tmp_path}/secret.txt">]>',
        )
        .replace('xml:lang="en-US"', 'xml:lang="en-US" title="t"')
        .replace("<resources>", "<metadata name='n'>&e;</metadata><resources>")
    )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name in source.namelist():
            archive.writestr(name, model if name.endswith(".model") else source.read(name))
    path.write_bytes(buffer.getvalue())
    part = load(path)
    assert b"confidential" not in pickle.dumps(part)


def test_soup_of_separate_facets(tmp_path):
    """20 000 facets that share no corner: slow only in proportion, and said to be open."""
    rng = np.random.default_rng(2)
    corner = rng.uniform(0, 100, (20_000, 1, 3)) + rng.uniform(0, 1, (20_000, 3, 3))
    path = tmp_path / "soup.stl"
    trimesh.Trimesh(corner.reshape(-1, 3), np.arange(60_000).reshape(-1, 3), process=False).export(path)
    with pytest.warns(ProbekitWarning, match=r"the surface is open \(60000 border edges\)"):
        part = load(path, unit="mm")
    assert len(part.face_names) == 20_000


def test_html_of_a_model_is_escaped():
    part = pk.nominal.from_arrays(*box(), name="<script>", faces={"<b>top</b>": "face_1"})
    html = part._repr_html_()
    assert "<script>" not in html
    assert "<b>top" not in html
    assert "100.0 &times; 60.0 &times; 20.0 mm, 12 facets" in html
    assert repr(part) == "<Nominal '<script>': 12 facets, 6 faces>"


def test_an_implausible_size_is_noted_where_faces_are_listed(tmp_path, capsys):
    """Metres taken for millimetres: a part of 0.1 mm has faces like any other."""
    import trimesh

    from probekit.cli import main

    for name, size in (("tiny", 0.1), ("good", 100.0)):
        trimesh.creation.box((size, size / 2, size / 3)).export(tmp_path / f"{name}.stl")
        main(["faces", str(tmp_path / f"{name}.stl"), "--unit", "mm", "--to", str(tmp_path)])
        said = "".join(capsys.readouterr())
        assert ("note: the part is 0.117 mm across, which is implausible" in said) == (name == "tiny")
