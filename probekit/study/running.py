"""A program on the virtual machine; where it is several, with a person who reads, judges and enters between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import machine

if TYPE_CHECKING:
    from ..program.deciding.entries import Entry
    from .prepared import Program

__all__ = ["ran"]


def ran(programmed: Program, arguments: Mapping[str, Any]) -> machine.results.Run:
    """Run a program, and those that follow it, as if they were one.

    Parameters
    ----------
    programmed : Program
    arguments : mapping
        Of `probekit.machine.run`; further `sign`: -1 if the person takes the sign of all shifts the wrong way.

    Returns
    -------
    Run
        Of all; it stops where a person would not go on.
    """
    arguments = dict(arguments)
    sign = arguments.pop("sign", 1.0)
    whole = machine.run(programmed.text, **arguments)
    enter, offset = programmed.enter, programmed.first_offset
    for one in programmed.following:
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
        later = machine.run(one.text, **{**arguments, "offsets": offsets, "stands_in": offset})
        whole, enter = _joined(whole, later), one.enter
    if whole.stopped or not programmed.following:
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
