"""What a study.toml may say, and clear errors for what it may not.

::

    [part]            model = "foil.step"; name, unit, angle, deflection, body; temperature [deg C] and
                      expansion_um_per_m_c: touches are corrected to 20 degrees; without_kernel = "other.toml": study
                      to run in its place where the CAD kernel that STEP needs is not installed;
                      faces = {name = [x, y, z] or "face_3" or "colour #rrggbb" or a list of these}, in model
                      coordinates; body: of a STEP file with several, by name or path, such as "Vice/Jaw_2", or "*";
                      frame = ["face", "face", "face"] (datum faces in order), or a coordinate system of the file
    [about]           part_number, serial, order, operator, machine, date, temperature [deg C]: who, what and when,
                      for pages and tables; a header of the results file (`# serial: 17`) comes before it
    [machine]         translation = [x, y, z], rotation = [rx, ry, rz]: where the part frame lies in the coordinates
                      of the results file, if they are not the part frame's own (rotation vector in degrees);
                      targets are in the part frame always. To plan and program: axes = [{letter, moves, point,
                      limits, direction, sense}] (`probekit.plan.RotaryAxis`), gauge, travel = [[low, high], x 3]
    [touches]         file = "run.csv"; plan = "plan.csv": the targets that were planned, if not those of [[plan]];
                      with a plan touch, x, y, z are enough; for other text: columns or pattern, unit, recorded,
                      decimal, separator, skip, ...; of a control: format = "parameters" (those that the program
                      filled), or a log with coordinates = "program", or "machine" with work_offset = [X, Y, Z];
                      both with moves = "results/moves.csv", tool_length; .qif and .dmo (DMIS) say all that
    [stylus]          ball_diameter; effective_radius, or qualification = {file = "sphere.csv", diameter, artefact =
                      "sphere" or "ring", degree} (`probekit.fit.qualify`; file as in [touches]); stem_diameter, length;
                      to plan: body = [[height, diameter], ..], tool_length, tips, hub, straight, name,
                      orientation = angle or "by hand" (`probekit.plan.Probe`)
    [[plan]]          how = "blue_noise", "rings", "section", ...: a function of `probekit.plan`, or "touch_first":
                      where earlier parts (earlier = a file as in [surface], width of the zone) say that a touch tells
                      most; and its arguments by name (feature: that of the face, if not given); seed;
                      critical = true for touches that may stop the program
    [reach]           poses = [[a, c], ..] or step, tilt (`probekit.plan.poses`); margin, max_angle, standoff,
                      overtravel, height; fixtures = ["vice.stl"]; clamps = [{kind = "box", low, high}], cylinder, ball
    [pace]            rapid, positioning, touch [mm/min], per_touch, per_index [s], rotary (`probekit.plan.Pace`)
    [[phase]]         parts of a program that decides: name, features touched in it (of the last one all others);
                      estimate = [{name, kind = "height", "middle" or "angle", features, direction, spread, along,
                      limit}]: what is reckoned after it, and how far its touches may disagree (`Asked`); to = "G55",
                      limit [mm]: the shifted copy of the work offset, and the largest shift; again: how often its
                      touches are repeated at most while they disagree; set_up, of the first one: the largest set-up
                      error [mm]; after = "OPERATION 4", occurrence, not of the first one: where in the milling
                      program it is touched, if not directly after the phase before it; recut = {operation, by,
                      allowed, limit, to, occurrence}: an operation run again, lower by what is left (`CutAgain`)
    [program]         tool (not for DMIS), offset, dialect, work_offset, name, suffix, warm_up, stop_outside = [low,
                      high]; milling = "milling.nc", after = "OPERATION 4", "T4", 120 or "start", occurrence, lift,
                      clearance: where the probing stands in the milling program; how each touch is
                      made: first_feed and back (a first, fast touch, and the way back after it), confirm (limit of
                      the first touch of all), near_feed and near (slow on the last mm of an approach:
                      500 and 5 where none watches it); agree: limit of one place in two poses, made first
    [simulate]        seed; model, offset (or {face = mm}), hills = [{centre, radius, height, normal}], translation,
                      rotation: how the part was made and clamped; home; errors = [{kind = "Repeatability", sigma}];
                      clamps, fixtures: as they really stand, each in place of those of [reach]; stock
    [deviation]       compensate, along, normal, named, max_distance, ambiguity; allowance = 0.5 or {face = 0.5}
    [[datum]]         letter, kind (`probekit.fit.Datum`), features; simulator, boundary = "RMB", ["MMB", 12.0] or
                      ["LMB", 12.4] (of a pattern a size for all or for each), material, orientation_only,
                      translation = [1, 0, 0], targets = [{name, point, to, radius}], nominal = {point, ...}. What a
                      boundary or translation is: it counts only where a reference writes "D(M)", "D(L)" or "D(>)"
    [alignment]       features, method, free, pivot; or datums = ["A", "B(M)", "C"] (in order of precedence; B without
                      (M) is at RMB, here as in tolerances), free, pivot;
                      the whole table may be left out: no alignment
    [[tolerance]]     kind ("profile" by default: a key of `tolerance.spec.KINDS`) and the attributes of its class,
                      such as width, name, features, between = {z = [10, 60]}, datums = ["A", "B"]; each = true makes
                      one of each feature; refining = {width, free, ...} the lower segment of a composite one.
                      Or kind = "checks:waviness", a function in checks.py beside the study: its code is run
    [[cutter]]        tool, operation, faces that they cut last; radius of the ball; scatter of what it leaves (standard
                      deviation, 0.005 assumed); axis = [x, y, z] from its tip into the spindle, in the part frame;
                      entry = "radius" or "length" (along the axis): what the depth answers to (`action.Cutter`)
    [budget]          what makes touches uncertain, in place of u: repeatability_2s_um, radius_2s_um, scale_um_per_m
                      and the others of `probekit.uncertainty.causes.CAUSES`, each a number or [number, "where from"];
                      what is not stated is assumed large; corrected = false: touches stay as they are at the
                      temperature of the part; drift_corrected = true: targets touched again correct the others
    [uncertainty]     u, or a [budget]; k
    [decision]        rule = "proved", "guarded" or "simple"; level, looks = 1 or 2 (of proved); r (of guarded);
                      accept_flags (of `probekit.verdict.doubts.DOUBTS`)
    [surface]         judges profiles between their touches: tolerances = names, if not all; hill = {radius, height}:
                      one that should not be missed; defects = {rate, radius = [low, high], height = [low, high]}:
                      those that the process makes; white: form finer than the touches [mm]; nodes, seed; earlier =
                      "touches_000000001.csv": deviations of 20 earlier parts or more at the same targets, as
                      `probekit history FOLDER --export` writes them
    [[section]]       for the page: name, point, normal, faces of a plane (`probekit.plan.section`); or how = "iso",
                      "boundary", ...: as in [[plan]], a function that gives curves, and its arguments; within: how near
                      the feet of its touches lie, 1 if not given
    [artefact]        the part as its own artefact, on a machine with rotary axes: features, touches, poses: of how many
                      touches in how many poses `probekit plan` makes artefact.csv, a plan that tells most of squareness
                      and rotary axes; file, moves, plan: its results; apply = ["squareness", "rotary"]: what is
                      corrected by it, nothing if left out; squareness_um_per_m, place_um, tilt_um_per_m: largest errors
                      that are to be expected, if not those of [budget]
    [archive]         folder: every inspection is appended to the archive in it (`probekit.archive`); on_page = false
                      keeps the actual values of earlier parts from the page, which may go to others
    [study]           outside = ["//server/models", "../shared"]: folders beside its own in which its files and its
                      archive may lie; without it a study keeps to its folder
    [gate]            accept = ["no alignment", ..] with reason = "why": findings (`plausibility.finding.NAMES`) that
                      shall not stop the job or keep it undecided; form: standard deviation of the form of the datum
                      faces that is to be expected beside u

Lengths in millimetres, angles in degrees, file names relative to the study file.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from .errors import InputError
from .limits import check_values, tables_of
from .making import nearest
from .tolerance.spec_table import check_types
from .uncertainty.causes import CAUSES, FLAGS, PART
from .values import words_of

__all__ = ["FILL_IN", "KEYS", "read_settings"]

#: What a draft puts where only a person knows; no study runs with it.
FILL_IN = "fill in"

_NUMBER, _TEXT, _FLAG, _WHOLE = (int, float), (str,), (bool,), (int,)
_LIST, _TABLE, _NAMES = (list,), (dict,), (str, list)

#: Keys of each table, with the types they may have; those of `_REQUIRED` must be there.
KEYS: dict[str, dict[str, tuple[type, ...]]] = {
    "part": {
        "model": _TEXT,
        "without_kernel": _TEXT,
        "name": _TEXT,
        "unit": _TEXT,
        "angle": _NUMBER,
        "deflection": _NUMBER,
        "body": _TEXT,
        "faces": _TABLE,
        "frame": _NAMES,
        **dict.fromkeys(PART, _NUMBER),
    },
    "about": {
        **dict.fromkeys(("part_number", "serial", "order"), (str, int)),
        **dict.fromkeys(("operator", "machine", "date"), _TEXT),
        "temperature": _NUMBER,
    },
    "machine": {"translation": _LIST, "rotation": _LIST, "axes": _LIST, "gauge": _NUMBER, "travel": _LIST},
    "touches": {
        "file": _TEXT,
        **dict.fromkeys(("plan", "format", "coordinates", "moves", "again", "again_plan"), _TEXT),
        "tool_length": _NUMBER,
        "work_offset": _LIST,
        "columns": _TABLE,
        "unit": _TEXT,
        "recorded": _TEXT,
        "decimal": _TEXT,
        "separator": _TEXT,
        "skip": _WHOLE,
        "pattern": _TEXT,
        "comment": _TEXT,
        "encoding": _TEXT,
        "metadata": _TABLE,
    },
    "stylus": {
        "ball_diameter": _NUMBER,
        "effective_radius": _NUMBER,
        "qualification": _TABLE,
        "stem_diameter": _NUMBER,
        "length": _NUMBER,
        "body": _LIST,
        "tool_length": _NUMBER,
        "tips": _LIST,
        "hub": _NUMBER,
        "straight": _FLAG,
        "name": _TEXT,
        "orientation": (*_NUMBER, str),
    },
    "reach": {
        "poses": _LIST,
        "step": (*_NUMBER, list),
        "clamps": _LIST,
        "fixtures": _LIST,
        **dict.fromkeys(("tilt", "margin", "max_angle", "standoff", "overtravel", "height"), _NUMBER),
    },
    "pace": dict.fromkeys(("rapid", "positioning", "touch", "per_touch", "per_index", "rotary"), _NUMBER),
    "program": {
        **dict.fromkeys(("dialect", "work_offset", "name", "suffix", "milling", "lift"), _TEXT),
        **dict.fromkeys(("tool", "offset", "occurrence"), _WHOLE),
        **dict.fromkeys(("warm_up", "clearance", "first_feed", "back", "confirm"), _NUMBER),
        **dict.fromkeys(("near_feed", "near", "agree"), _NUMBER),
        "after": (str, int),
        "stop_outside": _LIST,
    },
    "phase": {
        **dict.fromkeys(("name", "to"), _TEXT),
        "features": _NAMES,
        "estimate": _LIST,
        **dict.fromkeys(("limit", "set_up"), _NUMBER),
        **dict.fromkeys(("again", "occurrence"), _WHOLE),
        **{"after": (str, int), "recut": _TABLE},
    },
    "simulate": {
        "seed": _WHOLE,
        **dict.fromkeys(("model", "stock"), _TEXT),
        "offset": (*_NUMBER, dict),
        **dict.fromkeys(("hills", "errors", "translation", "rotation", "home", "clamps", "fixtures"), _LIST),
    },
    "deviation": {
        "compensate": _TEXT,
        "along": _TEXT,
        "normal": _TEXT,
        "named": _FLAG,
        "max_distance": _NUMBER,
        "ambiguity": _NUMBER,
        "allowance": (*_NUMBER, dict),
    },
    "datum": {
        "letter": _TEXT,
        "kind": _NAMES,
        "features": _NAMES,
        "simulator": _TEXT,
        "boundary": _NAMES,
        "material": _TEXT,
        "orientation_only": _FLAG,
        "translation": _LIST,
        "targets": _LIST,
        "nominal": _TABLE,
    },
    "alignment": {"features": _LIST, "method": _TEXT, "free": _LIST, "pivot": _LIST, "datums": _LIST},
    "cutter": {
        **dict.fromkeys(("tool", "operation"), (str, int)),
        "faces": _NAMES,
        **dict.fromkeys(("radius", "scatter"), _NUMBER),
        "axis": _LIST,
        "entry": _TEXT,
    },
    "budget": {**dict.fromkeys(CAUSES, (*_NUMBER, list)), **dict.fromkeys(FLAGS, _FLAG)},
    "uncertainty": {"u": _NUMBER, "k": _NUMBER},
    "decision": {"rule": _TEXT, "level": _NUMBER, "looks": _WHOLE, "r": _NUMBER, "accept_flags": _NAMES},
    "surface": {
        "tolerances": _NAMES,
        "earlier": _TEXT,
        **dict.fromkeys(("hill", "defects"), _TABLE),
        "white": _NUMBER,
        **dict.fromkeys(("nodes", "seed"), _WHOLE),
    },
    "artefact": {
        **dict.fromkeys(("file", "moves", "plan"), _TEXT),
        **dict.fromkeys(("features", "apply"), _NAMES),
        **dict.fromkeys(("touches", "poses"), _WHOLE),
        **dict.fromkeys(("squareness_um_per_m", "place_um", "tilt_um_per_m"), _NUMBER),
    },
    "archive": {"folder": _TEXT, "on_page": _FLAG},
    "study": {"outside": _LIST},
    "gate": {"accept": _LIST, "reason": _TEXT, "form": _NUMBER},
}

_OF_CONTROL = ("plan", "format", "coordinates", "moves", "tool_length", "work_offset")

#: The same of a table within a table.
_WITHIN: dict[str, dict[str, tuple[type, ...]]] = {
    "stylus.qualification": {key: kinds for key, kinds in KEYS["touches"].items() if key not in _OF_CONTROL}
    | {"diameter": _NUMBER, "artefact": _TEXT, "degree": _WHOLE},
    "surface.hill": dict.fromkeys(("radius", "height"), _NUMBER),
    "surface.defects": {"rate": _NUMBER, **dict.fromkeys(("radius", "height"), _LIST)},
}

_REQUIRED = {
    "part": ("model",),
    "touches": ("file",),
    "stylus": ("ball_diameter",),
    "stylus.qualification": ("file", "diameter"),
    "datum": ("letter",),
    "cutter": ("tool", "faces"),
    "phase": ("name",),
    "surface.hill": ("radius", "height"),
    "surface.defects": ("rate", "radius", "height"),
    "archive": ("folder",),
}
_NEEDED_TABLES = ("part", "touches", "tolerance")
_LISTED = ("datum", "plan", "tolerance", "cutter", "phase", "section")  # tables that there may be several of
_MODELS = (".step", ".stp", ".stl", ".3mf", ".ply", ".obj", ".glb")
_LARGEST = 4_000_000  # bytes
_FREE = ("plan", "tolerance", "section")  # tables whose keys are those of what they name, checked where they are used


def read_settings(path: str | Path) -> dict[str, Any]:
    """Read and check a study file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    dict
        Its tables; `tolerance` is a list of tables. Names and types are checked here, values by `probekit.limits`;
        what depends on the part or the touches is left to the functions that use them.

    Raises
    ------
    InputError
        If the file cannot be read or parsed, a table or key is missing, unknown (the nearest name is offered) or of
        the wrong type, or a value cannot be meant.
    """
    path = Path(path)
    settings = _parsed(path)
    for name in settings:
        if name not in KEYS and name not in _FREE:
            raise InputError("unknown table", file=path, column=name, expected=nearest(name, [*KEYS, *_FREE]))
    for name in _NEEDED_TABLES:
        if not settings.get(name):
            shown = f"[[{name}]]" if name in _LISTED else f"[{name}]"
            raise InputError(f"the study file lacks the table {shown}", file=path, todo=f"Add {shown} with its keys.")
    for name, table in settings.items():
        if (name in _LISTED) != isinstance(table, list):
            shown = f"[[{name}]]" if name in _LISTED else f"[{name}]"
            raise InputError("a table is written in the wrong form", file=path, column=name, expected=shown)
    _check_filled_in(settings, path)
    for where, name, table in tables_of(settings):
        _check_table(path, where, name, table)
    _check_one_uncertainty(settings, path)
    check_values(settings, path)
    return settings


def _check_filled_in(settings: dict[str, Any], path: Path) -> None:
    """Nothing that a draft leaves to a person is left, however deep in a list."""

    def in_it(value: Any) -> bool:
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        return value == FILL_IN if isinstance(value, str) else any(map(in_it, inner))

    keys = [(where, table) for where, _, table in tables_of(settings) if isinstance(table, dict)]
    left = [f"{where}.{key}" for where, table in keys for key, value in table.items() if in_it(value)]
    if left:
        more = f"; also in {', '.join(left[1:6])}" + (" and more" if len(left) > 6 else "")
        raise InputError(
            "a draft is to be filled in before it runs",
            file=path,
            column=left[0],
            found=f'"{FILL_IN}"' + (more if left[1:] else ""),
            todo="Replace it by what you know; the comment beside it says what is wanted",
        )


def _check_one_uncertainty(settings: dict[str, Any], path: Path) -> None:
    """A budget or one number for each touch, not both."""
    stated = settings.get("uncertainty", {})
    if "budget" in settings and "u" in stated:
        raise InputError(
            "the uncertainty of a touch is stated twice",
            file=path,
            column="uncertainty.u",
            found="u and a table [budget]",
            todo="Leave u out; k may stay.",
        )
    if "uncertainty" in settings and "u" not in stated and "budget" not in settings:
        raise InputError("the table [uncertainty] lacks a key", file=path, column="uncertainty.u")


def _parsed(path: Path) -> dict[str, Any]:
    if path.suffix.lower() in _MODELS:
        todo = (
            f"Draft a study from it: probekit draft {path}"
            if path.suffix.lower() in (".step", ".stp")
            else (f"Write a study file that names it in [part]; its faces: probekit faces {path}")
        )
        raise InputError("this is a model, not a study file", file=path, expected="a TOML file", todo=todo)
    try:
        if path.exists() and not path.is_file():
            raise InputError("the study file is not a file", file=path, expected="a TOML file")
        data = path.read_bytes()
        if len(data) > _LARGEST:
            raise InputError(
                "the study file is too large", file=path, found=f"{len(data)} bytes", expected=f"{_LARGEST}"
            )
        return tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise InputError(f"the study file cannot be read ({error.strerror})", file=path) from None
    except UnicodeDecodeError as error:
        raise InputError("the study file is not UTF-8 text", file=path, found=f"byte {error.start}") from None
    except RecursionError:
        raise InputError("the study file has lists or tables nested too deep", file=path) from None
    except InputError:
        raise
    except ValueError as error:  # TOMLDecodeError, or an integer of thousands of digits
        raise InputError(f"the study file is not valid TOML: {error}", file=path) from None


def _check_table(path: Path, shown: str, name: str, table: Any) -> None:
    if not isinstance(table, dict):
        raise InputError("this must be a table", file=path, column=shown, found=table, expected=f"[{name}]")
    if name == "tolerance":
        check_types(table, path, shown)
    if name in _FREE:
        return
    known = _WITHIN.get(name) or KEYS[name]
    for key, value in table.items():
        where = f"{shown}.{key}"
        if key not in known:
            raise InputError("unknown key", file=path, column=where, expected=nearest(key, list(known)))
        allowed = known[key]
        if not isinstance(value, allowed) or (isinstance(value, bool) and bool not in allowed):
            expected = words_of(allowed)
            raise InputError("a value has the wrong type", file=path, column=where, found=value, expected=expected)
        if where in _WITHIN:
            _check_table(path, where, where, value)
    for key in _REQUIRED.get(name, ()):
        if key not in table:
            raise InputError(f"the table [{name}] lacks a key", file=path, column=f"{shown}.{key}")
