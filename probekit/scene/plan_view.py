"""From a nominal and a plan to a scene: targets, the way from one to the next, fixtures, the probe."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..plan.access.poses import pose_frame
from ..plan.probe import PARTS
from . import colour, glyphs, surface
from .build import glyph_size
from .model import Legend, Lines, Scene, Solid, VerdictEntry
from .solids import dashed, flat_shaded, shade, sharp_edges
from .thinning import display_mesh

if TYPE_CHECKING:
    from ..nominal.model import Nominal
    from ..plan import Kinematics, Probe
    from ..plan.route.route import Route

__all__ = ["plan_scene", "style"]

_KEPT = (
    *("order", "touch", "feature", "face", "state", "pose", "approach_angle", "clearance", "critical", "reason"),
    *("tip_name", *TARGET, *NORMAL, "standoff", "overtravel"),
)
_TEXT = {
    "planned": "can be touched",
    "critical": "can be touched; named critical in the plan",
    "left out": "cannot be touched with this set-up; the table says why",
}
_DASHES = ((), (0.7, 0.3), (0.25, 0.25, 0.25, 0.25), (0.5, 0.2, 0.1, 0.2))
_PERIOD = 0.03  # of the dashes, as a part of the diagonal
_SHINE = {"ball": (52, 58, 70), "stem": (205, 208, 213), "body": colour.PROBE}


def plan_scene(
    nominal: Nominal,
    targets: pd.DataFrame,
    *,
    route: Route | None = None,
    probe: Probe | None = None,
    kinematics: Kinematics | None = None,
    fixtures: Sequence[Nominal] = (),
    at: object = None,
    title: str = "",
    scale: float | None = None,
    cache: Path | None = None,
) -> Scene:
    """Make the scene of planned touches that every view draws.

    Many parameters: route, probe, machine and fixtures are drawn as far as they are given.

    Parameters
    ----------
    nominal : Nominal
        The model of the part.
    targets : DataFrame
        The targets table; after `probekit.plan.reach` it says too what can be touched and from where.
    route : Route, optional
        Of these targets: then they are numbered in the order of touching, and the way is drawn.
    probe : Probe, optional
        Drawn touching a target.
    kinematics : Kinematics, optional
        Names the poses by the letters of the axes, and tells how a probe with several tips stands.
    fixtures : sequence of Nominal
        What holds the part.
    at : optional
        Id of the target at which the probe is drawn as long as none is chosen; the first that can be touched if None.
    title : str
        Heading; the name of the nominal if empty.
    scale : float, optional
        Size of the glyphs relative to the usual one.
    cache : Path, optional
        Folder of the cache (`probekit.cache.folder`), where the thinned picture of a very large mesh is looked for and
        kept.

    Returns
    -------
    Scene
        Its `sign` is the column ``state``: planned, critical or left out.

    Raises
    ------
    InputError
        If the targets lack a column, the route is of other targets, `scale` is not positive, or no target has the id
        `at`.
    """
    if scale is not None and not (np.isfinite(scale) and scale > 0):
        raise InputError("scale must be a positive number", found=scale)
    table = _ordered(targets, route)
    position, normal = array(table, TARGET), array(table, NORMAL)
    poses = route.poses if route is not None else tuple(targets.attrs.get("poses", ()))
    table["pose"] = _pose_words(table, poses, kinematics)
    if probe is not None and probe.tips and "tip" in table:
        table["tip_name"] = ["" if tip < 0 else probe.tip_name(int(tip)) for tip in table["tip"]]
    drawn = display_mesh(nominal.vertices, nominal.facets, nominal.facet_face, cache=cache, name=nominal.name)
    facets, origin, vertex_face = surface.split_faces(drawn.facets, drawn.facet_face)
    vertices = drawn.vertices[origin]
    normals = surface.smooth_normals(vertices, facets)
    size = glyph_size(nominal.diagonal, position, scale)
    period = _PERIOD * nominal.diagonal
    lines = (_probing(table, position, normal, probe), *_ways(table, route, period))
    solids = [_fixtures(fixtures)] if fixtures else []
    if probe is not None:
        solids.extend(_probe(probe, _motions(table, position, normal, probe, poses, kinematics)))
    row = _row_of(table, at, solids)
    return Scene(
        title=title or nominal.name,
        vertices=vertices.astype(np.float32),
        facets=facets,
        vertex_face=vertex_face,
        face_names=tuple(nominal.face_names),
        normals=normals.astype(np.float32),
        deviation=np.full(len(vertices), np.nan, dtype=np.float32),
        colours=shade(np.array(colour.PART), normals),
        edges=surface.borders(facets, origin),
        glyphs=glyphs.merge(position, normal, table["state"], size),
        anchor=position.astype(np.float32),
        direction=normal.astype(np.float32),
        touches=table[[c for c in _KEPT if c in table]],
        legend=_legend(table),
        captions=(*_captions(table, route, probe, row), *drawn.said),
        glyph_size=size,
        sign="state",
        lines=tuple(one for one in lines if len(one.rows)),
        solids=tuple(solids),
        at=row,
    )


def _ordered(targets: pd.DataFrame, route: Route | None) -> pd.DataFrame:
    """Targets in the order of touching, those left out last, with `state` and `order`."""
    for column in ("touch", "feature", "face", *TARGET, *NORMAL):
        if column not in targets:
            raise InputError("the targets table lacks a column", column=column)
    if route is None:
        able = targets["reachable"].to_numpy(bool) if "reachable" in targets else np.ones(len(targets), dtype=bool)
        table, order = targets.reset_index(drop=True), np.where(able, np.cumsum(able), np.nan)
    else:
        table = pd.concat([route.targets, route.left_out], ignore_index=True)
        if sorted(map(str, table["touch"])) != sorted(map(str, targets["touch"])):
            raise InputError("the route is not one of these targets", column="touch")
        able = np.arange(len(table)) < len(route.targets)
        order = np.where(able, np.arange(1, len(table) + 1), np.nan)
    named = table["critical"] if "critical" in table else pd.Series(False, index=table.index)
    critical = (named == 1).fillna(False).to_numpy(bool)
    state = np.where(able, np.where(critical, "critical", "planned"), "left out")
    return table.assign(order=order, critical=critical, state=state)


def _pose_words(
    table: pd.DataFrame, poses: Sequence[Sequence[float]], kinematics: Kinematics | None
) -> list[str] | np.ndarray:
    """Word of each target's pose: angles with the letters of their axes; nothing where there is no pose."""
    if "direction" not in table:
        return [""] * len(table)
    letters = [axis.letter for axis in kinematics.axes] if kinematics is not None else None

    def word(number: int) -> str:
        if not 0 <= number < len(poses):
            return "" if number < 0 else f"pose {number + 1}"
        if not len(poses[number]):
            return "upright"
        named = letters or [""] * len(poses[number])
        return " ".join(
            f"{letter}{angle:g}".replace("-", "\N{MINUS SIGN}")
            for letter, angle in zip(named, poses[number], strict=True)
        )

    return [word(int(number)) for number in table["direction"]]


