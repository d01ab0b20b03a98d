"""What a STEP file holds for the eye alone: drawn annotations without data behind them, texts, named standards."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from .part21 import Record
from .pmi_links import references

__all__ = ["drawn_only", "standard_of", "texts_of"]

_DRAWN = re.compile(r"ANNOTATION_\w*OCCURRENCE\w*|TESSELLATED_ANNOTATION_OCCURRENCE")
#: What a drawn annotation may stand for: data, the aspect that carries it, or a property that holds its text.
_MEANT = re.compile(
    r"TOLERANCE|ZONE_DEFINITION|DATUM|DIMENSIONAL_|ANGULAR_(SIZE|LOCATION)|LIMITS_AND_FITS|SURFACE_TEXTURE"
)
_SAYS = (
    "DOCUMENT",
    "PRODUCT",
    "DESCRIPTIVE_REPRESENTATION_ITEM",
    "TEXT_LITERAL",
    "GENERAL_PROPERTY",
    "APPLIED_DOCUMENT",
)
_ASME = re.compile(r"Y\s*14[.,]5(?!\d)M?(\s*[-:]\s*\d{4}|\s*\(\d{4}\))?", re.IGNORECASE)
_ISO = re.compile(
    r"\bISO[ /A-Z-]{0,8}(1101|1660|8015|5459|2692|5458|14405|17450)(-\d)?(\s*[-:]\s*\d{4})?", re.IGNORECASE
)
_KEPT_BY_OTHERS = {"datum references", "tolerance principle"}
_MOST_TEXTS, _LONGEST = 60, 2000


def drawn_only(records: Mapping[int, Record]) -> list[Record]:
    """Annotations that stand for nothing that a machine could read."""
    meant: set[int] = set()
    for record in records.values():
        for keyword, values in record.parts.items():
            if not keyword.startswith("DRAUGHTING_MODEL_ITEM_ASSOCIATION") or len(values) < 3:
                continue
            about = [records[n] for n in references(values[2:3]) if n in records]
            if any(_MEANT.search(k) or k == "PROPERTY_DEFINITION" for one in about for k in one.parts):
                meant |= set(references(values[4:]))
    callouts = {n: r for n, r in records.items() if any(k.endswith("CALLOUT") for k in r.parts)}
    within = {n for r in callouts.values() for n in references(tuple(r.parts.values()))}
    return [
        record
        for number, record in records.items()
        if number not in meant
        and (number in callouts or (number not in within and any(_DRAWN.fullmatch(k) for k in record.parts)))
    ]


def standard_of(records: Iterable[Record]) -> tuple[str, tuple[str, ...]]:
    """The one standard of tolerances that documents, products, notes or drawn texts name, or nothing; and all named."""
    found: dict[str, dict[str, None]] = {}
    for record in records:
        if any(keyword.startswith(_SAYS) for keyword in record.parts):
            said = " ".join(_strings(tuple(record.parts.values())))
            for name, pattern in (("ASME Y14.5", _ASME), ("ISO 1101", _ISO)):
                for match in pattern.finditer(said):
                    found.setdefault(name, {})[" ".join(match[0].split())] = None
    named = tuple(one for words in found.values() for one in words)
    return (next(iter(found)) if len(found) == 1 else ""), named


def texts_of(records: Mapping[int, Record]) -> tuple[str, ...]:
    """Texts for people, each once, as one line each, cut to a sane length; the lines of one note together."""
    lines = {n: text for n, one in records.items() if (text := _text_of(one)) is not None}
    notes, told = list[str](), set[int]()
    for record in records.values():
        items = next((v[1] for k, v in record.parts.items() if k.endswith("REPRESENTATION") and len(v) >= 2), ())
        if isinstance(items, tuple) and (own := [n for n in references(items) if n in lines]):
            notes.append(" ".join(lines[n] for n in own if n not in told))
            told |= set(own)
    found: dict[str, None] = {}
    for text in (*notes, *(text for n, text in lines.items() if n not in told)):
        text = " ".join(text.split())
        if len(text.split()) >= 3:
            found[text if len(text) <= _LONGEST else text[:_LONGEST] + " ..."] = None
    return tuple(found)[:_MOST_TEXTS]


def _text_of(record: Record) -> str | None:
    """Text of an item, if it is one that no data stand for."""
    for keyword in ("DESCRIPTIVE_REPRESENTATION_ITEM", "TEXT_LITERAL"):
        strings = [one for one in record.parts.get(keyword, ()) if isinstance(one, str)]
        if not strings or strings[0].strip().lower() in _KEPT_BY_OTHERS:
            continue
        text = strings[-1 if keyword.startswith("DESC") else min(1, len(strings) - 1)]
        if strings[0] != "equivalent unicode string":
            return text
        # what stands in a frame or beside a dimension is read as data
        return re.sub(r"^TXT|\\[wn]", " ", text) if text.startswith("TXT") else None
    return None


def _strings(values: Any) -> Iterable[str]:
    if isinstance(values, str):
        yield values
    elif isinstance(values, tuple):
        for one in values:
            yield from _strings(one)
