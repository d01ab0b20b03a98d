"""The results of an inspection as DMIS output: touches as points, tolerances with what was found."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import CONTACT, FOOT, FOOT_NORMAL, NORMAL, TARGET
from ..errors import InputError

if TYPE_CHECKING:
    from ..verdict.results import Verdict

__all__ = ["results"]

#: Our kind of tolerance -> the word of DMIS (from memory). What has none stands in a comment.
_WORDS = {
    "profile of a surface": "PROFS",
    "profile of a line": "PROFL",
    "flatness": "FLAT",
    "straightness": "STRGHT",
    "circularity": "CIRLTY",
    "cylindricity": "CYLCTY",
    "parallelism": "PARLEL",
    "perpendicularity": "PERP",
    "angularity": "ANGLR",
    "circular runout": "CRNOUT",
    "total runout": "TRNOUT",
}
_STATUS = {"conforms": "INTOL", "does not conform": "OUTOL"}
_WIDE = 80  # characters of a line, as programs have it


def results(verdict: Verdict, *, part: str, provenance: Iterable[tuple[str, str]] = ()) -> str:
    """Write the results of an inspection as DMIS output (ISO 22093, from memory).

    Parameters
    ----------
    verdict : Verdict
        With its table of judged touches.
    part : str
        What the part is called.
    provenance : iterable of (str, str)
        Name and value of what the results were made from; they stand in comments.

    Returns
    -------
    str
        Lines of at most 80 characters, in ASCII; lengths in mm. The nominal point is the target or, without one, the
        foot on the model; the measured one is the contact, compensated for the ball, as judged. Touches without a
        point, tolerances that DMIS has no word for and those that are undecided stand in comments: nothing is lost.

    Raises
    ------
    InputError
        If the verdict has no touch.
    """
    table = verdict.table
    if not len(table):
        raise InputError("results without a touch cannot be written", expected="one row or more")
    lines = [f"FILNAM/'{_text(part)}',05.2", "UNITS/MM,ANGDEC", f"PN(PART)=PARTID/'{_text(part)}'"]
    lines += [f"$$ {_text(line)}" for line in (verdict.sentence, *(f"{name}: {value}" for name, value in provenance))]
    labels = _labels(table["touch"].tolist())
    for label, row in zip(labels, table.to_dict("records"), strict=True):
        lines += _touch(label, row)
    for number, one in enumerate(verdict.evaluations, 1):
        lines += _tolerance(f"T{number}", one, _word_of(verdict, one.name), labels)
    lines += [f"$$ NOT JUDGED: {_text(one.name)}: {_text(one.reason)}" for one in verdict.unjudged]
    return "\n".join(piece for line in [*lines, "ENDFIL"] for piece in _broken(line)) + "\n"


def _labels(touches: list[Any]) -> list[str]:
    """A label of its own for each touch: P and its number where all have one, else P and where it stands."""
    whole = all(isinstance(one, int | np.integer) and one >= 0 for one in touches)
    numbered = whole and len({int(one) for one in touches}) == len(touches)
    return [f"P{one if numbered else k}" for k, one in enumerate(touches, 1)]


def _touch(label: str, row: dict[str, Any]) -> list[str]:
    said = f"$$ TOUCH {_text(row['touch'])} {_text(row.get('feature', ''))}: {_text(row.get('verdict', ''))}"
    contact = np.array([row.get(name, np.nan) for name in CONTACT], dtype=float)
    if not np.isfinite(contact).all():
        return [f"{said}, {_text(row.get('reason') or 'no point')}"]
    aim = next(
        (
            values
            for names in ((*TARGET, *NORMAL), (*FOOT, *FOOT_NORMAL))
            if np.isfinite(values := np.array([row.get(name, np.nan) for name in names], dtype=float)).all()
        ),
        None,
    )
    direction = [] if aim is None else aim[3:].tolist()
    lines = [said]
    lines += [] if aim is None else [f"F({label})=FEAT/POINT,CART,{_numbers(aim)}"]
    return [*lines, f"OUTPUT/FA({label})", f"FA({label})=FEAT/POINT,CART,{_numbers([*contact, *direction])}"]


def _tolerance(label: str, one: Any, word: str, labels: list[str]) -> list[str]:
    actual = "unknown" if one.actual is None or not np.isfinite(one.actual) else f"{one.actual:.4f}"
    said = f"$$ TOLERANCE {label} {_text(one.name)}: {_text(one.kind)} {one.width}, actual {actual}: {word}"
    kind = _WORDS.get(one.kind)
    if kind is None or one.width is None:
        return [f"{said} (DMIS HAS NO WORD FOR IT HERE)"]
    limits = [one.lower, one.upper] if kind.startswith("PROF") else [one.width]
    lines = [said, f"T({label})=TOL/{kind},{_numbers(limits)}"]
    if actual == "unknown" or word not in _STATUS:
        return lines
    rows = [labels[int(row)] for row in one.rows if 0 <= int(row) < len(labels)] if hasattr(one, "rows") else []
    features = "".join(f"FA({name})," for name in rows)
    return [*lines, f"OUTPUT/{features}TA({label})", f"TA({label})=TOL/{kind},{actual},{_STATUS[word]}"]


def _word_of(verdict: Verdict, name: str) -> str:
    """Our word on a tolerance."""
    listed = verdict.tolerances
    found = listed.loc[listed["name"] == name, "word"]
    return str(found.iloc[0]) if len(found) else ""


def _numbers(values: Iterable[float]) -> str:
    return ",".join(f"{value + 0.0:.5f}" for value in values)


def _text(value: object) -> str:
    """What can neither end a text nor a line; other letters than those of ASCII are lost to it."""
    return re.sub(r"[^A-Za-z0-9 .,:;_+=()<>/-]", "_", str(value))


def _broken(line: str) -> Iterator[str]:
    """A line in pieces of at most 80 characters: of a comment each a comment, of a statement continued."""
    if line.startswith("$$"):
        yield from textwrap.wrap(line, _WIDE, subsequent_indent="$$   ", break_on_hyphens=False) or ["$$"]
        return
    while len(line) > _WIDE:
        at = line.rfind(",", 0, _WIDE - 1) + 1 or _WIDE - 1
        yield line[:at] + "$"
        line = line[at:]
    yield line