def _probing(table: pd.DataFrame, position: np.ndarray, normal: np.ndarray, probe: Probe | None) -> Lines:
    """Along each normal the slow move of the ball's centre; a normal of two glyphs where its length is not known."""
    able = np.flatnonzero(table["state"] != "left out")
    if "standoff" in table and probe is not None:
        reach = table["standoff"].to_numpy(float) + _radius(table, probe)
        text = "the ball moves slowly along the normal; one for each touch"
    else:
        reach, text = np.full(len(table), 5.0), "outward normal of each target, 5 mm long"
    ends = np.stack([position, position + reach[:, None] * normal], axis=1)[able].reshape(-1, 3)
    return Lines("probing moves", text, ends.astype(np.float32), able.astype(np.int32), "#1b2330")


def _ways(table: pd.DataFrame, route: Route | None, period: float) -> list[Lines]:
    """One style per pose; the lift between two poses is left out."""
    if route is None:
        return []
    found: list[Lines] = []
    turns = [*np.flatnonzero(route.indexed).tolist(), len(route.targets)]
    for number, (first, last) in enumerate(itertools.pairwise(turns)):
        points, rows, here = [], [], None
        for row in range(first, last):
            way = list(route.ways[row])
            while row == first and way and way[0].kind == "rapid":
                here = way.pop(0).to
            for leg in (*way, *route.leaving[row]):
                if here is not None:
                    points += [here, leg.to]
                    rows.append(row)
                here = leg.to
            if not route.leaving[row]:
                here = tuple(route.starts[row])
        ink, dash = style(number)
        ends, owner = dashed(np.array(points).reshape(-1, 3), np.array(rows, dtype=int), dash, period)
        name = table["pose"].iloc[first]
        count = last - first
        text = f"{count} touches, no. {first + 1} to {last}" if count > 1 else f"1 touch, no. {last}"
        found.append(Lines(name, text, ends, owner, ink, dash))
    return found


