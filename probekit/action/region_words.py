"""What is said of regions beyond their limits: one by one where there are few, together where there are many alike."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .recut import dents_beside
from .tool_words import predicted
from .undecided import touches_named

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation
    from ..verdict.results import Verdict
    from .cutters import Cutter

__all__ = ["first_what_mends_all", "on_left", "on_missing"]

_EACH = 3  # regions of a face that are told one by one; of more, the worst and how many there are


class _Said(NamedTuple):
    """A sentence on a region; `alike`: what all regions have in common that are told together."""

    alike: str
    region: Any
    text: str


def first_what_mends_all(
    entries: Sequence[str], regions: Sequence[str], high: pd.DataFrame, verdict: Verdict, mended: Collection[str]
) -> list[str]:
    """Changes of tools' entries and re-cuts, the former first where they alone mend all regions with material left.

    Parameters
    ----------
    entries, regions : sequence of str
        Sentences on each.
    high : DataFrame
        Regions with material left.
    verdict : Verdict
    mended : collection of str
        Tolerances that a change of entries alone is predicted to bring within their limits.
    """
    ids = [touch for several in high["ids"] for touch in several]
    rows = np.flatnonzero(verdict.table["touch"].isin(ids).to_numpy())
    concerned = {one.name for one in verdict.evaluations if one.from_nominal and np.isin(rows, one.rows).any()}
    if len(high) < 2 or not entries or not concerned or not concerned <= set(mended):
        return [*regions, *entries]
    instead = "Instead of that change, not beside it: "
    return [*entries, *(instead + one[0].lower() + one[1:] if "could be re-cut" in one else one for one in regions)]


def _told(said: Sequence[_Said]) -> list[str]:
    """The sentences, in their order; of many regions of one face that are alike that of the worst, and which others."""
    groups: dict[tuple[str, str], list[_Said]] = {}
    for one in said:
        groups.setdefault((one.alike, one.region.face), []).append(one)
    told = []
    for members in groups.values():
        if len(members) <= _EACH:
            told += [one.text for one in members]
            continue
        worst = max(members, key=lambda one: one.region.beyond)
        rest = [one.region for one in members if one is not worst]
        beyond = [one.beyond for one in rest]
        told.append(
            f"{worst.text} The same holds for {len(rest)} more regions on {worst.region.face}: {_numbers(rest)}, with "
            f"{sum(one.touches for one in rest)} touches, {min(beyond):.3f} to {max(beyond):.3f} mm beyond the limit."
        )
    return told


def _numbers(regions: list) -> str:
    """Numbers of regions, runs of them cut short."""
    runs: list[list[int]] = []
    for number in sorted(int(one.region) for one in regions):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in runs)


def _proved_of(regions: pd.DataFrame, verdict: Verdict, proved: np.ndarray) -> list[bool]:
    """Of each region, whether any of its touches is beyond its limit by more than noise makes."""
    ids = verdict.table["touch"].to_numpy()[proved]
    return [bool(np.isin(list(one), ids).any()) for one in regions["ids"]]


def on_missing(regions: pd.DataFrame, verdict: Verdict, proved: np.ndarray, todo: dict[int, str]) -> list[str]:
    """Regions where material is missing; `proved` (n,): touches that noise does not explain. `todo` is filled."""
    said = []
    for r, sure in zip(regions.itertuples(), _proved_of(regions, verdict, proved), strict=True):
        if r.can_recut:
            continue
        if not sure:
            said.append(_no_more_than_noise(r, todo))
            continue
        text = (
            f"Region {r.region} on {r.face} near {_at(r)} cannot be re-cut: material is missing there, "
            f"{r.deviation:+z.3f} mm at worst, {r.beyond:.3f} mm beyond the limit ({touches_named(r.ids)}). Cutting "
            "does not bring it back: ask for a concession, repair it by an approved process, or scrap the part."
        )
        said.append(_Said("missing", r, text))
    return _told(said)


def _no_more_than_noise(region: Any, todo: dict[int, str]) -> _Said:
    """A region that noise explains; `todo` is filled."""
    todo[region.region] = "no more than noise makes: touch again first"
    text = (
        f"Undecided: region {region.region} on {region.face} near {_at(region)} is {region.beyond:.3f} mm beyond the "
        f"limit, no more than noise makes. Touch there again before anything is done ({touches_named(region.ids)})."
    )
    return _Said("noise", region, text)


def on_left(
    regions: pd.DataFrame,
    verdict: Verdict,
    table: pd.DataFrame,
    proved: np.ndarray,
    why: np.ndarray,
    cutters: Sequence[Cutter],
    offered: list[str],
    mended: Collection[str],
    todo: dict[int, str],
) -> list[str]:
    """Regions worth a re-cut; of the others, one sentence for each tolerance that it would not help.

    `todo` is filled: region -> what to do, in few words.
    """
    said: list[_Said] = []
    in_vain: dict[str, tuple] = {}
    position = {touch: row for row, touch in enumerate(verdict.table["touch"].tolist())}
    for r in regions[regions["can_recut"].astype(bool)].itertuples():
        rows = [position[touch] for touch in r.ids]
        if not proved[rows].any():
            said.append(_no_more_than_noise(r, todo))
            continue
        if (why[rows] != "").all():
            todo[r.region] = "its tool does not reach: no re-cut"
            text = (
                f"Region {r.region} on {r.face} near {_at(r)} cannot be re-cut with the tool named for it: "
                f"{r.deviation:+z.3f} mm are left there, but {why[rows[0]]} ({touches_named(r.ids)})."
            )
            said.append(_Said("blocked", r, text))
            continue
        judged = [one for one in verdict.evaluations if one.from_nominal and np.isin(rows, one.rows).any()]
        beyond_help = [one for one in judged if predicted(table, "re-cut", one) > one.width]
        todo[r.region] = "a re-cut alone would not bring it within" if beyond_help else "could be re-cut"
        if not beyond_help and judged and {one.name for one in judged} <= set(mended):
            todo[r.region] = "a change of the tool's entry, or a re-cut"
        for one in beyond_help:
            in_vain.setdefault(one.name, (one, []))[1].append(r)
        vain = [one.name for one in judged if one.name not in offered and one not in beyond_help]
        if vain and not beyond_help:
            todo[r.region] = "a re-cut is not offered"
            text = (
                f"Region {r.region} on {r.face} near {_at(r)} is {r.beyond:.3f} mm beyond the limit "
                f"({touches_named(r.ids)}). A re-cut is not offered: by its prediction "
                f"{', '.join(vain)} would not conform after it."
                f"{_beside(verdict, np.array(rows), why, cutters)}"
            )
            said.append(_Said("not offered", r, text))
        elif not beyond_help:
            text = (
                f"Region {r.region} on {r.face} near {_at(r)} could be re-cut: material is left there, "
                f"{r.deviation:+z.3f} mm at worst, {r.beyond:.3f} mm beyond the limit, within about {r.reach:.0f} mm "
                f"({touches_named(r.ids)}).{_beside(verdict, np.array(rows), why, cutters)}"
            )
            said.append(_Said("cut", r, text))
    return _told(said) + [_on_vain_recut(one, found, table) for one, found in in_vain.values()]


def _beside(verdict: Verdict, rows: np.ndarray, why: np.ndarray, cutters: Sequence[Cutter]) -> str:
    """What a re-cut of these touches comes near to: dents beside them, and touches that the tool does not reach."""
    text, stay = "", rows[why[rows] != ""]
    if len(stay):
        ids = verdict.table["touch"].iloc[stay].tolist()
        text += f" The material at {touches_named(ids)} stays, for {why[stay[0]]}."
    for touch, away, off in dents_beside(verdict, rows, cutters)[:1]:
        text += (
            f" Material is missing {away:.1f} mm beside it (touch {touch}, {off:+z.3f} mm): no stock is taken there."
        )
    return text


def _on_vain_recut(one: Evaluation, found: list, table: pd.DataFrame) -> str:
    worst = max(found, key=lambda r: r.deviation)
    regions = ("Region " if len(found) == 1 else "Regions ") + ", ".join(str(r.region) for r in found)
    after = predicted(table, "re-cut", one)
    text = (
        f"{one.name}: a re-cut would not bring the part within its limits. Material is left ({regions}, "
        f"{worst.deviation:+z.3f} mm at worst, near {_at(worst)}), but {after:.3f} mm of {one.width:.3f} mm would stay "
        "once it is off, because material is missing elsewhere."
    )
    moved = predicted(table, "rigid move of each", one)
    if moved <= one.width:
        text += (
            f" A move of its faces as a whole would explain it, leaving {moved:.3f} mm: find out first whether the "
            "set-up between the cuts, or the datums, can have moved them."
        )
    return text


def _at(region: Any) -> str:
    return f"({region.x:z.1f}, {region.y:z.1f}, {region.z:z.1f})"
