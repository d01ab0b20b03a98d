"""Dense scans: points of a cloud in a file against a nominal, all the way to the numbers and the points to show.

    python tests/benchmarks/bench_scan.py [--quick]

Prints one line per number: time and peak memory of this process for 5 million points against 1 million facets from a
binary PLY, 1 million from text, and 5 million against the exact surfaces of the demo. At most 60 s and 4 GB are
allowed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.timing import cpu_seconds

import probekit as pk

ROOT = Path(__file__).parents[2]


def bumpy(facets: int) -> pk.nominal.Nominal:
    """A hilly plate of so many facets, invented."""
    n = int(np.sqrt(facets / 2)) + 1
    x, y = np.meshgrid(np.linspace(0, 300, n), np.linspace(0, 300, n), indexing="ij")
    z = 8 * np.sin(x / 25) * np.cos(y / 31)
    k = np.arange(n * n).reshape(n, n)
    a, b, c, d = k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel()
    return pk.nominal.from_arrays(
        np.column_stack([x.ravel(), y.ravel(), z.ravel()]),
        np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]),
    )


def cloud(part: pk.nominal.Nominal, points: int, path: Path, text: bool) -> None:
    """Points on the facets, with noise, written in pieces."""
    rng = np.random.default_rng(1)
    corners = part.vertices[part.facets]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    ends = np.cumsum(area) / area.sum()
    with path.open("wb") as stream:
        if not text:
            head = f"ply\nformat binary_little_endian 1.0\ncomment unit: mm\nelement vertex {points}\n"
            stream.write((head + "property float x\nproperty float y\nproperty float z\nend_header\n").encode())
        for k in range(0, points, 250_000):
            n = min(250_000, points - k)
            facet = np.searchsorted(ends, rng.random(n)).clip(0, len(corners) - 1)
            made = np.einsum("ij,ijk->ik", rng.dirichlet((1, 1, 1), n), corners[facet]) + rng.normal(0, 0.02, (n, 3))
            if text:
                np.savetxt(stream, made, fmt="%.4f")
            else:
                stream.write(made.astype("<f4").tobytes())


def one(kind: str, points: int, facets: int, text: bool) -> None:
    """In a process of its own, so that its memory is that of the scan."""
    import psutil

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("a.xyz" if text else "a.ply")
        part = bumpy(facets) if kind == "facets" else pk.nominal.load(ROOT / "data" / "foil" / "foil.step", cache=True)
        cloud(part, points, path, text)
        part = bumpy(facets) if kind == "facets" else part
        start, cpu = time.perf_counter(), cpu_seconds()
        found = pk.deviation.scan(
            pk.touches.read_cloud(path, unit="mm"), pk.deviation.Projection(part, max_distance=1.0)
        )
        took, used = time.perf_counter() - start, cpu_seconds() - cpu
    about = psutil.Process().memory_info()
    peak = getattr(about, "peak_wset", None)
    if peak is None:
        import resource  # where there is no count of the peak by the library for processes

        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    what = (
        f"{points / 1e6:g} M points, {'text' if text else 'binary'}, {len(part.facets)} facets" + " exact" * part.exact
    )
    print(f"{what:<52} {took:6.1f} s ({used:.1f} s CPU), peak {peak / 1e9:.2f} GB")
    print(f"  {found.sentence}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a fiftieth of it")
    parser.add_argument("--one", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        kind, points, facets, text = options.one
        one(kind, int(points), int(facets), text == "text")
        return
    many, facets = (100_000, 20_000) if options.quick else (5_000_000, 1_000_000)
    for kind, points, text in (("facets", many, "binary"), ("facets", many // 5, "text"), ("exact", many, "binary")):
        command = [sys.executable, __file__, "--one", kind, str(points), str(facets), text]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()
