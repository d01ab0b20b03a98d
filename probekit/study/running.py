"""A program on the virtual machine; where it is several, with a person who reads, judges and enters between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import machine
from ..errors import InputError
from .machinery import errors_of, made_of, really_held_by
from .model import Study, numbers_of
from .prepared import Plan, Program, aliases_of, stated_tool

if TYPE_CHECKING:
    from ..program.deciding.entries import Entry

__all__ = ["machine_of", "ran"]


def machine_of(study: Study, planned: Plan, programmed: Program) -> dict[str, Any]:
    """What the virtual machine is told of a study, but for the program's text; see `probekit.machine.run`.

    Raises
    ------
    InputError
        If a table cannot be used, or the machine cannot read the dialect.
    """
    given, home = study.settings.get("simulate", {}), numbers_of(study, "simulate", "home")
    if not programmed.dialect.checked:
        raise InputError(
            "the virtual machine cannot read this dialect",
            file=study.path,
            column="program.dialect",
            found=programmed.dialect.name,
            expected="a dialect of program coordinates, such as rs274, or of a known language",
            todo="Let a qualified person try it on a simulation of the measuring machine itself.",
        )
    fixtures, stock = really_held_by(study)
    options = study.settings["program"]
    common = {
        "made": made_of(study, planned.part),
        "probe": planned.probe,
        "kinematics": planned.kinematics,
        "errors": errors_of(study),
        "rng": given.get("seed", 0),
        "part": planned.part.name,
        "program": programmed.name,
        "fixtures": fixtures,
        "stock": stock,
        **({} if home is None else {"home": home}),
    }
    if programmed.dialect.language:
        return common
    return common | {
        "known": programmed.dialect.harmless,
        "aliases": aliases_of(programmed.dialect),
        "flow": programmed.dialect.reckoning.flow,
        "lengths": {options.get("offset", stated_tool(study)): float(planned.probe.tool_length or 0.0)},
    }


def ran(programmed: Program, arguments: Mapping[str, Any]) -> machine.results.Run:
    """Run a program, and those that follow it, as if they were one.

    Parameters
    ----------
    programmed : Program
    arguments : mapping
        Of `probekit.machine.run`; further `sign`: -1 if the person takes the sign of all shifts the wrong way, and
        `errors_of`: number of a program, from 0 -> errors of the machine while it runs, in place of `errors`.

    Returns
    -------
    Run
        Of all; it stops where a person would not go on.
    """
    arguments = dict(arguments)
    if programmed.dialect.language:
        from ..machine.measuring import run_measuring

        return run_measuring(programmed.text, **arguments)
    sign, errors_of = arguments.pop("sign", 1.0), arguments.pop("errors_of", {})
    usual = arguments.get("errors", ())
    whole = machine.run(programmed.text, **{**arguments, "errors": errors_of.get(0, usual)})
    enter, offset = programmed.enter, programmed.first_offset
    for number, one in enumerate(programmed.following, 1):
        if whole.stopped:
            return whole
        values = {entry.parameter: whole.parameters.get(_number(entry), np.nan) for entry in enter}
        why = next((_beyond(entry, values[entry.parameter]) for entry in enter if not _good(entry, values)), "")
        if why:
            return replace(whole, stopped=f"the person does not go on: {why}")
        zero = np.array(whole.origins[offset], dtype=float)
        shift = np.array([values[entry.parameter] for entry in enter if entry.into])
        offsets = {name: np.array(at, dtype=float) for name, at in whole.origins.items()}
        if len(shift) == 3:
            offsets[one.part.work_offset] = zero + sign * shift
        more = {"offsets": offsets, "stands_in": offset, "errors": errors_of.get(number, usual)}
        later = machine.run(one.text, **{**arguments, **more})
        whole, enter = _joined(whole, later), one.enter
    if whole.stopped or not programmed.by_hand:
        return whole
    values = {entry.parameter: whole.parameters.get(_number(entry), np.nan) for entry in enter}
    why = next((_beyond(entry, values[entry.parameter]) for entry in enter if not _good(entry, values)), "")
    return replace(whole, stopped=f"the person does not go on: {why}") if why else whole


def _number(entry: Entry) -> int:
    return int("".join(c for c in entry.parameter if c.isdigit()))


def _good(entry: Entry, values: Mapping[str, float]) -> bool:
    value = values[entry.parameter]
    return bool(np.isfinite(value)) and (entry.limit is None or abs(value) <= entry.limit)


def _beyond(entry: Entry, value: float) -> str:
    return f"{entry.parameter}, {entry.what}, is {value:.4f}, at most {entry.limit:g} {entry.unit}"


def _joined(first: machine.results.Run, later: machine.results.Run) -> machine.results.Run:
    """Two runs, one after the other, as one."""
    table = pd.concat([first.table, later.table.assign(seconds=later.table["seconds"] + first.seconds)])
    table = table.reset_index(drop=True)
    table.attrs = dict(first.table.attrs)
    return replace(
        later,
        table=table,
        findings=(*first.findings, *(f"second program: {words}" for words in later.findings)),
        seconds=first.seconds + later.seconds,
        parameters={**first.parameters, **later.parameters},
        log=pd.concat([first.log, later.log]).reset_index(drop=True),
        decisions=first.decisions,
    )
