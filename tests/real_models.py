"""The real models in tests/models, unpacked, and points that the CAD kernel finds on their faces."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np

__all__ = ["COUNTS", "NAMES", "surface_points", "unpack"]

_FOLDER = Path(__file__).parent / "models"
NAMES = tuple(sorted(path.name.removesuffix(".stp.gz") for path in _FOLDER.glob("*.stp.gz")))


def _counts() -> dict[str, dict[str, str]]:
    with (_FOLDER / "ap242_counts.csv").open(encoding="utf-8") as stream:
        return {row["model"]: row for row in csv.DictReader(line for line in stream if not line.startswith("#"))}


#: Model -> kind of record -> how many there are, by a search in the text.
COUNTS = _counts()


def unpack(name: str, folder: Path) -> Path:
    """The model's STEP file, in a folder of the test."""
    path = folder / f"{name}.stp"
    path.write_bytes(gzip.decompress((_FOLDER / f"{name}.stp.gz").read_bytes()))
    return path


def surface_points(path: Path, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) on faces of the solids of a STEP file, and outward normals, as the kernel alone evaluates them."""
    import exact_shapes as es
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.BRepTools import BRepTools
    from OCP.gp import gp_Pnt, gp_Pnt2d, gp_Vec
    from OCP.IntTools import IntTools_FClass2d
    from OCP.TopAbs import TopAbs_Orientation, TopAbs_State
    from OCP.TopoDS import TopoDS

    faces = [TopoDS.Face(f) for solid in es.parts(es.read(path), es.SOLID) for f in es.parts(solid, es.FACE)]
    points, normals = [], []
    while len(points) < count:
        face = faces[rng.integers(len(faces))]
        u0, u1, v0, v1 = BRepTools.UVBounds_s(face)
        u, v = float(rng.uniform(u0, u1)), float(rng.uniform(v0, v1))
        if IntTools_FClass2d(face, 1e-7).Perform(gp_Pnt2d(u, v), True) != TopAbs_State.TopAbs_IN:
            continue
        point, su, sv = gp_Pnt(), gp_Vec(), gp_Vec()
        BRepAdaptor_Surface(face, True).D1(u, v, point, su, sv)
        normal = su.Crossed(sv)
        if normal.Magnitude() < 1e-9:
            continue
        sign = -1.0 if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED else 1.0
        points.append(point.Coord())
        normals.append(np.array(normal.Coord()) / normal.Magnitude() * sign)
    return np.array(points), np.array(normals)
