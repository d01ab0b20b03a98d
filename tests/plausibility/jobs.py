"""Parts, runs and lost digits for the rates of the gate: its tests and its benchmark share them.

The steps of a study are taken one by one, without tolerances and page, to be quick.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from plausibility import pad

import probekit as pk
from probekit.plausibility.check import before_fit, on_alignment

FOIL = Path(__file__).parents[2] / "data" / "foil"
MEASURED = ["x", "y", "z"]
ZONE, GUARD = 0.1, 0.006  # of the demo's skin, the widest [mm]


@dataclass(frozen=True)
class Job:
    """A part with what its study says, and touches to start from."""

    part: pk.nominal.Nominal
    touches: pd.DataFrame
    features: tuple[str, ...]
    probing: pk.plausibility.Probing
    stylus: pk.touches.Stylus
    u: float = 0.003
    kinematics: pk.plan.Kinematics | None = None

    def findings(
        self, measured: pd.DataFrame, alignment: pk.fit.alignment.Alignment | None = None
    ) -> tuple[tuple[pk.plausibility.finding.Finding, ...], pd.DataFrame, pk.fit.alignment.Alignment]:
        """All findings, the aligned touches, and their alignment (found, if it is not given)."""
        plan = self.touches[["touch", "feature", "x0", "y0", "z0", "i", "j", "k"]]
        common = {"stylus": self.stylus, "probing": self.probing, "u": self.u}
        before = before_fit(measured, self.part, plan=plan, **common)
        if alignment is None:
            found = pk.deviation.project(measured, self.part, stylus=self.stylus)
            alignment = pk.fit.rigid(found, self.part, features=self.features)
        aligned = pk.deviation.project(alignment.apply(measured), self.part, stylus=self.stylus)
        residuals = pk.plausibility.datum_residuals(aligned, alignment, self.part, u=self.u)
        common["kinematics"] = self.kinematics
        after = on_alignment(measured, self.part, aligned=aligned, alignment=alignment, residuals=residuals, **common)
        return before + after, aligned, alignment


#: A machine for touches that are given poses: a head A, and a table C that goes through the part frame's Z.
TURNING = pk.plan.Kinematics((pk.plan.RotaryAxis("A", "head"), pk.plan.RotaryAxis("C", "table")), gauge=150.0)


def posed(job: Job, features: tuple[str, ...]) -> Job:
    """The job with angles: these features in four poses by the side that they face, the others upright."""
    touches = job.touches.copy()
    side = np.degrees(np.arctan2(touches["j"], touches["i"]))
    own = touches["feature"].isin(features) & (touches["k"].abs() < 0.8)
    touches["angle_a"] = np.where(own, 45.0, 0.0)
    touches["angle_c"] = np.where(own, 90.0 * np.round(side / 90.0), 0.0) + 0.0
    touches.attrs = dict(job.touches.attrs)
    return replace(job, touches=touches, kinematics=TURNING)


def on_pad(folder: Path) -> Job:
    """The pad of `pad.py`, written into a folder."""
    path = pad.write(folder)
    part = pk.study.model.nominal_of(pk.study.load(path))
    probing = pk.plausibility.Probing(3.0, 1.0, "the test")
    features = ("flange", "left", "right", "front", "back")
    touches = pk.touches.read(path.parent / "touches.csv")
    return Job(part, touches, features, probing, pk.touches.Stylus(6.0, effective_radius=pad.RADIUS))


def on_foil() -> Job:
    """The demo."""
    part = pk.study.model.nominal_of(pk.study.load(FOIL / "study_mesh.toml"))
    probing = pk.plausibility.Probing(2.0, 0.5, "the test")  # as data/foil/study.toml says
    touches = pk.touches.read(FOIL / "touches.csv")
    return Job(part, touches, ("base_top", "bore", "slot"), probing, pk.touches.Stylus(6.0, effective_radius=2.991))


def alarms(job: Job, runs: int) -> dict[int, list[str]]:
    """Runs that are good, and in which the gate says stop or look all the same; with what it says.

    The set-up is within 0.7 of the overtravel; noise, lobing and warming, with an uncertainty that covers them.
    """
    rng, reach, spoke = np.random.default_rng(20261128), 0.7 * job.probing.overtravel, {}
    for run in range(runs):
        shift = rng.uniform(-1.0, 1.0, 3)
        shift *= reach * rng.uniform(0, 0.8) / np.linalg.norm(shift)
        turn = rng.uniform(-1.0, 1.0, 3) * np.degrees(0.1 * reach / (0.5 * job.part.diagonal))
        touches = pad.run(job.touches, seed=run, shift=shift, turn=turn, lobing=0.0015, drift=0.003)
        said = [one.sentence for one in job.findings(touches)[0] if one.level != "note"]
        spoke |= {run: said} if said else {}
    return spoke


def lost(touches: pd.DataFrame) -> Iterator[tuple[int, str, float]]:
    """(row, column, value) of every measured coordinate with one digit or the sign left out of its text."""
    for row in range(len(touches)):
        for column in MEASURED:
            value = touches[column].iloc[row]
            text = f"{value:.4f}" if np.isfinite(value) else ""
            for at, mark in enumerate(text):
                other = text[:at] + text[at + 1 :]
                if mark != "." and float(other) != value:
                    yield row, column, float(other)


def unnoticed(job: Job, *, every: int = 1) -> tuple[int, list[tuple[int, str, float]]]:
    """Of every so many lost digits, how many move a touch beyond 3 times what set-up, overtravel and u allow, and which
    of these are neither named by the gate nor outside the zone.

    Each is looked at with the alignment of the good run, which is right for all but the datum touches; those have an
    alignment of their own. A run that is refused before is noticed.
    """
    alignment = job.findings(job.touches)[2]
    places = job.touches[MEASURED].to_numpy()
    set_up = np.linalg.norm(alignment.apply(places) - places, axis=1)
    allowed = 3 * (set_up + job.probing.overtravel + 3 * job.u)
    silent, large = [], 0
    for row, column, value in list(lost(job.touches))[::every]:
        if abs(value - job.touches[column].iloc[row]) <= allowed[row]:
            continue
        large += 1
        datum = job.touches["feature"].iloc[row] in job.features
        touches = job.touches.copy()
        touches.attrs = dict(job.touches.attrs)
        touches.loc[touches.index[row], column] = value
        try:
            found, aligned, _ = job.findings(touches, None if datum else alignment)
        except pk.ProbekitError:
            continue
        named = any(one.level in ("stop", "look") for one in found)
        if not named and abs(aligned["deviation"].iloc[row]) <= ZONE + GUARD:
            silent.append((row, column, value))
    return large, silent
