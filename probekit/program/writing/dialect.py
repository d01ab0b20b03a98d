"""A dialect: how one control spells moves, read from one small TOML file that a shop can write for itself.

::

    name, about                     who it is for
    caution = ["...", "..."]        comments written into every program
    harmless = ["M88"]              words of the milling that are not understood here and change nothing for the probing
    released_by = ""                filled in by the person qualified for the control who releases the dialect
    coordinates = "program"         positions in program coordinates, or "part" for machines that align by themselves
    turns = ["table", "head"]       what may turn; others are refused
    rotary = "{letter}{angle}"      one word per rotary axis
    slots = [1001, 5000]            parameters of the control that keep triggers, three a touch: {slot_x} of a record
    line_limit = 256                characters a line may have
    header, footer                  lines before and after the moves
    whole = {before = [], after = []}  lines around a program that stands alone, not merged
    modal = ["FEDRAT/POSVEL"]       a line that begins so is left out where it repeats the last one that did

    [text]      safe = "A-Z a-z 0-9 ..." characters that words may have; token = the same for names that must not be
                parted; replacement = "_" for all others; upper = true: in capitals; longest = 60: of a comment
    [comment]   open = "(", close = ")"
    [blocks]    number = "N{n}", first = 10, step = 10: numbers before every block that is no comment; may be left out
    [numbers]   position, angle, feed, seconds, target, normal = {decimals, point, trailing, leading, width, factor}
    [work_offsets]  key = "text that selects it"; the first one is the default
    [moves]     one list of lines per kind of move
    [omit]      kind = "why": moves that the dialect cannot spell; they are listed in the header and warned of

Lines hold placeholders in braces, and each kind of line has its own; another one is an error. Every kind of move is
either in ``moves`` or in ``omit``. Only someone qualified for the control can tell whether a dialect is right for it.
"""

from __future__ import annotations

import difflib
import re
import textwrap
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from types import MappingProxyType

from ...errors import InputError
from ...show import shown
from ..reading.modal import CALLS, group_of
from .numbers import Number

__all__ = ["KINDS", "Dialect", "dialect_names", "example_dialect", "read_dialect"]

_PLACE = {"x", "y", "z"}
_TARGET = {"touch", "feature", "x0", "y0", "z0", "i", "j", "k", "tip", "side_tip"}

#: Placeholders of each kind of line.
KINDS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "comment": frozenset({"text"}),
        "spindle_stop": frozenset(),
        "away": frozenset(),
        "tool_change": frozenset({"tool", "offset", "tool_name"}),
        "orient": frozenset({"angle"}),
        "select_tip": frozenset({"tip", "tip_name", "sensor"}),
        "warm_up": frozenset({"seconds"}),
        "lift": frozenset(_PLACE),
        "index": frozenset({"rotary", "pose", "sensor"}),
        "link": frozenset(_PLACE),
        "first_link": frozenset(_PLACE),
        "approach": frozenset(_PLACE | {"feed"}),
        "touch": frozenset(_PLACE | _TARGET | {"feed", "standoff", "overtravel", "retract"}),
        "record": frozenset(_TARGET | {"slot_x", "slot_y", "slot_z"}),
        "retract": frozenset(_PLACE | {"feed"}),
        "stop_if": frozenset(_TARGET | {"radius", "lower", "upper"}),
        "stop": frozenset({"message"}),
    }
)
_FRAME = frozenset({"name", "probe", "work_offset", "touches"})
_FORMATS = ("position", "angle", "feed", "seconds", "target", "normal")
_PLACEHOLDER = re.compile(r"\{([a-z_0-9]*)\}")
_SPANS = re.compile(r"([A-Za-z0-9])-([A-Za-z0-9])")

_KEYS = {
    "": {
        "name": str,
        "about": str,
        "caution": list,
        "released_by": str,
        "harmless": list,
        "coordinates": str,
        "line_limit": int,
        "turns": list,
        "rotary": str,
        "slots": list,
        "header": list,
        "footer": list,
        "modal": list,
        "whole": dict,
        "text": dict,
        "comment": dict,
        "blocks": dict,
        "numbers": dict,
        "work_offsets": dict,
        "moves": dict,
        "omit": dict,
    },
    "whole": {"before": list, "after": list},
    "text": {"safe": str, "token": str, "replacement": str, "upper": bool, "longest": int},
    "comment": {"open": str, "close": str},
    "blocks": {"number": str, "first": int, "step": int},
    "moves": dict.fromkeys(KINDS, list),
    "omit": dict.fromkeys(KINDS, str),
    "numbers": dict.fromkeys(_FORMATS, dict),
}
_NEEDED = (
    *("name", "about", "caution", "coordinates", "header", "footer"),
    *("text", "comment", "numbers", "work_offsets", "moves"),
)


