"""From a nominal and a verdict to a scene."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT, FOOT_NORMAL, NORMAL, TARGET
from ..errors import InputError
from . import colour, glyphs, surface
from .model import Legend, Limits, Scene, VerdictEntry
from .thinning import display_mesh, map_off

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal.model import Nominal
    from ..plausibility.residuals import Residuals
    from ..verdict.influence import Influence
    from ..verdict.results import Verdict

__all__ = ["build", "glyph_size", "with_residuals"]

_KEPT = (
    *("touch", "feature", "face", "deviation", "verdict", "tolerance", "lower", "upper", "margin", "share"),
    *("u", "u_judged", "p_conform", "flag", "doubt", "reason", *TARGET, *NORMAL),
    *("x", "y", "z", *CONTACT, *FOOT, *FOOT_NORMAL),
)
_PLAIN = 0.01  # span of the colours where nothing tells of a size [mm]
# finer display facets, for smooth colours, stop at either of these
_FACETS_AT_MOST, _FACETS_MORE = 120_000, 40_000


def build(
    nominal: Nominal,
    verdict: Verdict,
    *,
    title: str = "",
    reach: float | None = None,
    scale: float | None = None,
    cache: Path | None = None,
) -> Scene:
    """Make the scene that every view draws.

    Parameters
    ----------
    nominal : Nominal
        The model of the part.
    verdict : Verdict
        The judged touches.
    title : str
        Heading; the name of the nominal if empty.
    reach : float, optional
        How far the colour of a touch reaches over its face [mm]; by default from the spacing of the touches there.
    scale : float, optional
        Size of the glyphs relative to the usual one; by default 1, less where touches lie close together.
    cache : Path, optional
        Folder of the cache (`probekit.cache.folder`), where the thinned picture of a very large mesh is looked for and
        kept.

    Returns
    -------
    Scene

    Raises
    ------
    InputError
        If `reach` or `scale` is not a positive number, or the verdict table lacks a column.
    """
    for name, value in (("reach", reach), ("scale", scale)):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} must be a positive number", found=value)
    table = verdict.table
    for column in ("touch", "feature", "verdict", "deviation", "face", "foot_x", "nx"):
        if column not in table:
            raise InputError("the verdict table lacks a column", column=column)
    touches = table[[c for c in _KEPT if c in table]].reset_index(drop=True)
    anchor, direction = _places(touches)
    deviation = touches["deviation"].to_numpy(dtype=float, na_value=np.nan)
    usable = np.isfinite(deviation) & np.isfinite(anchor).all(axis=1)

    rows_of = _rows_by_face(touches, usable, nominal.face_names)
    reaches = {
        face: reach or surface.reach_of_face(anchor[rows], float(nominal.face_areas[face]), nominal.diagonal)
        for face, rows in rows_of.items()
    }
    longest = np.full(len(nominal.face_names), np.inf)
    for face, far in reaches.items():
        longest[face] = far / 8
    drawn = display_mesh(nominal.vertices, nominal.facets, nominal.facet_face, cache=cache, name=nominal.name)
    fine, facets, facet_face = surface.cut_long_edges(
        drawn.vertices,
        drawn.facets,
        drawn.facet_face,
        longest,
        max(_FACETS_AT_MOST, len(drawn.facets) + _FACETS_MORE),
    )
    facets, origin, vertex_face = surface.split_faces(facets, facet_face)
    vertices = fine[origin]
    normals = surface.smooth_normals(vertices, facets)
    shown, value_at = np.full(len(vertices), np.nan), {}
    for face, rows in rows_of.items():
        value_at[face] = partial(_spread, anchor[rows], direction[rows], deviation[rows], reaches[face])
        here = vertex_face == face
        shown[here] = value_at[face](vertices[here], normals[here])
    said = drawn.said
    if drawn.thinned:
        said += (map_off(nominal, value_at, vertices, facets, vertex_face, shown),)

    legend = _legend(verdict, touches, deviation[np.isfinite(deviation)])
    size = glyph_size(nominal.diagonal, anchor, scale)
    return Scene(
        title=title or nominal.name,
        vertices=vertices.astype(np.float32),
        facets=facets,
        vertex_face=vertex_face,
        face_names=tuple(nominal.face_names),
        normals=normals.astype(np.float32),
        deviation=shown.astype(np.float32),
        colours=colour.diverging(shown / legend.span),
        edges=surface.borders(facets, origin),
        glyphs=glyphs.merge(anchor, direction, touches["verdict"], size),
        anchor=anchor.astype(np.float32),
        direction=direction.astype(np.float32),
        touches=touches,
        legend=legend,
        captions=(*_captions(legend, anchor), *said, *(one.sentence for one in verdict.unjudged)),
        glyph_size=size,
    )


def _spread(
    feet: np.ndarray, across: np.ndarray, known: np.ndarray, far: float, places: np.ndarray, normals: np.ndarray
) -> np.ndarray:
    """(n,) deviation at places (n, 3) with outward normals (n, 3), from what is known at feet of the same face."""
    at = surface.with_normals(places, normals, far)
    return surface.spread(at, surface.with_normals(feet, across, far), known, far)


def with_residuals(scene: Scene, residuals: Residuals | None, influence: Influence | None = None) -> Scene:
    """The scene with what the datum touches say of one another: columns of its touches, and sentences.

    Parameters
    ----------
    scene : Scene
    residuals : Residuals or None
        Of the touches that the alignment rests on.
    influence : Influence, optional
        What set-up and verdict would be without each of them.
    """
    if residuals is None:
        return scene
    ids, moved = residuals.touches, np.full(len(residuals.touches), np.nan)
    if influence is not None:
        by = dict(zip(influence.touches, influence.moved, strict=True))
        moved = np.array([by.get(one, np.nan) for one in ids])
    columns = {"datum_residual": residuals.values, "datum_ratio": residuals.ratios, "datum_moves": moved}
    touch = scene.touches["touch"]
    added = {name: touch.map(dict(zip(ids, values, strict=True))) for name, values in columns.items()}
    said = [residuals.sentence, *([] if influence is None else [influence.sentence])]
    lines = tuple(f"{one[:1].upper()}{one[1:]}." for one in said)
    return replace(scene, touches=scene.touches.assign(**added), captions=(*scene.captions, *lines))


def _columns(table: pd.DataFrame, names: tuple[str, ...]) -> np.ndarray:
    """(n, len(names)) float, NaN for a column that is not there."""
    missing = np.full(len(table), np.nan)
    return np.column_stack([table[n].to_numpy(dtype=float, na_value=np.nan) if n in table else missing for n in names])


def _places(touches: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) place and (n, 3) unit normal of each touch: the foot, else the target, else NaN."""
    foot, normal = _columns(touches, FOOT), _columns(touches, FOOT_NORMAL)
    target, aim = _columns(touches, TARGET), _columns(touches, NORMAL)
    has_foot = np.isfinite(foot).all(axis=1) & np.isfinite(normal).all(axis=1)
    anchor = np.where(has_foot[:, None], foot, target)
    direction = np.where(has_foot[:, None], normal, aim)
    length = np.linalg.norm(direction, axis=1)
    placed = np.isfinite(anchor).all(axis=1) & (length > 0)
    unit = direction / np.where(placed, length, 1.0)[:, None]
    return np.where(placed[:, None], anchor, np.nan), np.where(placed[:, None], unit, np.nan)


