"""What an archive tells of the parts before one that is being inspected: for the page of that part."""

from __future__ import annotations

from collections import Counter

from ..report.earlier import EarlierParts
from .choosing import chosen_like
from .exporting import table_of
from .record import Record
from .store import Archive

__all__ = ["earlier_parts"]


def earlier_parts(archive: Archive, record: Record) -> EarlierParts | None:
    """The actual values of the parts before this one, of the same revision of study, model and plan.

    Parameters
    ----------
    archive : Archive
    record : Record
        Of this part, as `probekit.archive.record.record_of` gives it; it need not be in the archive.

    Returns
    -------
    EarlierParts or None
        None if nothing was archived yet.

    Raises
    ------
    InputError
        If the archive cannot be read.
    """
    if not len(archive):
        return None
    hashes = record.body["hashes"]
    pattern = {name: hashes[name] for name in ("settings", "model", "plan")} | {"revision": record.body["revision"]}
    chosen = chosen_like(archive, pattern, but=record.body["key"])
    place = dict(zip(chosen.parts["record"], chosen.parts["key"], strict=True))
    order = {number: k for k, number in enumerate(place)}
    actual = table_of(archive, "actual")
    actual = actual[actual["record"].isin(list(place))]
    actual = actual.sort_values("record", key=lambda numbers: numbers.map(order), kind="stable", ignore_index=True)
    table = actual.assign(part=actual["record"].map(place))[["name", "part", "word", "actual", "width"]]
    notes = [note for note in chosen.notes if note.startswith(("without a date", "parts "))]
    same = table_of(archive, "part").set_index("record")["measured"].loc[list(place)] == hashes["measured"]
    notes += [f"part {place[number]} has the same measured positions to the last digit" for number in same.index[same]]
    return EarlierParts(
        table=table,
        parts=len(place),
        left_out=tuple(Counter(chosen.left_out["why"]).items()),
        notes=tuple(notes),
    )