@shown
@dataclass(frozen=True)
class Dialect:
    """How one control spells moves; the attributes are the keys of the file, see `probekit.program.writing.dialect`."""

    name: str
    about: str
    caution: tuple[str, ...]
    coordinates: str
    safe: frozenset[str]
    token_safe: frozenset[str]
    replacement: str
    comment_open: str
    comment_close: str
    header: tuple[str, ...]
    footer: tuple[str, ...]
    numbers: Mapping[str, Number]
    work_offsets: Mapping[str, str]
    moves: Mapping[str, tuple[str, ...]]
    omit: Mapping[str, str] = field(default_factory=dict)
    released_by: str = ""
    harmless: tuple[str, ...] = ()
    turns: tuple[str, ...] = ("table", "head")
    rotary: str = "{letter}{angle}"
    slots: tuple[int, ...] = ()
    modal: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    upper: bool = False
    longest: int = 60
    line_limit: int = 256
    block_number: str = ""
    first_block: int = 10
    block_step: int = 10
    source: str = ""

    @property
    def sentence(self) -> str:
        """Name, and what it is for."""
        return f"{self.name}: {self.about}"

    def words(self, text: str) -> str:
        """Words for a person in safe characters only; every other one is replaced."""
        return self._made_safe(text, self.safe)

    def token(self, text: str) -> str:
        """A name in safe characters without blanks, never empty, cut to `longest`."""
        return self._made_safe(text, self.token_safe)[: self.longest] or self.replacement

    def comment(self, text: str) -> tuple[str, ...]:
        """Lines that only a person reads, as many as the text is long; only the first begins as the text does."""
        first, *rest = self.parts(text)
        lines = (first, *(f"{self.words('-')} {part}" for part in rest))
        return tuple(f"{self.comment_open}{line}{self.comment_close}" for line in lines)

    def parts(self, text: str) -> tuple[str, ...]:
        """Words for a person, in parts that a line can hold."""
        return tuple(textwrap.wrap(self.words(text), self.longest)) or ("",)

    def _made_safe(self, text: str, safe: frozenset[str]) -> str:
        text = text.upper() if self.upper else text
        return "".join(c if c in safe else self.replacement for c in text)


def dialect_names() -> tuple[str, ...]:
    """Names of the dialects that come with probekit."""
    folder = resources.files(__package__) / "dialects"
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def example_dialect() -> str:
    """The text of the dialect `shop_example`, which explains every word: to copy, and to change for a control.

    Returns
    -------
    str
        TOML. Until someone qualified for the control has compared it with the control's handbook and signed it in
        `released_by`, every program says that it is not released.

    Examples
    --------
    Store a copy, change it, and give its path to `write`, or to a study as ``[program] dialect = "ours.toml"``:

    >>> Path("ours.toml").write_text(example_dialect(), "utf-8")  # doctest: +SKIP
    >>> text = write(moves, "ours.toml", kinematics=kinematics, probe=probe)  # doctest: +SKIP
    """
    return _shipped("shop_example")


def _shipped(name: str) -> str:
    return (resources.files(__package__) / "dialects" / f"{name}.toml").read_text("utf-8")


def read_dialect(path_or_name: str | Path) -> Dialect:
    """Read a dialect.

    Parameters
    ----------
    path_or_name : str or Path
        A TOML file, or the name of a dialect that comes with probekit: see `dialect_names`.

    Returns
    -------
    Dialect

    Raises
    ------
    InputError
        If there is no such file, it is no TOML, a key is unknown, missing or of the wrong kind, a kind of move is
        neither spelled nor omitted, a placeholder is unknown, or a safe character could end a comment or a line.
    """
    if str(path_or_name) in dialect_names():
        file, text = f"{path_or_name}.toml", _shipped(str(path_or_name))
    else:
        file = str(path_or_name)
        try:
            text = Path(path_or_name).read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(
                f"the dialect cannot be read: {error}",
                file=file,
                expected=f"a TOML file in UTF-8, or one of {', '.join(dialect_names())}",
            ) from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"the dialect is not TOML: {error}", file=file) from None
    return _Reader(file).dialect(data)


