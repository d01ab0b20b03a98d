"""What a study says of probe, machine, clamps and fixtures, and of the part that the virtual machine has."""

from __future__ import annotations

from typing import Any

import numpy as np

from .. import action, machine, nominal, plan
from ..errors import InputError
from ..making import made, tuples
from .model import Study, motion_of
from .readings import qualified_of

__all__ = [
    "cutters_of",
    "errors_of",
    "fixtures_of",
    "kinematics_of",
    "made_of",
    "other_radius",
    "probe_of",
    "really_held_by",
    "regions_of",
    "tool_length_of",
]

_RADIUS = 0.0015  # a difference of effective radii that nobody need be told [mm]
_REGIONS = {"box": plan.Box, "cylinder": plan.Cylinder, "ball": plan.Ball}


def probe_of(study: Study) -> plan.Probe:
    """The probe of ``[stylus]``: ball, stem, body, tips.

    Raises
    ------
    InputError
        If the stem or the length is missing: without them nothing can be said of reach; or a size is not usable.
    """
    given = dict(study.settings.get("stylus", {}))
    if lacking := [key for key in ("ball_diameter", "stem_diameter", "length") if key not in given]:
        raise InputError(
            "to plan touches, the stylus must be described",
            file=study.path,
            column=f"stylus.{lacking[0]}",
            expected=f"{' and '.join(lacking)} [mm]",
        )
    qualified = qualified_of(study)
    if qualified is not None:
        given["effective_radius"] = qualified[0].effective_radius
    given.pop("qualification", None)
    tips = tuple(made(plan.Tip, one, "stylus.tips", file=study.path) for one in given.pop("tips", ()))
    return made(plan.Probe, given | {"tips": tips}, "stylus", file=study.path)


def tool_length_of(study: Study) -> float:
    """From the spindle nose to the centre of the reference ball [mm]: stated, or the top of the body; 0 if unknown."""
    given = study.settings.get("stylus", {})
    body = given.get("body") or [[given.get("length", 0.0)]]
    return float(given.get("tool_length", body[-1][0]))


def kinematics_of(study: Study) -> plan.Kinematics:
    """The machine's rotary axes and travel, from ``[machine]``; three linear axes if it says nothing."""
    given = study.settings.get("machine", {})
    axes = tuple(made(plan.RotaryAxis, one, "machine.axes", file=study.path) for one in given.get("axes", ()))
    options = {key: given[key] for key in ("gauge", "travel") if key in given}
    return made(plan.Kinematics, {"axes": axes, **options}, "machine", file=study.path)


def regions_of(study: Study, table: str = "reach") -> tuple[plan.targets.regions.Region, ...]:
    """Where nothing may be touched: the ``clamps`` of ``[reach]``; or those of ``[simulate]``, as they really stand."""
    regions, where = [], f"{table}.clamps"
    for one in study.settings.get(table, {}).get("clamps", ()):
        kind, values = _kind_of(one, _REGIONS, study, where)
        arrays = {key: np.asarray(value, float) if isinstance(value, tuple) else value for key, value in values.items()}
        regions.append(made(kind, arrays, where, file=study.path))
    return tuple(regions)


def fixtures_of(study: Study) -> tuple[nominal.Nominal, ...]:
    """Models of what holds the part, in the part frame: ``fixtures`` and ``clamps`` of ``[reach]``."""
    return _held_by(study, "reach", "reach")


def really_held_by(study: Study) -> tuple[tuple[nominal.Nominal, ...], nominal.Nominal | None]:
    """What holds the part on the virtual machine, and the stock there.

    ``fixtures`` and ``clamps`` of ``[simulate]``, each in place of that of ``[reach]``, and its ``stock``.
    """
    given = study.settings.get("simulate", {})
    tables = ("simulate" if key in given else "reach" for key in ("fixtures", "clamps"))
    stock = nominal.load(study.file(given["stock"]), cache=True) if "stock" in given else None
    return _held_by(study, *tables), stock


