"""Which records belong together: one revision, each part once, and what was left out, with the reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ..errors import InputError
from ..show import shown
from .exporting import table_of
from .store import Archive

__all__ = ["Chosen", "choose", "chosen_like"]

_DATE = r"\d{4}-\d{2}-\d{2}([T ].*)?"
_OWN = "an earlier inspection of this part"
_MEANING = {"settings": "study", "model": "model", "plan": "plan"}


@shown
@dataclass(frozen=True, eq=False)
class Chosen:
    """Parts of one revision of study, model and plan.

    Attributes
    ----------
    parts : DataFrame
        One row per part, in the order of their dates if all state one, else as they were first inspected: `part` (1, 2,
        ...), `record` (that counts: the last of this part), `key`, `word`, `at`, `earlier` (records that it supersedes,
        with words), `answers`.
    left_out : DataFrame
        One row per record that does not count: `record, key, word, why`.
    notes : tuple of str
    """

    parts: pd.DataFrame
    left_out: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """How many parts count, and how many records do not, and why, in one line."""
        said = f"{len(self.parts)} part{'s' * (len(self.parts) != 1)} of one revision of study, model and plan"
        if self.left_out.empty:
            return said + "; no record left out"
        counts = self.left_out["why"].value_counts()
        several = "records" if len(self.left_out) > 1 else "record"
        return f"{said}; {len(self.left_out)} {several} left out: " + ", ".join(
            f"{n} {why}" for why, n in counts.items()
        )


def choose(archive: Archive, *, like: int | None = None) -> Chosen:
    """The parts of one revision.

    Parameters
    ----------
    archive : Archive
    like : int, optional
        Number of a record of the revision that is meant; that of the last inspection by default.

    Returns
    -------
    Chosen

    Raises
    ------
    InputError
        If there is no inspection, or no such record.
    """
    table = table_of(archive, "part")
    inspected = table[table["kind"] == "inspection"]
    if inspected.empty:
        raise InputError("no inspected part is in the archive", file=archive.folder)
    if like is not None and like not in set(inspected["record"]):
        raise InputError("no such inspection is in the archive", file=archive.folder, found=like)
    pattern = inspected.iloc[-1] if like is None else inspected[inspected["record"] == like].iloc[0]
    return chosen_like(archive, pattern)


def chosen_like(archive: Archive, pattern: Mapping[str, Any], *, but: str = "") -> Chosen:
    """The parts of the revision that a record is of, which need not be in the archive.

    Parameters
    ----------
    archive : Archive
        Has records.
    pattern : mapping
        `revision`, and the hashes `settings`, `model` and `plan` that it is of.
    but : str
        Key of a part whose inspections do not count.
    """
    table = table_of(archive, "part")
    inspected = table[table["kind"] == "inspection"]
    own = inspected["key"] == but
    mine = (inspected["revision"] == pattern["revision"]) & ~own
    left = [
        (row.record, row.key, row.word, _OWN if row.key == but else _other(row, pattern))
        for row in inspected[~mine].itertuples()
    ]
    parts, notes = [], []
    answers: dict[str, list[int]] = {}
    for one in table[table["kind"] == "answer"][["answers", "record"]].to_dict("records"):
        answers.setdefault(one["answers"], []).append(one["record"])
    of_part: dict[str, list[dict[str, Any]]] = {}
    for one in inspected[mine][["key", "record", "word", "at", "hash"]].to_dict("records"):
        of_part.setdefault(one["key"], []).append(one)
    for number, (key, (*before, last)) in enumerate(of_part.items(), 1):
        listed = ", ".join(f"{one['record']} ({one['word']})" for one in before)
        left += [(one["record"], key, one["word"], "superseded by a later inspection of the part") for one in before]
        if last["word"] == "conforms" and {one["word"] for one in before} - {"conforms"}:
            notes.append(f"part {key} conforms in record {last['record']}, and did not in {listed}: see why")
        numbers = sorted(n for one in (*before, last) for n in answers.get(one["hash"], ()))
        given = [archive.body(int(n)) for n in numbers]
        said = "; ".join(f"{one['text']} ({one['by']}, {one['at'][:10]})" for one in given)
        parts.append((number, last["record"], key, last["word"], last["at"], listed, said))
    judged = set(inspected["touches"]) - {""}
    refused = table[(table["kind"] == "refused") & ~table["touches"].isin(judged)]
    refused = refused[~refused["key"].isin(inspected["key"])].drop_duplicates("key", keep="last")
    left += [(row.record, row.key, "refused", "could not be judged") for row in refused.itertuples()]
    names = ["part", "record", "key", "word", "at", "earlier", "answers"]
    chosen = pd.DataFrame(parts, columns=names)
    chosen, undated = _in_order_of_making(chosen, inspected)
    notes += undated
    notes += _copies(inspected[inspected["record"].isin(chosen["record"])])
    loose = int(chosen["key"].str.startswith("file ").sum())
    if loose:
        notes.append(
            f"{loose} {'part has' if loose == 1 else 'parts have'} no serial number and "
            f"{'is' if loose == 1 else 'are'} told apart by the results file: one that was touched "
            "twice counts twice. Name it: # serial: 17 in the results file, or [about] serial"
        )
    out = pd.DataFrame(sorted(left), columns=["record", "key", "word", "why"])
    return Chosen(chosen, out, tuple(notes))


def _in_order_of_making(chosen: pd.DataFrame, inspected: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Parts by their dates, if each states one as ISO 8601 has it; those of one day as they were inspected."""
    made = chosen["record"].map(inspected.set_index("record")["made"])
    known = made.astype(str).str.fullmatch(_DATE)
    if known.all():
        ordered = chosen.loc[made.astype(str).sort_values(kind="stable").index].reset_index(drop=True)
        return ordered.assign(part=range(1, len(ordered) + 1)), []
    if known.any():
        return chosen, [f"without a date: {int((~known).sum())}; so all parts are in the order of their inspection"]
    return chosen, []


def _other(row: object, pattern: Mapping[str, Any]) -> str:
    """In what a record differs from the revision that is meant."""
    other = [word for name, word in _MEANING.items() if getattr(row, name) != pattern[name]]
    return "of another " + " and ".join(other)


def _copies(inspected: pd.DataFrame) -> list[str]:
    """Parts whose measured positions are those of another part, to the last digit."""
    twice = inspected[inspected.duplicated("measured", keep=False)]
    return [
        f"parts {', '.join(of['key'])} have the same measured positions to the last digit: results were copied"
        for _, of in twice.groupby("measured", sort=False)
    ]
