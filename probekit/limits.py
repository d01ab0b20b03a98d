"""What values the keys of a study.toml may have: one table, and what must hold between keys.

`probekit.settings` checks names and types; this says which values make sense before anything is computed. A value that
cannot be meant is refused with file, table and key; one that is merely odd gets a note.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from statistics import NormalDist
from typing import Any

from .errors import InputError
from .files import file_name
from .fit.rigid import METHODS
from .tolerance.spec_table import check_stated
from .uncertainty.causes import CAUSES, PART
from .values import Among, Day, Each, Either, Number, Numbers, Place, Rule, Table, Text, unseen

__all__ = ["LIMITS", "MOST_TOUCHES", "check_values", "notes_on", "notes_on_size", "tables_of"]

_FILE = Text(without="\0")
_POSITIVE, _LENGTH, _FREE = Number(above=0), Number(least=0), Number()
_NEAR = 0.02  # a machine does not stop nearer to a surface than that by intention [mm]; common practice, no source
_FREE_WHOLE = Number(least=0, most=2**53, whole=True)
_COUNT = Number(least=1, most=100000, whole=True)
_VECTOR, _PAIR = Numbers(3), Numbers(2, rising=True)
_NAMES = Either(((str, Text()), (list, Each(Text(), once=True))))
_SEVERAL = Each(Text(), once=True)
_TABLES = Each(Table())
_LEARNED = ("squareness", "rotary")  # `probekit.field.unknowns.GROUPS`
_BY_FACE = Either(((dict, Table(_FREE)), (int | float, _FREE)))

#: Key -> what it may be. A key that does not stand here may be anything of its type that is finite and can be printed.
LIMITS: dict[str, Rule] = {
    **dict.fromkeys(
        ("part.model", "part.without_kernel", "simulate.model", "simulate.stock", "program.milling"), _FILE
    ),
    **dict.fromkeys(("touches.file", "touches.plan", "touches.moves", "stylus.qualification.file"), _FILE),
    **dict.fromkeys(("touches.again", "touches.again_plan", "program.dialect"), _FILE),
    "study.outside": Each(_FILE, once=True),
    **dict.fromkeys(("part.name", "part.body"), Text()),
    **dict.fromkeys(("about.part_number", "about.serial", "about.order"), Either(((int, _FREE_WHOLE), (str, Text())))),
    **dict.fromkeys(("about.operator", "about.machine"), Text()),
    "about.date": Day(),
    "archive.folder": _FILE,
    "about.temperature": Number(least=-50, most=100),
    "part.angle": Number(above=0, most=180),
    "part.deflection": Number(above=0, most=100),
    "part.faces": Table(Place()),
    **dict.fromkeys(("machine.translation", "machine.rotation", "simulate.translation", "simulate.rotation"), _VECTOR),
    **dict.fromkeys(("machine.axes", "stylus.tips", "simulate.hills", "simulate.errors"), _TABLES),
    **dict.fromkeys(("reach.clamps", "simulate.clamps"), _TABLES),
    "machine.gauge": _FREE,
    "machine.travel": Each(_PAIR, least=3),
    "simulate.home": _VECTOR,
    "simulate.seed": Number(least=0, most=2**63, whole=True),
    "simulate.offset": _BY_FACE,
    **dict.fromkeys(("touches.pattern", "touches.encoding"), Text()),
    "touches.format": Among(("parameters",)),
    "touches.coordinates": Among(("part", "program", "machine")),
    "touches.tool_length": Number(above=0, most=5000),
    "touches.work_offset": _VECTOR,
    "touches.skip": Number(least=0, whole=True),
    "touches.columns": Table(),
    "stylus.ball_diameter": Number(above=0, most=100),
    **dict.fromkeys(("stylus.effective_radius", "stylus.stem_diameter"), Number(above=0, most=100)),
    **dict.fromkeys(("stylus.length", "stylus.tool_length", "stylus.hub"), Number(above=0, most=5000)),
    "stylus.body": Each(Numbers(2, _LENGTH)),
    "reach.poses": Each(Numbers(None)),
    "reach.step": Either(((list, Numbers(None, _POSITIVE)), (int | float, _POSITIVE))),
    **dict.fromkeys(("reach.fixtures", "simulate.fixtures"), Each(_FILE, once=True)),
    "reach.max_angle": Number(above=0, most=180),
    **dict.fromkeys(("reach.standoff", "reach.overtravel"), Number(above=0, least=_NEAR, most=1000)),
    **dict.fromkeys(("reach.margin", "program.clearance"), Number(least=0, most=1000)),
    **dict.fromkeys(("pace.rapid", "pace.positioning", "pace.touch", "pace.rotary"), _POSITIVE),
    **dict.fromkeys(("pace.per_touch", "pace.per_index"), _LENGTH),
    **dict.fromkeys(("program.tool", "program.offset"), Number(least=0, most=99999999, whole=True)),
    "program.occurrence": Number(least=1, whole=True),
    "program.warm_up": _LENGTH,
    "program.agree": Number(above=0, most=5),
    "program.stop_outside": _PAIR,
    "phase.name": Text(),
    "phase.features": _NAMES,
    "phase.estimate": _TABLES,
    "phase.to": Text(),
    **dict.fromkeys(("phase.limit", "phase.set_up"), Number(above=0, most=50)),
    "phase.again": Number(least=0, most=9, whole=True),
    **dict.fromkeys(("phase.occurrence", "phase.recut.occurrence"), Number(least=1, whole=True)),
    **dict.fromkeys(("phase.recut.operation", "phase.recut.by", "phase.recut.to"), Text()),
    **dict.fromkeys(("phase.recut.allowed", "phase.recut.limit"), Number(above=0, most=2)),
    "plan.n": Either(((list, Numbers(2, _COUNT)), (object, _COUNT))),  # of a grid two
    "plan.seed": Number(least=0, most=2**63, whole=True),
    **dict.fromkeys(("plan.how", "plan.feature"), Text()),
    "plan.earlier": _FILE,
    **dict.fromkeys(("section.name", "section.how"), Text()),
    "section.within": Number(above=0, most=100),
    "plan.spacing": Number(above=0, most=100000),
    "deviation.max_distance": _POSITIVE,
    "deviation.ambiguity": _LENGTH,
    "deviation.allowance": _BY_FACE,
    "datum.letter": Text(without="()|, \t"),
    **dict.fromkeys(("datum.kind", "datum.features"), _NAMES),
    "datum.targets": _TABLES,
    "alignment.features": _SEVERAL,
    "alignment.datums": _SEVERAL,
    "alignment.pivot": _VECTOR,
    "alignment.free": Each(Text(), once=True),
    "alignment.method": Among(METHODS),
    "uncertainty.u": Number(least=1e-5, most=1.0, or_zero=True),
    "uncertainty.k": Number(above=0, least=1.0, most=10.0),
    "decision.r": Number(least=0, most=10.0),
    "decision.level": Number(above=0.5, most=0.9999),
    "decision.looks": Number(least=1, most=2),
    **dict.fromkeys(("cutter.tool", "cutter.operation"), Either(((int, _FREE_WHOLE), (str, Text())))),
    "cutter.faces": _NAMES,
    "cutter.radius": Number(above=0, most=500),
    "cutter.scatter": Number(above=0, most=0.5),
    "cutter.axis": Numbers(3, nonzero=True),
    "cutter.entry": Among(("radius", "length")),
    "surface.tolerances": _NAMES,
    "surface.earlier": _FILE,
    "surface.white": Number(above=0, most=0.1),
    "surface.nodes": Number(least=200, most=3000, whole=True),
    "surface.seed": Number(least=0, most=2**63, whole=True),
    **dict.fromkeys(("surface.hill.radius", "surface.hill.height", "surface.defects.rate"), Number(above=0, most=1000)),
    **dict.fromkeys(("surface.defects.radius", "surface.defects.height"), Numbers(2, Number(above=0, most=1000))),
    **dict.fromkeys(("artefact.file", "artefact.moves", "artefact.plan"), _FILE),
    "artefact.features": _NAMES,
    "artefact.apply": Either(((str, Among(_LEARNED)), (list, Each(Among(_LEARNED), once=True)))),
    "artefact.touches": Number(least=4, most=200, whole=True),
    "artefact.poses": Number(least=2, most=12, whole=True),
    **dict.fromkeys(("artefact.squareness_um_per_m", "artefact.tilt_um_per_m"), Number(above=0, least=0.2, most=1000)),
    "artefact.place_um": Number(above=0, least=0.3, most=500),
    "gate.accept": _SEVERAL,
    "gate.reason": Text(),
    "gate.form": Number(least=0, most=1.0),
    **{f"part.{key}": rule for key, rule in PART.items()},
    **{f"budget.{key}": cause.rule for key, cause in CAUSES.items()},
}

#: What most likely was meant, where a value is too large or too small.
_MEANT = {
    "uncertainty.u": "It is in mm: 3 um are 0.003.",
    **dict.fromkeys(("reach.standoff", "reach.overtravel"), "It is in mm."),
    "cutter.scatter": "It is in mm: 5 um are 0.005.",
    "uncertainty.k": "The coverage factor is usually 2; u, not U, is the standard uncertainty.",
    **{f"budget.{key}": cause.meant for key, cause in CAUSES.items()},
}

#: Touches of a study: the errors of all of them are judged together, which takes n^2 of memory and n^3 of time.
MOST_TOUCHES = 5000

_MANY = 2000  # tables of one kind; more than a person writes
_LONG = 300  # characters of a name
_DEEP = 8  # tables and lists within each other
_HUGE = 2.0**63
_FREE_TEXT = ("touches", "program", "stylus.qualification")  # patterns, separators and lines of a program


def check_values(settings: Mapping[str, Any], file: Path) -> None:
    """Raise at the first value of a study that cannot be meant.

    Parameters
    ----------
    settings : mapping
        Tables whose keys and types are checked already.
    file : Path
        The study file, for the error.

    Raises
    ------
    InputError
        It names the table and the key.
    """
    for where, kind, table in tables_of(settings):
        for key, value in table.items():
            place = f"{where}.{key}"
            _check_plain(value, place, file, free=kind in _FREE_TEXT)
            for path, one in [(f"{kind}.{key}", value), *_within(f"{kind}.{key}", value)]:
                rule = LIMITS.get(path)
                if rule is not None and (found := rule.wrong(one)):
                    at = place + path.removeprefix(f"{kind}.{key}")
                    todo = _MEANT.get(path) if "too" in found[0] else None
                    raise InputError(found[0], file=file, column=at, found=one, expected=found[1], todo=todo)
        if kind == "tolerance":
            check_stated(table, file, where)
    _check_program(settings.get("program", {}), file)
    _check_letters(settings, file)
    _check_names(settings.get("tolerance", []), file)


def tables_of(settings: Mapping[str, Any]) -> Iterator[tuple[str, str, Any]]:
    """Each table: how a message calls it, its kind, the table; numbered from 1 where there are several of a kind."""
    for kind, found in settings.items():
        for number, table in enumerate(found if isinstance(found, list) else [found], 1):
            yield f"{kind} {number}" if isinstance(found, list) and len(found) > 1 else kind, kind, table


def notes_on(settings: Mapping[str, Any]) -> list[str]:
    """What is odd about the values of a study though it can be meant: sentences that name the table.

    Parameters
    ----------
    settings : mapping
        Tables that `check_values` let pass.

    Returns
    -------
    list of str
    """
    given, decision, notes = settings.get("uncertainty", {}), settings.get("decision", {}), []
    u, k, r = given.get("u"), given.get("k", 2.0), decision.get("r", 1.0)
    if u == 0:
        notes.append(
            "[uncertainty] u = 0 states that touches have no error at all: no verdict is guarded against error"
        )
    elif u is not None and r == 0 and decision.get("rule") == "guarded":
        notes.append("[decision] r = 0 leaves no guard band: the limits alone decide, without the uncertainty")
    for where, kind, table in tables_of(settings):
        for key, value in table.items():
            notes += _unseen(value, f"{where}.{key}", kind)
    rule = decision.get("rule", "proved")
    each = 1.0 - (1.0 - decision.get("level", 0.95)) / decision.get("looks", 1)
    factor = {"simple": 0.0, "guarded": r * k}.get(rule, NormalDist().inv_cdf(each))
    guard = factor * (u or 0.0)
    for where, _, table in tables_of({"tolerance": settings["tolerance"]}):
        name, width, outside = table.get("name", where), table.get("width"), table.get("outside")
        if width is not None and (sized := table.get("within") or (table.get("modifier") and table.get("limits"))):
            width += abs(sized[-1] - sized[0])  # with all the bonus that there can be
        if width is not None and u is not None and (2 * guard >= width or u >= width):
            notes.append(
                f"tolerance '{name}': no touch can be within: its width of {width:g} mm is less than "
                + (f"both guard bands of {guard:.3g} mm" if 2 * guard >= width else f"the uncertainty u = {u:g} mm")
            )
        elif rule == "proved" and width is not None and u is not None and width < 4 * u:
            notes.append(
                f"tolerance '{name}': its width of {width:g} mm is less than 4 u = {4 * u:g} mm: hardly any part can "
                "be proved to conform, however good it is; measure it by something surer"
            )
        if width is not None and outside is not None and not 0 <= outside <= width:
            notes.append(
                f"tolerance '{name}': the nominal surface itself lies outside the zone: outside = {outside:g} mm of a "
                f"width of {width:g} mm"
            )
        if table.get("datums") and not settings.get("datum"):
            letters = ", ".join(table["datums"])
            notes.append(
                f"tolerance '{name}' names the datums {letters}, and the study has no [[datum]]: it is judged in the "
                "alignment as it is, not in the datum frame"
            )
    return notes


def notes_on_size(settings: Mapping[str, Any], diagonal: float) -> list[str]:
    """What is odd about the values of a study for a part of this size [mm]: sentences that name the table."""
    notes = []
    for where, _, table in tables_of({"tolerance": settings["tolerance"]}):
        width = table.get("width")
        if width is not None and width > 0.1 * diagonal:
            notes.append(
                f"tolerance '{table.get('name', where)}': a width of {width:g} mm is more than a tenth of the part "
                f"({diagonal:.4g} mm across): check that it is not in micrometres; lengths are in mm"
            )
    limit = settings.get("deviation", {}).get("max_distance")
    if limit is not None and limit > diagonal:
        notes.append(
            f"[deviation] max_distance = {limit:g} mm is more than the size of the part: it cannot flag anything"
        )
    return notes


def _unseen(value: Any, where: str, kind: str) -> Iterator[str]:
    """Where text holds characters that cannot be seen, or that reverse the order of what is read."""
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _unseen(inner, f"{where}.{key}" if isinstance(key, str) else where, kind)
    elif isinstance(value, str):
        allowed = "\t\n\r" if kind in _FREE_TEXT else ""
        if unseen(value, allowed):
            yield f"{where} contains an invisible character, or one that reverses the reading direction: {value!r:.60}"


def _within(path: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield f"{path}.{key}", inner


def _check_plain(value: Any, where: str, file: Path, *, free: bool, depth: int = 0) -> None:
    """What no value may be: not finite, not printable, endless."""
    if depth > _DEEP:
        raise InputError("lists and tables are nested too deep", file=file, column=where)
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value, 1):
            if isinstance(key, str):
                _check_plain(key, where, file, free=False)
            _check_plain(inner, f"{where}.{key}" if isinstance(key, str) else where, file, free=free, depth=depth + 1)
    elif isinstance(value, float) and not math.isfinite(value):
        raise InputError("this is not a finite number", file=file, column=where, found=value, expected="a number")
    elif isinstance(value, int | float) and abs(value) > _HUGE:
        raise InputError("this number is implausibly large", file=file, column=where, found=str(value)[:24])
    elif isinstance(value, str):
        if len(value) > (100 * _LONG if free else _LONG):
            raise InputError(
                f"the text has {len(value)} characters", file=file, column=where, expected=f"at most {_LONG}"
            )
    elif not isinstance(value, bool | int | float):
        raise InputError("a date or a time has no meaning here", file=file, column=where, found=value)


def _check_program(program: Mapping[str, Any], file: Path) -> None:
    try:
        file_name(program.get("name", "x"), program.get("suffix", ""))
    except InputError as error:
        raise InputError(
            error.what, file=file, column=f"program.{error.column}", found=error.found, expected=error.expected
        ) from None


def _check_letters(settings: Mapping[str, Any], file: Path) -> None:
    """That each letter is defined once, and each that is named is defined."""
    known: list[str] = []
    for where, _, table in tables_of({"datum": settings.get("datum", [])}):
        if table["letter"] in known:
            raise InputError(
                "two tables [[datum]] have the same letter",
                file=file,
                column=f"{where}.letter",
                found=table["letter"],
                expected="each letter once",
            )
        known.append(table["letter"])
    users = [("alignment.datums", settings.get("alignment", {}).get("datums", []))]
    for where, _, table in tables_of({"tolerance": settings["tolerance"]}):
        users.append((f"{where}.datums", table.get("datums", []) if known else []))
        refining = table.get("refining", {}).get("datums", []) if known else []
        users.append((f"{where}.refining.datums", refining if isinstance(refining, list) else []))
    for where, letters in users:
        for letter in letters:
            if str(letter).partition("(")[0] not in known:
                raise InputError(
                    "there is no datum with that letter",
                    file=file,
                    column=where,
                    found=letter,
                    expected="one of " + ", ".join(known) if known else "tables [[datum]] with a letter each",
                )


def _check_names(tolerances: Sequence[Mapping[str, Any]], file: Path) -> None:
    if len(tolerances) > _MANY:
        raise InputError(
            "there are too many tables [[tolerance]]",
            file=file,
            column="tolerance",
            found=len(tolerances),
            expected=f"at most {_MANY}",
        )
    names = [one["name"] for one in tolerances if "name" in one]
    twice = next((name for n, name in enumerate(names) if name in names[:n]), None)
    if twice is not None:
        raise InputError(
            "two tolerances have the same name",
            file=file,
            column="tolerance.name",
            found=twice,
            expected="each name once",
        )
