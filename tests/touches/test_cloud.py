"""Point clouds: PLY in its three formats and XYZ, whole or in chunks, and every way in which such a file is bad.

Files that trimesh writes (an independent writer of PLY) are read as well.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
import trimesh

import probekit as pk
from probekit.errors import InputError

POINTS = np.random.default_rng(4).normal(0.0, 30.0, (1000, 3)).astype(np.float32).astype(np.float64)


def whole(cloud: pk.touches.cloud.Cloud, rows: int = 200_000) -> np.ndarray:
    return np.concatenate(list(cloud.chunks(rows)))


def ply(form: str, points: np.ndarray, *, extra: str = "", body: bytes = b"", count: int | None = None) -> bytes:
    head = f"ply\nformat {form} 1.0\ncomment unit: mm\nelement vertex {len(points) if count is None else count}\n"
    head += f"property float x\nproperty float y\nproperty float z\n{extra}end_header\n"
    return head.encode() + (
        body or points.astype({"binary_little_endian": "<f4", "binary_big_endian": ">f4"}[form]).tobytes()
    )


@pytest.mark.parametrize("form", ["binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("rows", [200_000, 333])
def test_binary_ply(tmp_path, form, rows):
    (tmp_path / "a.ply").write_bytes(ply(form, POINTS))
    cloud = pk.touches.read_cloud(tmp_path / "a.ply")
    assert cloud.sentence == "a.ply (PLY, binary): 1000 points in mm"
    np.testing.assert_array_equal(whole(cloud, rows), POINTS)


@pytest.mark.parametrize("encoding", ["ascii", "binary_little_endian"])
def test_a_ply_of_another_writer_with_colours_and_facets(tmp_path, encoding):
    box = trimesh.creation.icosphere(radius=10.0)
    box.visual.vertex_colors = np.random.default_rng(1).integers(0, 255, (len(box.vertices), 4)).astype(np.uint8)
    (tmp_path / "a.ply").write_bytes(box.export(file_type="ply", encoding=encoding))
    cloud = pk.touches.read_cloud(tmp_path / "a.ply", unit="inch")
    np.testing.assert_allclose(whole(cloud, 50), 25.4 * box.vertices, atol=1e-4)


def test_ply_text_with_points_in_another_order_of_columns(tmp_path):
    rows = "\n".join(f"7 {p[2]!r} {p[0]!r} 0.5 {p[1]!r}" for p in POINTS.tolist())
    head = "ply\r\nformat ascii 1.0\r\nelement camera 1\r\nproperty float f\r\nelement vertex 1000\r\n"
    head += "property uchar red\r\n"
    head += "property double z\r\nproperty double x\r\nproperty float quality\r\nproperty double y\r\n"
    head += "element face 1\r\nproperty list uchar int vertex_indices\r\nend_header\r\n0.1\r\n"
    (tmp_path / "a.ply").write_text(head + rows.replace("\n", "\r\n") + "\r\n3 0 1 2\r\n", newline="")
    cloud = pk.touches.read_cloud(tmp_path / "a.ply", unit="mm")
    np.testing.assert_allclose(whole(cloud, 100), POINTS, rtol=1e-15)


@pytest.mark.parametrize("between", [" ", "\t", ",", ";", ", ", "   "])
@pytest.mark.parametrize("rows", [200_000, 100])
def test_xyz(tmp_path, between, rows):
    text = "".join(between.join(map(repr, p)) + between + "17\n" for p in POINTS.tolist())
    (tmp_path / "a.xyz").write_text("# a scan, unit: mm\n\n" + text + "// the end\n")
    np.testing.assert_allclose(whole(pk.touches.read_cloud(tmp_path / "a.xyz"), rows), POINTS, rtol=1e-15)


def test_numbers_of_the_points_are_no_coordinate(tmp_path):
    numbered = "".join(f"{k} {x!r} {y!r} {z!r}\n" for k, (x, y, z) in enumerate(POINTS.tolist(), 1))
    (tmp_path / "a.txt").write_text(numbered)
    with pytest.raises(pk.InputError, match=r"line 1: the first column counts the lines.*found '1, 2, 3, \.\.\.'"):
        whole(pk.touches.read_cloud(tmp_path / "a.txt", unit="mm"))


def test_points_without_a_position_stay(tmp_path):
    (tmp_path / "a.txt").write_text("1 2 3\nnan nan nan\n4 5 6")
    found = whole(pk.touches.read_cloud(tmp_path / "a.txt", unit="mm"))
    np.testing.assert_array_equal(found, [[1, 2, 3], [np.nan] * 3, [4, 5, 6]])


BAD_XYZ = {
    "a word": ("1 2 3\n4 x 6\n7 8 9\n", "line 2.*point 2 is not three numbers; found '4 x 6'"),
    "two numbers": ("1 2 3\n4 5 6\n\n# no\n7 8\n", "line 5.*point 3 is not"),
    "first line": ("X Y Z\n1 2 3\n", "line 1.*skip="),
    "decimal commas": ("# c\n1,5 2,5 3,5 17\n1,5 2,5 3,5 18\n", "line 2.*decimal commas"),
    "underscore": ("1_0 2 3\n", "found '1_0 2 3'"),
    "infinite": ("1 2 3\n1 inf 3\n", "line 2.*point 2"),
    "other digits": ("١ 2 3\n", "line 1.*point 1"),
    "empty": ("", "no points"),
    "comments only": ("# nothing\n", "no points"),
    "hexadecimal": ("0x1p3 2 3\n", "point 1"),
}


@pytest.mark.parametrize("what", BAD_XYZ)
def test_bad_text_is_told_by_line_and_point(tmp_path, what):
    text, said = BAD_XYZ[what]
    (tmp_path / "a.xyz").write_text(text, encoding="utf-8")
    cloud = pk.touches.read_cloud(tmp_path / "a.xyz", unit="mm")
    with pytest.raises(InputError, match=said):
        whole(cloud)


def test_a_bad_line_late_in_a_long_file_is_named(tmp_path):
    lines = [f"{k}.5 {k} {k}" for k in range(0, 100_000, 2)]
    lines[43_210] = "43210 oops 43210"
    (tmp_path / "a.xyz").write_text("# c\n" + "\n".join(lines))
    with pytest.raises(InputError, match=r"line 43212.*point 43211 is not.*found '43210 oops 43210'"):
        whole(pk.touches.read_cloud(tmp_path / "a.xyz", unit="mm"), 1000)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (ply("binary_little_endian", POINTS)[:-7], "cut short; found '999 points'; expected 1000"),
        (ply("ascii", POINTS, body=b"1 2 3\n4 5 6\n"), "cut short; found '2 points'; expected 1000"),
        (ply("ascii", POINTS, body=b"1 2 3\n4 five 6\n"), "line 10.*point 2 is not three numbers"),
        (b"ply\nformat ascii 1.0\n", "header .* is not whole"),
        (b"solid stl", "header .* is not whole"),
        (ply("binary_little_endian", POINTS).replace(b"binary_little", b"binary_middle"), "format .* is not known"),
        (ply("binary_little_endian", POINTS).replace(b"property float z\n", b""), "have no x, y, z"),
        (ply("binary_little_endian", POINTS).replace(b"float z", b"quad z"), "type in the PLY header"),
        (ply("binary_little_endian", POINTS).replace(b"element vertex", b"element verteks"), "has no points"),
        (ply("binary_little_endian", POINTS).replace(b"element vertex", b"elephant vertex"), "line 4.*not understood"),
        (ply("binary_little_endian", POINTS, extra="property list uchar int n\n"), "carry lists"),
        (ply("binary_little_endian", POINTS).replace(b"comment unit: mm\n", b""), "does not say its unit"),
    ],
)
def test_bad_ply_is_told(tmp_path, data, said):
    (tmp_path / "a.ply").write_bytes(data)
    with pytest.raises(InputError, match=said):
        whole(pk.touches.read_cloud(tmp_path / "a.ply"))


def test_units_are_told_once_and_alike(tmp_path):
    (tmp_path / "a.xyz").write_text("# unit: inch\n1 2 3\n")
    np.testing.assert_allclose(whole(pk.touches.read_cloud(tmp_path / "a.xyz")), [[25.4, 50.8, 76.2]])
    with pytest.raises(InputError, match="not the one that the file says"):
        pk.touches.read_cloud(tmp_path / "a.xyz", unit="mm")
    (tmp_path / "b.xyz").write_text("1 2 3\n")
    with pytest.raises(InputError, match=re.escape('expected unit="mm"')):
        pk.touches.read_cloud(tmp_path / "b.xyz")
    with pytest.raises(InputError, match="not a file"):
        pk.touches.read_cloud(tmp_path)
    with pytest.raises(InputError, match="fewer lines"):
        pk.touches.read_cloud(tmp_path / "b.xyz", unit="mm", skip=5)
