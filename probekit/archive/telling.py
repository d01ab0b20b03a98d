"""The history of the parts of one revision: how tolerances, cutters and set-up fared, which touches earn their time."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from ..gauge.result import GaugeResult
from ..show import shown
from .choosing import Chosen, choose
from .earning import earning
from .exporting import table_of
from .store import Archive
from .trends import drifts, setups, tolerances

__all__ = ["History", "history"]

_COLUMNS = ("touch", "feature", "face", "deviation", "lower", "upper", "share")
_NAMED = 5  # parts that a note names


@shown
@dataclass(frozen=True, eq=False)
class History:
    """What an archive tells of the parts of one revision.

    Attributes
    ----------
    chosen : Chosen
        Which records count, and which do not, and why.
    title : str
        Name of the part.
    tolerances, drifts, setups, touches : DataFrame
        As `trends.tolerances`, `trends.drifts`, `trends.setups` and `earning.earning` give them.
    studies : dict
        Charts, capabilities and drifts by name (`probekit.gauge`).
    notes : tuple of str
        What has to be known to believe it, and what stands out.
    """

    chosen: Chosen
    title: str
    tolerances: pd.DataFrame
    drifts: pd.DataFrame
    setups: pd.DataFrame
    touches: pd.DataFrame
    studies: dict[str, GaugeResult] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """The parts."""
        return self.chosen.parts

    @property
    def sentence(self) -> str:
        """How many parts, their words, and what was left out, in one line."""
        words = Counter(self.chosen.parts["word"])
        said = ", ".join(
            f"{words[word]} {word}" for word in ("conforms", "does not conform", "undecided") if words[word]
        )
        return f"{self.title}: {said.replace('conforms', 'conform')}. {self.chosen.sentence}"


def history(archive: Archive, *, like: int | None = None) -> History:
    """Trends, drift of cutters and set-up, capability, and what each touch was good for.

    Parts of another revision of study, model or plan are left out and counted; of a part that was inspected twice the
    last record counts, and the earlier ones are shown.

    Parameters
    ----------
    archive : Archive
    like : int, optional
        Number of a record of the revision that is meant; that of the last inspection by default.

    Returns
    -------
    History

    Raises
    ------
    InputError
        If there is no inspection, or touches cannot be read.
    """
    chosen = choose(archive, like=like)
    parts = chosen.parts
    place = dict(zip(parts["record"], parts["part"], strict=True))
    actual = _of_parts(table_of(archive, "actual"), place)
    found, studies = tolerances(actual)
    placed, of_setup, moved = setups(_of_parts(table_of(archive, "setup"), place))
    last = archive.body(int(parts["record"].iloc[-1]))
    touches = _touches(archive, place)
    cutters, of_cutters, drifting = drifts(touches, last["settings"].get("cutter", []))
    ruled, changes = _of_bodies(archive, place)
    earned = _earned(touches, ruled, set(last["settings"].get("alignment", {}).get("features", ())))
    notes = [*chosen.notes, *drifting, *moved, *changes]
    tried = int(cutters["p"].notna().sum() + placed["p"].notna().sum())
    if tried:
        notes.append(
            f"{tried} lines were tried for a drift; one is named only where chance among all of its table is under 5 %"
        )
    if earned["word"].str.startswith("could").any():
        notes.append(
            "what could be spared is a suggestion: a defect that no part has had so far is not in the history, and "
            "what lies between touches never is"
        )
    return History(
        chosen,
        str(last["part"]),
        found,
        cutters,
        placed,
        earned,
        studies | of_cutters | of_setup,
        tuple(notes),
    )


def _of_parts(table: pd.DataFrame, place: dict[int, int]) -> pd.DataFrame:
    """The rows of the records that count, in the order of the parts."""
    mine = table[table["record"].isin(list(place))]
    return mine.assign(part=mine["record"].map(place)).sort_values("part", kind="stable", ignore_index=True)


def _touches(archive: Archive, place: dict[int, int]) -> pd.DataFrame:
    tables = []
    for number, table in archive.touches_of(list(place), list(_COLUMNS)):
        tables.append(table.assign(part=place[number], touch=table["touch"].astype(str).astype(object)))
    if not tables:
        return pd.DataFrame(columns=[*_COLUMNS, "part"])
    return pd.concat(tables, ignore_index=True).sort_values("part", kind="stable", ignore_index=True)


def _earned(touches: pd.DataFrame, ruled: Counter[str], held: set[str]) -> pd.DataFrame:
    if touches.empty:
        none, empty = pd.Series(dtype=float), pd.DataFrame()
        return earning(empty, empty, none, none, none, held)
    once = touches.drop_duplicates(["part", "touch"], keep="last")
    order = once["touch"].drop_duplicates()
    wide = {name: once.pivot(index="part", columns="touch", values=name)[order] for name in ("deviation", "share")}
    last = once.drop_duplicates("touch", keep="last").set_index("touch").loc[order]
    width = (last["upper"] - last["lower"]).astype(float)
    return earning(
        wide["deviation"].astype(float),
        wide["share"].astype(float),
        width,
        last["feature"],
        pd.Series(dict(ruled), dtype=float),
        held,
    )


def _of_bodies(archive: Archive, place: dict[int, int]) -> tuple[Counter[str], list[str]]:
    """How often each touch determined an actual value, and where the ball that was compensated for changes."""
    ruled: Counter[str] = Counter()
    said: list[str] = []
    before = None
    for number, part in place.items():
        results: dict[str, Any] = archive.body(int(number))["results"]
        ruled.update({str(one) for evaluation in results["evaluations"] for one in evaluation["ruling"]})
        rows = dict(map(tuple, results.get("provenance", ())))
        ball = tuple(rows.get(name) for name in ("settings: stylus", "qualification SHA-256"))
        if before is not None and ball != before:
            said.append(f"part {part}")
        before = ball
    more = "" if len(said) <= _NAMED else f" and {len(said) - _NAMED} more"
    where = f"{', '.join(said[:_NAMED])}{more}"
    return ruled, [f"stylus or its qualification changes at {where}: see whether a step lies there"] * bool(said)
