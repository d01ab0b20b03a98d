"""Thinned pictures that are kept between runs: the same picture, made once; whatever else lies there is not drawn."""

from __future__ import annotations

import importlib
import json
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from scene import synthetic

from probekit import cache, report, scene
from probekit.nominal import Nominal
from probekit.scene import thinned, thinning

EVERY = ("vertices", "facets", "facet_face")


@pytest.fixture(scope="module")
def nominal() -> Nominal:
    return synthetic.scattered(1200)


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How often a mesh was thinned."""
    found, make = [], thinning._thinned
    monkeypatch.setattr(thinning, "_thinned", lambda *given: found.append(1) or make(*given))
    return found


def drawn(nominal: Nominal, place: Path | None, *, left: int = 1800, **changes: np.ndarray) -> thinning.DisplayMesh:
    mesh = {name: getattr(nominal, name) for name in EVERY} | changes
    return thinning.display_mesh(**mesh, whole=2000, left=left, cache=place, name=nominal.name)


def same(one: thinning.DisplayMesh, other: thinning.DisplayMesh) -> bool:
    arrays = [(getattr(one, name), getattr(other, name)) for name in EVERY]
    alike = all(a.dtype == b.dtype and a.tobytes() == b.tobytes() and a.shape == b.shape for a, b in arrays)
    return alike and (one.said, one.thinned) == (other.said, other.thinned)


def test_the_second_time_it_is_the_same_and_not_made_again(nominal, made, tmp_path):
    without = drawn(nominal, None)
    assert without.thinned
    first, second = drawn(nominal, tmp_path), drawn(nominal, tmp_path)
    assert len(made) == 2
    assert same(without, first)
    assert same(first, second)
    assert second.vertices.flags.writeable
    assert [one.label for one in cache.contents(tmp_path)] == ["thinned picture of scattered"]


def test_another_mesh_or_another_aim_is_made_of_its_own(nominal, made, tmp_path):
    moved, turned, named = nominal.vertices.copy(), np.roll(nominal.facets, 1, axis=1), nominal.facet_face + 1
    moved[7, 2] = np.nextafter(moved[7, 2], 1e9)
    for change in ({}, {"vertices": moved}, {"facets": turned}, {"facet_face": named}, {"left": 1900}):
        drawn(nominal, tmp_path, **change)
    assert len(made) == 5


def test_that_a_mesh_cannot_be_thinned_is_kept_too(nominal, made, tmp_path):
    rough = nominal.vertices + np.random.default_rng(2).normal(0, 0.5, nominal.vertices.shape)
    first, second = (drawn(nominal, tmp_path, vertices=rough) for _ in range(2))
    assert len(made) == 1
    assert same(first, second)
    assert second.facets is nominal.facets


def damaged(content: bytes) -> dict[str, bytes]:
    """Contents with the right checksum that nobody wrote here."""
    head, _, raw = content.partition(b"\n")
    about = json.loads(head)
    v, f = about["vertices"], about["facets"]

    def with_number(at: int, value: bytes) -> bytes:
        return head + b"\n" + raw[:at] + value + raw[at + 8 :]

    def said(**changes: object) -> bytes:
        return json.dumps(about | changes).encode() + b"\n" + raw

    return {
        "empty": b"",
        "no end of the line": content[:20],
        "no JSON": b"mesh\n" + raw,
        "a list": b"[1, 2]\n" + raw,
        "nested": b"[" * 390 + b"\n" + raw,
        "short": content[:-8],
        "long": content + bytes(8),
        "more vertices than there are": said(vertices=v + 1),
        "vertices less, facets more": said(vertices=v - 4, facets=f + 3),
        "a negative count": said(vertices=-v),
        "a count that is no integer": said(facets=float(f)),
        "no distance": said(off=None),
        "a distance that is no number": said(off=float("nan")),
        "a vertex that is no number": with_number(0, np.float64(np.nan).tobytes()),
        "a facet of a vertex that is not there": with_number(24 * v, np.int64(v).tobytes()),
        "a negative facet": with_number(24 * v, np.int64(-1).tobytes()),
        "a face that is not there": with_number(24 * (v + f), np.int64(99).tobytes()),
    }


def test_what_nobody_wrote_here_is_made_anew(nominal, made, tmp_path):
    first = drawn(nominal, tmp_path)
    name = cache.contents(tmp_path)[0].path.stem
    good = bytes(cache.fetch(name, tmp_path))
    for count, (what, content) in enumerate(damaged(good).items(), start=2):
        assert cache.keep(name, "", [content], tmp_path) == ""
        assert same(drawn(nominal, tmp_path), first), what
        assert len(made) == count, what
        assert bytes(cache.fetch(name, tmp_path)) == good, what


def test_a_flipped_bit_is_made_anew(nominal, made, tmp_path):
    first, path = drawn(nominal, tmp_path), cache.contents(tmp_path)[0].path
    data = path.read_bytes()
    path.write_bytes(data[:5000] + bytes([data[5000] ^ 1]) + data[5001:])
    assert same(drawn(nominal, tmp_path), first)
    assert len(made) == 2
    assert path.read_bytes() == data


def test_a_folder_that_cannot_be_written_is_no_obstacle(nominal, tmp_path):
    (tmp_path / "file").write_text("")
    assert same(drawn(nominal, tmp_path / "file" / "below"), drawn(nominal, None))


def test_another_version_of_what_thins_is_not_used(nominal, made, tmp_path, monkeypatch):
    drawn(nominal, tmp_path)
    monkeypatch.setattr(thinned, "installed_version", lambda _name: "0")
    drawn(nominal, tmp_path)
    assert len(made) == 2


def test_the_page_has_the_same_bytes(nominal, made, tmp_path, monkeypatch):
    building, judged = importlib.import_module("probekit.scene.build"), synthetic.verdict(nominal, 20)
    monkeypatch.setattr(building, "display_mesh", partial(thinning.display_mesh, whole=2000, left=1800))

    def page(name: str, place: Path | None) -> bytes:
        return report.page(scene.build(nominal, judged, cache=place), judged, to=tmp_path / name).read_bytes()

    without = page("without.html", None)
    assert page("first.html", tmp_path / "cache") == page("second.html", tmp_path / "cache") == without
    assert len(made) == 2
