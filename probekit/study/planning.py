"""The plan of a study: its tables ``[[plan]]`` become targets on the model.

Each table says ``how``, the name of a function of `probekit.plan`, or "touch_first" (`probekit.study.first`), and that
function's arguments by name. What spreads targets over faces keeps the radius of the ball from their edges, unless the
table gives a ``margin``. Functions that give curves take those of `probekit.plan.along` (n, spacing, denser, inset,
feature) beside their own. What needs random numbers takes ``seed`` (0 if not given). ``critical = true`` marks the
targets that may stop the program. Targets of a table without ``feature`` bear the name of their face.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import nominal, plan
from ..errors import InputError
from ..making import check_keys, made, takes
from .first import first_touches
from .posing import with_poses
from .readings import targets_read

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CURVES", "TABLES", "targets_from", "targets_of"]

#: What ``how`` may name: functions that give targets, and functions that give curves.
TABLES = (
    *("pick", "pick_ray", "plane", "rings", "pairs", "blue_noise", "poisson_disc", "farthest", "fill_gaps"),
    "touch_first",
    *("grid_uv", "grid_along", "scan"),
)
CURVES = ("section", "project", "boundary", "offset", "iso")

_SPREADS = ("blue_noise", "poisson_disc", "farthest")  # which keep clear of edges by themselves
_GRIDS = ("plane", "pairs", "grid_uv", "grid_along")  # their n is two numbers
_OFF = 0.1  # of a target of a file from the part, rounding and facets included [mm]
_OWN = ("how", "seed", "critical")
_NOT_FROM_FILE = ("nominal", "rng", "regions", "curves", "start")


def targets_of(
    wanted: list[dict[str, Any]],
    part: nominal.Nominal,
    *,
    file: str | Path,
    ball_radius: float,
    regions: tuple[plan.targets.regions.Region, ...] = (),
    tell: Callable[[], None] = lambda: None,
) -> pd.DataFrame:
    """Targets of all tables ``[[plan]]``, one after the other, those in keep-out places left out.

    Parameters
    ----------
    wanted : list of dict
        The tables.
    part : Nominal
    file : str or Path
        The study file, for errors.
    ball_radius : float
        Least distance of a target from the edge of its face [mm].
    regions : tuple of Region
        Where nothing may be touched: clamps.
    tell : callable
        Called after each table.

    Returns
    -------
    DataFrame
        The targets table, with a further column `critical`; what was left out stands in ``attrs["notes"]``.

    Raises
    ------
    InputError
        If a table names no way that there is, or arguments that this way does not take; and from the way itself.
    """
    tables = []
    for number, one in enumerate(wanted, 1):
        where = f"plan {number}"
        how = one.get("how")
        if how not in (*TABLES, *CURVES):
            raise InputError(
                "the table does not say how the targets are made",
                file=file,
                column=where,
                found=how,
                expected=", ".join(TABLES + CURVES),
            )
        rng = np.random.default_rng(one.get("seed", 0))
        arguments = {key: value for key, value in one.items() if key not in _OWN}
        if how == "touch_first":
            arguments = {"margin": ball_radius, **arguments}
            if "earlier" in arguments:
                arguments["earlier"] = str(Path(file).parent / str(arguments["earlier"]))
            table = _made(first_touches, arguments, part, rng, {"regions": regions}, file=file, where=where)
        elif how == "fill_gaps":
            arguments = {"margin": ball_radius, **arguments}
            before = (
                plan.keep_out(plan.join(*tables), part, ball_radius=ball_radius, regions=regions) if tables else None
            )
            table = _made(
                plan.fill_gaps, arguments, part, rng, {"start": before, "regions": regions}, file=file, where=where
            )
        elif how in _SPREADS:
            table = _spread(
                getattr(plan, how), arguments, part, one.get("seed", 0), ball_radius, file=file, where=where
            )
        else:
            table = _made(getattr(plan, how), arguments, part, rng, {}, curve=how in CURVES, file=file, where=where)
        tables.append(table.assign(critical=bool(one.get("critical", False))))
        tell()
    targets = plan.join(*tables)
    targets["feature"] = targets["feature"].where(targets["feature"] != "", targets["face"])
    return plan.keep_out(targets, part, ball_radius=ball_radius, regions=regions)


def _spread(
    way: Callable[..., Any],
    table: dict[str, Any],
    part: nominal.Nominal,
    seed: int,
    margin: float,
    *,
    file: str | Path,
    where: str,
) -> pd.DataFrame:
    """What spreads targets over faces: `margin` from their edges by default, unless no face is wide enough for it.

    `targets_of` drops what is nearer than that, and then says so; as many as are asked for are placed where they stay.
    """
    if "margin" not in table:
        try:
            clear = {**table, "margin": margin}
            return _made(way, clear, part, np.random.default_rng(seed), {}, file=file, where=where)
        except InputError:
            pass  # too narrow: all are dropped, with that reason; another fault comes up again
    return _made(way, table, part, np.random.default_rng(seed), {}, file=file, where=where)


def targets_from(file: str | Path, part: nominal.Nominal) -> pd.DataFrame:
    """The targets of a plan file, on the surface of the part; they keep their numbers where those are whole.

    Parameters
    ----------
    file : str or Path
        With touch, feature, x0, y0, z0, i, j, k, as `probekit plan` and `probekit inspect` write it; with angle_a, ...
        each is touched in that pose.
    part : Nominal

    Raises
    ------
    InputError
        If it cannot be read, holds no touch, or its targets do not lie on the part.
    """
    wanted = targets_read(file)
    if not len(wanted):
        raise InputError("the plan holds no touch", file=file)
    points = wanted[["x0", "y0", "z0"]].to_numpy(dtype=float)
    known = wanted["face"].isin(part.face_names).all() if "face" in wanted else False
    face = wanted["face"].map(part.face_index).to_numpy() if known else None
    made = plan.place(part, points, face=face)
    off = np.linalg.norm(made[["x0", "y0", "z0"]].to_numpy() - points, axis=1)
    if off.max() > _OFF:
        row = int(off.argmax())
        raise InputError(
            "a target of the plan does not lie on the part",
            file=file,
            found=f"touch {wanted['touch'].iloc[row]}, {off[row]:.3f} mm away",
            expected=f"within {_OFF:g} mm: the plan of this part, in its part frame",
        )
    made["feature"] = wanted["feature"].to_numpy(dtype=object)
    if wanted["touch"].dtype.kind in "iu" and wanted["touch"].is_unique and (wanted["touch"] > 0).all():
        made["touch"] = wanted["touch"].to_numpy()
    marked = wanted["critical"].map(str).str.lower() == "true" if "critical" in wanted else False
    return with_poses(made.assign(critical=marked), wanted)


def _made(
    way: Callable[..., Any],
    table: dict[str, Any],
    part: nominal.Nominal,
    rng: np.random.Generator,
    further: dict[str, Any],
    *,
    curve: bool = False,
    file: str | Path,
    where: str,
) -> pd.DataFrame:
    """Call one way with what it takes of the table; along its curves if it gives curves."""
    own, along = takes(way), takes(plan.along) if curve else {}
    known = dict.fromkeys((key for key in (*own, *along) if key not in _NOT_FROM_FILE), False)
    check_keys(table, known, where, file=file, what=f"{way.__name__} has no such key")
    if "n" in table and isinstance(table["n"], list) != (way.__name__ in _GRIDS):
        what, shape = ("one number", "n = 40") if isinstance(table["n"], list) else ("two numbers", "n = [5, 3]")
        wrong = f"{way.__name__} needs {what}"
        raise InputError(wrong, file=file, column=f"{where}.n", found=table["n"], expected=f"such as {shape}")
    table = {key: _axis(one, file, f"{where}.axis") if key == "axis" else one for key, one in table.items()}
    given = {"nominal": part, **further, **({"rng": rng} if "rng" in own else {})}
    result = made(way, {key: table[key] for key in table if key in own}, where, file=file, given=given)
    if not curve:
        return result
    given = {"nominal": part, "curves": result}
    return made(plan.along, {key: table[key] for key in table if key not in own}, where, file=file, given=given)


def _axis(given: Any, file: str | Path, where: str) -> plan.Axis:
    expected = "{point = [x, y, z], direction = [x, y, z], radius = r}"
    if not isinstance(given, dict) or set(given) != {"point", "direction", "radius"}:
        raise InputError("the axis cannot be read", file=file, column=where, found=given, expected=expected)
    direction = np.asarray(given["direction"], dtype=float)
    return plan.Axis(np.asarray(given["point"], float), direction / np.linalg.norm(direction), float(given["radius"]))