def _rows_by_face(touches: pd.DataFrame, usable: np.ndarray, face_names: tuple[str, ...]) -> dict[int, np.ndarray]:
    """Rows of the touches on each touched face."""
    names = touches["face"].to_numpy()
    found = {face: np.flatnonzero(usable & (names == name)) for face, name in enumerate(face_names)}
    return {face: rows for face, rows in found.items() if len(rows)}


def glyph_size(diagonal: float, anchor: np.ndarray, scale: float | None) -> float:
    """Half width of a glyph [mm]: 0.9 % of the part's diagonal, less where touches lie close together."""
    size = 0.009 * diagonal
    if scale is not None:
        return size * scale
    placed = anchor[np.isfinite(anchor).all(axis=1)]
    if len(placed) < 2:
        return size
    near = float(np.median(surface.cKDTree(placed).query(placed, k=2)[0][:, 1]))
    return float(np.clip(0.45 * near, 0.4 * size, size))


def _nice(value: float) -> float:
    """Return the next larger number of one or two plain digits."""
    power = 10.0 ** np.floor(np.log10(value))
    steps = np.array([1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10])
    return float(f"{power * steps[np.searchsorted(steps, value / power * (1 - 1e-9))]:.3g}")


def _least(verdict: Verdict, touches: pd.DataFrame) -> float:
    """Least span of the colours [mm] where no limits say it, so that rounding and noise get no strong ones.

    Twice the largest uncertainty; without one, a tenth of the narrowest tolerance; without that, 0.01 mm.
    """
    u = touches["u"].to_numpy(dtype=float, na_value=np.nan) if "u" in touches else np.zeros(0)
    if (u := u[np.isfinite(u) & (u > 0)]).size:
        return 2.0 * float(u.max())
    widths = [float(e.width) for e in verdict.evaluations if np.isfinite(e.width) and e.width > 0]
    return 0.1 * min(widths) if widths else _PLAIN


def _legend(verdict: Verdict, touches: pd.DataFrame, deviations: np.ndarray) -> Legend:
    limits = tuple(Limits(e.name, float(e.lower), float(e.upper)) for e in verdict.evaluations if e.judges_touches)
    widest = max((abs(v) for limit in limits for v in (limit.lower, limit.upper) if np.isfinite(v)), default=0.0)
    largest = float(np.abs(deviations).max()) if len(deviations) else 0.0
    wanted = (
        float(np.clip(largest, 1.25 * widest, 2.0 * widest)) if widest > 0 else max(largest, _least(verdict, touches))
    )
    span = _nice(wanted)
    values = np.linspace(-span, span, 33)
    counts = touches["verdict"].value_counts()
    return Legend(
        span=span,
        clipped=largest > span,
        stops=tuple((float(v), colour.hex_of(c)) for v, c in zip(values, colour.diverging(values / span), strict=True)),
        unknown=colour.hex_of(colour.UNKNOWN),
        limits=limits,
        verdicts=tuple(
            VerdictEntry(
                word,
                colour.hex_of(colour.VERDICT_COLOURS[word]),
                shape,
                glyphs.VERDICT_TEXT[word],
                int(counts.get(word, 0)),
            )
            for word, shape in glyphs.VERDICT_SHAPES.items()
        ),
    )


def _captions(legend: Legend, anchor: np.ndarray) -> tuple[str, ...]:
    lines = [
        colour.HUES,
        "Colours between the touches of a face are interpolated, not measured.",
        "Darker, hatched grey: no touch near.",
    ]
    if legend.clipped:
        lines.append(colour.BEYOND)
    lost = int((~np.isfinite(anchor).all(axis=1)).sum())
    if lost:
        lines.append(f"{lost} {'touch has' if lost == 1 else 'touches have'} no place on the part; see the table.")
    return tuple(lines)