class _Reader:
    """Checks and turns the data of one file; the file's name is in every error."""

    def __init__(self, file: str) -> None:
        self.file = file

    def dialect(self, data: dict) -> Dialect:
        self.known("", data)
        for key in _NEEDED:
            if key not in data:
                raise InputError("the dialect lacks a key", file=self.file, column=key)
        for table in ("whole", "text", "comment", "blocks", "moves", "omit", "numbers"):
            self.known(table, data.get(table, {}))
        if data["coordinates"] not in ("program", "part"):
            raise self.error(
                "the frame of the positions is not known", "coordinates", data["coordinates"], "program or part"
            )
        if set(data.get("turns", ())) - {"table", "head"}:
            raise self.error("what may turn is not known", "turns", data["turns"], "table, head")
        moves, omit = dict(data["moves"]), dict(data.get("omit", {}))
        if "orient" not in moves:
            omit.setdefault("orient", "it is not yet defined for this control")
        for kind in KINDS:
            if kind == "first_link" and kind not in omit and "link" in moves:
                moves.setdefault(kind, moves["link"])  # the checks tell where it goes down before it is across
            if (kind in moves) == (kind in omit):
                raise self.error("each kind of move must be either defined or omitted", kind, None, "moves or omit")
            self.lines(f"moves.{kind}", moves.get(kind, []), KINDS[kind])
        for key, lines in (("header", data["header"]), ("footer", data["footer"])):
            self.lines(key, lines, _FRAME)
        whole, blocks = data.get("whole", {}), data.get("blocks", {})
        self.lines("caution", data["caution"], frozenset())
        self.lines("whole.before", whole.get("before", []), _FRAME)
        self.lines("whole.after", whole.get("after", []), _FRAME)
        self.lines("modal", data.get("modal", []), frozenset())
        self.lines("rotary", [data.get("rotary", "")], frozenset({"letter", "angle"}))
        self.lines("blocks.number", [blocks.get("number", "")], frozenset({"n"}))
        for key, value in data["work_offsets"].items():
            self.lines(f"work_offsets.{key}", [value], frozenset())
        if not data["work_offsets"]:
            raise self.error("the dialect selects no work offset", "work_offsets", None, "at least one")
        return Dialect(
            name=data["name"],
            about=data["about"],
            caution=tuple(data["caution"]),
            coordinates=data["coordinates"],
            **self.text(data["text"], data["comment"]),
            header=tuple(data["header"]),
            footer=tuple(data["footer"]),
            numbers=MappingProxyType({key: self.number(key, data["numbers"].get(key)) for key in _FORMATS}),
            work_offsets=MappingProxyType(dict(data["work_offsets"])),
            moves=MappingProxyType({kind: tuple(lines) for kind, lines in moves.items()}),
            omit=MappingProxyType(dict(omit)),
            released_by=data.get("released_by", ""),
            harmless=self.harmless(data.get("harmless", [])),
            turns=tuple(data.get("turns", ("table", "head"))),
            rotary=data.get("rotary", "{letter}{angle}"),
            slots=self.slots(data),
            modal=tuple(data.get("modal", ())),
            before=tuple(whole.get("before", ())),
            after=tuple(whole.get("after", ())),
            upper=data["text"].get("upper", False),
            longest=data["text"].get("longest", 60),
            line_limit=data.get("line_limit", 256),
            block_number=blocks.get("number", ""),
            first_block=blocks.get("first", 10),
            block_step=blocks.get("step", 10),
            source=self.file,
        )

    def known(self, table: str, data: dict) -> None:
        for key, value in data.items():
            where = f"{table}.{key}" if table else key
            if key not in _KEYS[table]:
                close = difflib.get_close_matches(key, _KEYS[table], 1)
                todo = f"Did you mean {close[0]}?" if close else None
                raise InputError("the dialect has an unknown key", file=self.file, column=where, todo=todo)
            if not isinstance(value, _KEYS[table][key]) or (isinstance(value, bool) and _KEYS[table][key] is not bool):
                raise self.error("a key of the dialect has the wrong kind", where, value, _KEYS[table][key].__name__)

    def lines(self, key: str, lines: list, allowed: frozenset[str]) -> None:
        for line in lines:
            if not isinstance(line, str) or not all(c.isprintable() and c.isascii() for c in line):
                raise self.error("a line of the dialect is not printable ASCII text", key, line, "one line of text")
            for name in _PLACEHOLDER.findall(line):
                if name not in allowed:
                    expected = " ".join(f"{{{one}}}" for one in sorted(allowed)) or "no placeholder"
                    raise self.error("an unknown placeholder", key, f"{{{name}}}", expected)
            if "{" in _PLACEHOLDER.sub("", line) or "}" in _PLACEHOLDER.sub("", line):
                raise self.error("a brace that is not part of a placeholder", key, line, "{name}")

    def text(self, text: dict, comment: dict) -> dict:
        for table, keys, data in (("text", ("safe", "token"), text), ("comment", ("open",), comment)):
            for key in keys:
                if key not in data:
                    raise InputError("the dialect lacks a key", file=self.file, column=f"{table}.{key}")
        opened, closed, replacement = comment["open"], comment.get("close", ""), text.get("replacement", "_")
        safe, token = (frozenset(_SPANS.sub(_span, text[key])) for key in ("safe", "token"))
        self.lines("comment", [opened, closed], frozenset())
        wrong = {c for c in safe | token if not c.isascii() or not c.isprintable()} | (
            safe & set(opened + closed) - {" "}
        )
        wrong |= {" "} & token | {c for c in '%;:/\\"{}$' if c in token}
        if wrong:
            raise self.error("characters that are not safe", "text.safe", "".join(sorted(wrong)), "fewer")
        if len(replacement) != 1 or replacement not in safe & token:
            raise self.error("the replacement must be one safe character", "text.replacement", replacement, "one")
        return {
            "safe": safe,
            "token_safe": token,
            "replacement": replacement,
            "comment_open": opened,
            "comment_close": closed,
        }

    def harmless(self, words: list) -> tuple[str, ...]:
        for word in words:
            if not isinstance(word, str) or not re.fullmatch(r"[GM](0|[1-9][0-9]*)(\.[1-9][0-9]*)?", word):
                raise self.error("a harmless word is one G or M word", "harmless", word, "as it is listed: M88, G5.1")
            if group_of(word) is not None or word in CALLS:
                raise self.error("a word that is understood cannot be listed as harmless", "harmless", word, "none")
        return tuple(words)

    def slots(self, data: dict) -> tuple[int, ...]:
        """First and last number of the parameters that keep triggers."""
        given = tuple(data.get("slots", ()))
        used = any("{slot_" in line for line in data["moves"].get("record", ()))
        if bool(given) != used:
            raise self.error("slots and the record lines disagree", "slots", list(given), "{slot_x} in moves.record")
        if given and (len(given) != 2 or not all(type(n) is int for n in given) or not 0 < given[0] < given[1]):
            raise self.error("the slots are not usable", "slots", list(given), "[first, last]")
        return given

    def number(self, key: str, data: dict | None) -> Number:
        where = f"numbers.{key}"
        if data is None:
            raise InputError("the dialect lacks a key", file=self.file, column=where)
        kinds = {"decimals": int, "point": bool, "trailing": bool, "leading": bool, "width": int, "factor": float}
        for name, value in data.items():
            if name not in kinds:
                raise InputError("the dialect has an unknown key", file=self.file, column=f"{where}.{name}")
            if type(value) is not kinds[name] or (kinds[name] is not bool and not 0 <= value <= 12):
                raise self.error("a number format is not usable", f"{where}.{name}", value, kinds[name].__name__)
        return Number(**data)

    def error(self, what: str, key: str, found: object, expected: object) -> InputError:
        return InputError(what, file=self.file, column=key, found=found, expected=expected)


def _span(match: re.Match) -> str:
    """All characters of a span such as A-Z."""
    return "".join(chr(c) for c in range(ord(match[1]), ord(match[2]) + 1))