def style(number: int) -> tuple[str, tuple[float, ...]]:
    """Colour and dash of the k-th pose: both differ from those of the one before, and the first 24 pairs differ."""
    inks = colour.LINE_COLOURS
    return colour.hex_of(inks[number % len(inks)]), _DASHES[(number + number // len(inks)) % len(_DASHES)]


def _fixtures(fixtures: Sequence[Nominal]) -> Solid:
    parts = [flat_shaded(one.vertices, one.facets, np.array(colour.FIXTURE)) for one in fixtures]
    return Solid(
        "fixtures",
        "what holds the part, as far as it was described: " + ", ".join(one.name for one in fixtures),
        np.concatenate([vertices for vertices, _ in parts]),
        np.concatenate([colours for _, colours in parts]),
        np.concatenate([sharp_edges(one.vertices, one.facets) for one in fixtures]),
        colour.hex_of(colour.FIXTURE),
        opacity=0.55,
    )


def _probe(probe: Probe, motions: np.ndarray) -> tuple[Solid, ...]:
    """Ball and stem, and the body, through which the part can be seen."""
    vertices, facets, part = probe.mesh()
    inks = np.array([_SHINE[name] for name in PARTS])
    ball, body = part == PARTS.index("ball"), part == PARTS.index("body")
    widest = max((diameter for _, diameter in probe.body), default=probe.stem_diameter)
    stylus = (
        f"{probe.name}: ball {probe.ball_diameter:g} mm, stem {probe.stem_diameter:g} mm, {probe.length:g} mm from the "
        "ball's centre to the body" + (f", {len(probe.tips)} further tips" if probe.tips else "")
    )
    rest = f"up to {widest:g} mm wide, {probe.tool_length:g} mm from the ball's centre to the spindle nose"
    return tuple(
        Solid(
            name,
            text,
            *flat_shaded(vertices, facets[which], inks[part[which]]),
            sharp_edges(vertices, facets[which & ~ball]),
            colour.hex_of(ink),
            opacity,
            motions,
        )
        for name, text, which, ink, opacity in (
            ("stylus", stylus, ~body, _SHINE["stem"], 1.0),
            ("probe body", rest, body, _SHINE["body"], 0.65),
        )
    )


def _radius(table: pd.DataFrame, probe: Probe) -> np.ndarray:
    """(n,) effective radius of the ball that touches each target [mm]."""
    tips = table["tip"].to_numpy(int) if "tip" in table else np.zeros(len(table), dtype=int)
    return np.array([probe.tip_radius(max(int(tip), 0)) for tip in tips])


def _motions(
    table: pd.DataFrame,
    position: np.ndarray,
    normal: np.ndarray,
    probe: Probe,
    poses: Sequence[Sequence[float]],
    kinematics: Kinematics | None,
) -> np.ndarray:
    """(n, 4, 4) from probe coordinates to the part frame, the ball touching the target; NaN where no pose serves."""
    count = len(table)
    direction = table["direction"].to_numpy(int) if "direction" in table else np.full(count, -1)
    if kinematics is not None and len(poses):
        frames = np.array([pose_frame(kinematics, pose) for pose in poses])[direction]
        frames[direction < 0] = np.nan
    elif "ti" in table:
        frames = _about(table[["ti", "tj", "tk"]].to_numpy(float))
    else:
        frames = np.broadcast_to(np.eye(3), (count, 3, 3)).copy()
    tips = table["tip"].to_numpy(int) if "tip" in table else np.zeros(count, dtype=int)
    offset = np.array([probe.offset(max(int(tip), 0)) for tip in tips]).reshape(-1, 3)
    motions = np.full((count, 4, 4), np.nan)
    motions[:, :3, :3] = frames
    motions[:, :3, 3] = position + _radius(table, probe)[:, None] * normal - np.einsum("nij,nj->ni", frames, offset)
    motions[:, 3] = [0.0, 0.0, 0.0, 1.0]
    motions[~np.isfinite(motions).all(axis=(1, 2))] = np.nan
    return motions


def _about(axis: np.ndarray) -> np.ndarray:
    """(n, 3, 3) right-handed frames whose last column is `axis` (n, 3); how they stand about it does not matter."""
    given = np.isfinite(axis).all(axis=1) & (np.linalg.norm(np.nan_to_num(axis), axis=1) > 0)
    frames = np.full((len(axis), 3, 3), np.nan)
    frames[given] = glyphs.frames(axis[given]).transpose(0, 2, 1)
    return frames


def _row_of(table: pd.DataFrame, at: object, solids: Sequence[Solid]) -> int | None:
    """Row of the target at which the probe stands."""
    if at is not None:
        ids = table["touch"].tolist()
        if at not in ids:
            raise InputError("no target has this id", column="at", found=at)
        return ids.index(at)
    standing = [one.motions for one in solids if one.motions is not None]
    shown = np.isfinite(standing[0][:, 0, 0]) if standing else np.zeros(len(table), dtype=bool)
    rows = np.flatnonzero(shown & (table["state"] != "left out").to_numpy())
    return int(rows[0]) if len(rows) else None


def _legend(table: pd.DataFrame) -> Legend:
    counts = table["state"].value_counts()
    known = "reachable" in table
    entries = tuple(
        VerdictEntry(
            word,
            colour.hex_of(colour.TARGET_COLOURS[word]),
            shape,
            _TEXT[word] if known else _TEXT[word].replace("can be touched", "its reach has not been checked yet"),
            int(counts.get(word, 0)),
        )
        for word, shape in glyphs.TARGET_SHAPES.items()
    )
    return Legend(1.0, False, (), colour.hex_of(colour.PART), (), entries)


def _ball(probe: Probe | None) -> str:
    """Whose way it is: of a star's balls, that of the one on the axis."""
    return "reference ball" if probe is not None and probe.tips else "ball"


def _captions(table: pd.DataFrame, route: Route | None, probe: Probe | None, at: int | None) -> tuple[str, ...]:
    lines = ["The part is drawn as its nominal model has it: nothing is measured yet."]
    if route is not None and len(route.targets):
        lines.append(
            f"Lines show the path of the {_ball(probe)}'s centre, each pose in a colour and dash of its own. Between "
            f"two poses it is lifted to program Z {route.height:.1f} mm before an axis turns; that lift is not drawn."
        )
    if probe is not None and at is not None:
        lines.append(
            f"The probe is drawn in contact, at the chosen target or else at touch {table['touch'].iloc[at]}; its "
            "shape is the one described, cables and lights of a real one are not."
        )
    if "clearance" in table:
        lines.append("Clearances hold for part and fixtures as described. What is not described was not checked.")
    return tuple(lines)