def _held_by(study: Study, fixtures: str, clamps: str) -> tuple[nominal.Nominal, ...]:
    named = study.settings.get(fixtures, {}).get("fixtures", ())
    models = (nominal.load(study.file(name), cache=True) for name in named)
    return (*models, *(_as_model(region) for region in regions_of(study, clamps)))


def made_of(study: Study, part: nominal.Nominal) -> machine.AsMade:
    """The part as the virtual machine has it: ``[simulate]`` says what is wrong with it and with its set-up."""
    given = study.settings.get("simulate", {})
    hills = tuple(made(machine.Hill, one, "simulate.hills", file=study.path) for one in given.get("hills", ()))
    model = nominal.load(study.file(given["model"]), cache=True) if "model" in given else part
    values = {
        "nominal": model,
        "offset": given.get("offset", 0.0),
        "hills": hills,
        "motion": motion_of(study, "simulate"),
    }
    return made(machine.AsMade, values, "simulate", file=study.path)


def cutters_of(study: Study) -> tuple[action.Cutter, ...]:
    """Tools and operations, and the faces that they cut last: the tables ``[[cutter]]``."""
    given = study.settings.get("cutter", [])
    where = [f"cutter {k}" if len(given) > 1 else "cutter" for k in range(1, len(given) + 1)]
    return tuple(made(action.Cutter, one, at, file=study.path) for at, one in zip(where, given, strict=True))


def errors_of(study: Study) -> tuple[machine.errors.MachineError, ...]:
    """Errors of the virtual machine: the tables of ``errors`` in ``[simulate]``, each by its kind."""
    from ..machine.chips import Chip  # an inspection needs no virtual machine

    others = [kind for kind in machine.errors.MachineError.__subclasses__() if kind is not Chip]
    kinds = {kind.__name__: kind for kind in (*others, Chip)}
    found = []
    for one in study.settings.get("simulate", {}).get("errors", ()):
        kind, values = _kind_of(one, kinds, study, "simulate.errors")
        found.append(made(kind, values, f"simulate.errors, {kind.__name__}", file=study.path))
    return tuple(found)


def _as_model(region: plan.targets.regions.Region) -> nominal.Nominal:
    """A clamp as a mesh that holds all of it."""
    from trimesh import creation

    if isinstance(region, plan.Box):
        mesh = creation.box(bounds=[region.low, region.high])
        return nominal.from_arrays(mesh.vertices @ region.axes, mesh.faces, name=region.name)
    if isinstance(region, plan.Cylinder):
        outside = region.radius / np.cos(np.pi / 48)
        mesh = creation.cylinder(radius=outside, sections=48, segment=[region.start, region.end])
    else:
        assert isinstance(region, plan.Ball)
        mesh = creation.icosphere(subdivisions=3, radius=1.01 * region.radius)
        mesh.apply_translation(region.centre)
    return nominal.from_arrays(mesh.vertices, mesh.faces, name=region.name)


def _kind_of(one: Any, kinds: dict[str, Any], study: Study, where: str) -> tuple[Any, dict[str, Any]]:
    """What the key ``kind`` of a table names, and the rest of the table."""
    kind = one.get("kind") if isinstance(one, dict) else None
    if kind not in kinds:
        raise InputError("unknown kind", file=study.path, column=where, found=one, expected=", ".join(kinds))
    return kinds[kind], {key: value for key, value in tuples(one).items() if key != "kind"}


def other_radius(study: Study) -> list[str]:
    """Whether the virtual probe triggers at another radius than the study compensates for."""
    probe = probe_of(study)
    early = sum(one.mean for one in errors_of(study) if isinstance(one, machine.errors.Lobing))
    if abs(probe.ball_diameter / 2 - early - probe.radius) <= _RADIUS:
        return []
    made = probe.ball_diameter / 2 - early
    return [
        f"the virtual probe has an effective radius of {made:.4f} mm and the study compensates for {probe.radius:.4f} "
        f'mm: every deviation is off by the difference. Add {{kind = "Lobing", mean = '
        f"{probe.ball_diameter / 2 - probe.radius:.4g}}} to [simulate] errors, unless this is what you want to try"
    ]
