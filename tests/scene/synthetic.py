"""A synthetic part and verdict for the tests of views: a bumpy skin and a flat wall below one edge, invented here."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import Delaunay

from probekit.deviation import project
from probekit.nominal.model import Nominal
from probekit.tolerance import profile
from probekit.verdict import classify, guarded
from probekit.verdict.results import Verdict

WIDTH, GUARD = 0.1, 0.006
HOSTILE = "rib <img src=x onerror=window.hurt=1></script><script>window.hurt=2</script>"


def part(side: int = 24, size: float = 100.0) -> Nominal:
    """Return the nominal: face "skin" with 2 side^2 facets, face "wall" with 2 side long facets."""
    u, v = np.meshgrid(np.linspace(0, 1, side + 1), np.linspace(0, 1, side + 1), indexing="ij")
    z = 0.08 * size * np.sin(4.2 * u + 0.4) * np.cos(2.6 * v)
    top = np.column_stack([u.ravel() * size, v.ravel() * size * 0.7, z.ravel()])
    number = np.arange((side + 1) ** 2).reshape(side + 1, side + 1)
    a, b, c, d = (x.ravel() for x in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
    skin = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    rim, foot = number[:, 0], len(top) + np.arange(side + 1)
    below = top[rim] * [1, 1, 0] - [0, 0, 0.15 * size]
    wall = [np.column_stack([rim[:-1], foot[:-1], foot[1:]]), np.column_stack([rim[:-1], foot[1:], rim[1:]])]
    facets = np.vstack([skin, *wall])
    face = np.repeat([0, 1], [len(skin), 2 * side])
    return Nominal(np.vstack([top, below]), facets, face, ("skin", "wall"), name="bumpy patch")


def scattered(count: int, size: float = 100.0, seed: int = 5) -> Nominal:
    """Return the same surface by about 2 count facets without order, in two faces with a jagged border, and the wall.

    Points of uniform density, joined by Delaunay's rule: slivers, fans of many facets, no direction, no repetition.
    """
    rng, side = np.random.default_rng(seed), int(np.sqrt(count))
    t = np.linspace(0, 1, side)
    rim = [(t, 0 * t), (0 * t[1:] + 1, t[1:]), (t[:-1], 0 * t[:-1] + 1), (0 * t[1:-1], t[1:-1])]
    uv = np.concatenate([*(np.column_stack(one) for one in rim), 0.001 + 0.998 * rng.random((count, 2))])
    skin = Delaunay(uv).simplices
    (ax, ay), (bx, by) = ((uv[skin[:, k]] - uv[skin[:, 0]]).T for k in (1, 2))
    turn = ax * by - ay * bx
    skin = np.where((turn < 0)[:, None], skin[:, ::-1], skin)[np.abs(turn) > 1e-16]
    middle, (u, v) = uv[skin].mean(axis=1), uv.T
    z = 0.08 * size * np.sin(4.2 * u + 0.4) * np.cos(2.6 * v)
    top = np.column_stack([u * size, v * size * 0.7, z])
    face = np.where(middle[:, 0] > 0.5 + 0.1 * np.sin(7 * middle[:, 1]), 1, 0)
    low, foot = np.arange(side), len(top) + np.arange(side)
    wall = [np.column_stack([low[:-1], foot[:-1], foot[1:]]), np.column_stack([low[:-1], foot[1:], low[1:]])]
    below = top[low] * [1, 1, 0] - [0, 0, 0.15 * size]
    faces = np.concatenate([face, np.full(2 * side - 2, 2)])
    return Nominal(np.vstack([top, below]), np.vstack([skin, *wall]), faces, ("skin", "wing", "wall"), name="scattered")


def deviations(nominal: Nominal, count: int = 60, seed: int = 3) -> pd.DataFrame:
    """Return a deviations table: touches inside random facets, a smooth error with a gouge and a ridge, one miss."""
    rng = np.random.default_rng(seed)
    corner = nominal.vertices[nominal.facets]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    area = np.linalg.norm(normal, axis=1)
    facet = rng.choice(len(corner), size=count, p=area / area.sum())
    share = rng.dirichlet([2, 2, 2], size=count)
    foot, n = np.einsum("nc,ncx->nx", share, corner[facet]), normal[facet] / area[facet, None]
    deviation = 0.015 + 0.02 * np.sin(foot[:, 0] / 20) + rng.normal(0, 0.002, count)
    deviation += 0.11 * np.exp(-((foot[:, :2] - [75, 50]) ** 2).sum(axis=1) / 150)
    deviation -= 0.15 * np.exp(-((foot[:, :2] - [25, 45]) ** 2).sum(axis=1) / 90)
    face = np.array(nominal.face_names)[nominal.facet_face[facet]]
    place = foot + n * deviation[:, None]
    missed = np.arange(count) == count - 1
    place[missed] = np.nan

    def number(block, names):
        return dict(zip(names, np.array(block).T, strict=True))

    feature = np.where(face == "wall", HOSTILE, np.where(foot[:, 0] < 50, "front", "back"))
    feature[1] = "spare"
    touches = pd.DataFrame(
        {
            "touch": np.arange(1, count + 1),
            "feature": feature,
            **number(foot, ("x0", "y0", "z0")),
            **number(n, ("i", "j", "k")),
            **number(place, ("x", "y", "z")),
            "reason": np.where(missed, "overtravel reached & <b>no trigger</b>", ""),
            "face": face,
        }
    )
    touches.attrs = {
        "part": "patch <7>",
        "program": "O1234",
        "time": "2026-11-25 10:12",
        "unit": "mm",
        "recorded": "contact",
    }
    return project(touches, nominal)


def verdict(nominal: Nominal, count: int = 60, seed: int = 3) -> Verdict:
    """Return the judged touches: a profile on the skin, a lopsided one on the wall, touch 2 covered by neither."""
    table = deviations(nominal, count, seed)
    evaluations = (
        profile(table, WIDTH, features=["front", "back"], name="profile skin"),
        profile(table, WIDTH, outside=0.02, features=[HOSTILE], name="profile wall"),
    )
    return classify(table, *evaluations, rule=guarded(U=GUARD), u=GUARD / 2)
