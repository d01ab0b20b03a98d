"""One program: probing put into a milling program, which gets back what it relies on.

Nothing of the milling text is changed. What is set back, and in which order, is our own choice: the spindle and the
coolant start only when the milling tool is back in the spindle and lifted.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from pathlib import Path

from ...errors import InputError
from ...files import store
from ...plan.kinematics import Kinematics
from ...show import shown
from ..deciding.decisions import Recut
from ..reading.interpreter import Interpreter
from ..reading.source import Source, load
from ..reading.words import parse
from ..writing.write import MILLING, RECUT
from .anchors import walk
from .difference import Difference, difference
from .inserting import Inserted, Onto, inserted

__all__ = ["Merged", "merge"]

LIFT = "G0 G53 Z0"

Place = str | int


@shown
@dataclass(frozen=True)
class Merged:
    """A milling program with probing in it.

    Attributes
    ----------
    text : str
    milling : Source
        The milling program as it was, and how it was stored.
    parts : tuple of (int, int, str)
        Of each inserted part its first and last line in `text`, from 1, and where that is, in words.
    notes : tuple of str
        What a person should look at.
    """

    text: str
    milling: Source
    parts: tuple[tuple[int, int, str], ...]
    notes: tuple[str, ...]

    @property
    def first(self) -> int:
        """First line of the first inserted part."""
        return self.parts[0][0]

    @property
    def last(self) -> int:
        """Last line of the last inserted part."""
        return self.parts[-1][1]

    @property
    def place(self) -> str:
        """Where the probing stands, in words."""
        return ", and ".join(dict.fromkeys(words for _, _, words in self.parts))

    @property
    def where(self) -> str:
        """Where the probing stands, with its lines, in words."""
        told = ", and ".join(f"{words}, in lines {first} to {last}" for first, last, words in self.parts)
        return f"The probing stands {told}."

    @property
    def sentence(self) -> str:
        """Where the probing stands, and that nothing else is changed."""
        return f"{self.where} {self.difference.sentence}"

    @property
    def data(self) -> bytes:
        """The program as bytes, in the encoding of the milling program."""
        return self.milling.encode(self.text)

    def write(self, to: str | Path) -> Path:
        """Store the program in the encoding of the milling program.

        Parameters
        ----------
        to : str or Path

        Raises
        ------
        InputError
            If the file cannot be written.
        """
        store(to, self.data)
        return Path(to)

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return f"<p>{escape(self.where)}</p><ul>{notes}</ul>{self.difference._repr_html_()}"

    @property
    def difference(self) -> Difference:
        """What stands in the merged program and not in the milling program, line by line."""
        return difference(self.milling, self.text)


def merge(
    milling: str | bytes | Path | Source,
    probing: str | bytes | Path | Source,
    *,
    after: Place | Sequence[Place],
    occurrence: int | Sequence[int | None] | None = None,
    kinematics: Kinematics | None = None,
    lift: str = LIFT,
    clearance: float | None = None,
    aliases: Mapping[str, str] | None = None,
    known: Iterable[str] = (),
    flow: bool = False,
    copies: Collection[str] = (),
    again: Sequence[Recut] = (),
) -> Merged:
    r"""Put probing into a milling program.

    Many parameters: a place in a program needs its mark, its occurrence, the retract and the clearance there, and the
    words that the dialect adds.

    Parameters
    ----------
    milling : str, bytes, Path or Source
        The milling program; a str is the text itself. Bytes and files keep their encoding. Calls of subprograms in it
        are followed where the text alone tells them (`probekit.program.reading.calls`); no place may lie in one.
    probing : str, bytes, Path or Source
        The probing, as `write` gives it. Its program marks, program number and program end are left out.
    after : str or int, or a sequence of them
        One place for each part of the probing, in the order of the milling. A block number (``120`` or ``"N120"``):
        directly after it. A tool (``"T4"``): after all its work, before the next tool change. ``"start"``: before the
        first tool, spindle or move. ``"end"``: before the program end. Any other text is looked for in the comments:
        after the operation that such a comment heads, that is before the next line with only a comment, the next tool
        change or the program end. ``"(T4)"`` in brackets is a comment.
    occurrence : int, optional, or a sequence of them
        Which one, from 1, where there are several.
    kinematics : Kinematics, optional
        Rotary axes of the machine; needed if the program turns them.
    lift : str
        Block [mm] that brings the spindle to where tools may be changed and rotary axes may turn. The usual value goes
        to Z0 of the machine, the upper end of most machines (common practice, no source): look it up for yours.
    clearance : float, optional
        Height [mm, program coordinates] from which the milling tool counts as lifted out of the work. If not given it
        does where its last move along Z was a rapid upwards, or its height is not known from the text.
    aliases : mapping of str to str, optional
        Words of this control that mean a word of RS274/NGC: ``{"G901": "G38.2"}``. They are a statement of yours.
    known : iterable of str
        Words that are not understood here and change nothing for the probing: ("M88",). They are a statement of yours.
    flow : bool
        Whether the control knows flow control (O-words), and the probing may decide by it.
    copies : collection of str
        Work offsets that the probing may write: "G55".
    again : sequence of Recut
        Operations that the probing may have run again, in its order.

    Returns
    -------
    Merged

    Raises
    ------
    InputError
        If the place is missing or ambiguous; the milling tool would have to go back to where this cannot be done
        safely (cutter compensation on, a canned cycle or an arc continued by the next block, not lifted, no tool
        called before); the lift would count without the length of the tool (G49 in force); a shift, rotation, scaling
        or word that is not understood is in force there; flow control stands before it, or a jump anywhere; the parts
        of the probing would not stand in their order, or share labels with the milling; the state there depends on the
        block delete switch; or the probing cannot be understood enough. If an operation that is to be run again is
        missing or ambiguous, does not end before the probing, does not begin or end lifted, has another work offset
        than what it is judged by, works with parameters, moves an origin, or holds what is not understood.

    Examples
    --------
    >>> milling = "G21 G90\n(FINISH)\nT1 M6\nG43 H1\nS9000 M3\nG0 X0 Y0 Z50\nG1 Z-1 F300\nG0 Z50\nM5\nM30\n"
    >>> merged = merge(milling, "(PROBEKIT BEGIN)\nT9 M6\nG43 H9\nG0 Z60\n(PROBEKIT END)\n", after="FINISH")
    >>> merged.difference.unchanged, merged.place
    (True, "after the operation 'FINISH'")
    """
    harmless = frozenset(known)

    def fresh() -> Interpreter:
        return Interpreter(kinematics=kinematics, aliases=aliases, harmless=harmless)

    source = load(milling)
    if len(parse(lift)) != 1 or any(step.kind != "rapid" for step in walk(Interpreter(), parse(lift))[0].steps):
        raise InputError("the lift is not one block of rapid moves", column="lift", found=lift, expected=LIFT)
    blocks = parse(source)
    walked = walk(fresh(), blocks)
    letters = kinematics.letters if kinematics else ()
    onto = Onto(source, blocks, walked, fresh, letters, lift, clearance, harmless, flow, frozenset(copies))
    texts = _parted(load(probing))
    places = [after] if isinstance(after, str | int) else list(after)
    which = list(occurrence) if isinstance(occurrence, Sequence) else [occurrence] * len(places)
    if not len(texts) == len(places) == len(which):
        raise InputError(
            "the probing has not one place for each of its parts",
            column="after",
            found=f"{len(places)} places, {len(which)} occurrences",
            expected=f"{len(texts)} of each",
        )
    cut = [text.splitlines().count(RECUT) for text in texts]
    if sum(cut) != len(again):
        found = f"{sum(cut)} places, {len(again)} operations"
        raise InputError("the probing does not name each operation that is cut again", column="again", found=found)
    firsts = [sum(cut[:row]) for row in range(len(cut))]
    parts = [
        inserted(onto, parse(text), place, nth, again[first : first + count])
        for text, place, nth, first, count in zip(texts, places, which, firsts, cut, strict=True)
    ]
    for one, other in pairwise(parts):
        if other.index <= one.index:
            raise InputError(
                "the parts of the probing would not stand in their order in the milling program",
                file=source.name or None,
                column="after",
                found=f"line {one.index + 1} ({one.words}), then line {other.index + 1} ({other.words})",
                todo="Name a later place for the second one, or put both at one place.",
            )
    return _spliced(onto, parts)


def _parted(probing: Source) -> list[str]:
    """The texts between which the milling goes on."""
    texts: list[list[str]] = [[]]
    for line in probing.lines:
        if line.strip() == MILLING:
            texts.append([])
        else:
            texts[-1].append(line)
    return ["".join(lines) for lines in texts]


def _spliced(onto: Onto, parts: Sequence[Inserted]) -> Merged:
    """The milling program with the inserted lines in it."""
    lines, notes = onto.source.lines, [note for part in parts for note in part.notes]
    end = next((line[len(line.rstrip("\r\n")) :] for line in lines if line.endswith(("\r", "\n"))), "\n")
    kept, at, where = list[str](), 0, []
    for part in parts:
        kept += lines[at : part.index]
        at = part.index
        if kept and not kept[-1].endswith(("\r", "\n")):
            kept[-1] += end
            notes.append("The last line of the milling program had no end of line: one was added before the probing.")
        where.append((len(kept) + 1, len(kept) + len(part.lines), part.words))
        kept += [line + end for line in part.lines]
    text = "".join([*kept, *lines[at:]])
    onto.source.encode(text)
    if onto.lift == LIFT:
        notes.append(f"The spindle is lifted by {LIFT}: check that Z0 of the machine is its upper end of travel.")
    if not any(one.does("end") for one in onto.walked):
        notes.append("The milling program has no end (M2, M30 or a second %): check that it is complete.")
    return Merged(text, onto.source, tuple(where), tuple(dict.fromkeys([*onto.source.notes, *notes])))
