"""Reads and checks the TOML file of a dialect: see `probekit.program.writing.dialect`."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from ...errors import InputError
from ..reading.modal import CALLS, group_of
from .dialect import EXAMPLE, FILL_IN, KINDS, Dialect, dialect_names, shipped
from .numbers import Number
from .reckoning import Reckoning

__all__ = ["read_dialect"]

_FRAME = frozenset({"name", "probe", "work_offset", "touches"})
_DEVIATION = frozenset({"touch", "slot_x", "slot_y", "slot_z", "px", "py", "pz", "pi", "pj", "pk"})
_FORMATS = ("position", "angle", "feed", "seconds", "target", "normal")
_PLACEHOLDER = re.compile(r"\{([a-z_0-9]*)\}")
_SPANS = re.compile(r"([A-Za-z0-9])-([A-Za-z0-9])")

_KEYS = {
    "": {
        "name": str,
        "extends": str,
        "about": str,
        "caution": list,
        "released_by": str,
        "harmless": list,
        "coordinates": str,
        "language": str,
        "line_limit": int,
        "turns": list,
        "rotary": str,
        "slots": list,
        "watched": bool,
        "deviation": str,
        "header": list,
        "footer": list,
        "modal": list,
        "reckoning": dict,
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
    "reckoning": {"flow": bool, "names": list, "parameter": str, "origins": dict, "operations": dict},
    "moves": dict.fromkeys(KINDS, list),
    "omit": dict.fromkeys(KINDS, str),
    "numbers": dict.fromkeys(_FORMATS, dict),
}
_NEEDED = (
    *("name", "about", "caution", "coordinates", "header", "footer"),
    *("text", "comment", "numbers", "work_offsets", "moves"),
)

#: Kinds that a dialect may leave out without a word: nothing is written then, and the program says so.
_OPTIONAL = (
    *("orient", "first_touch", "back_off", "confirm", "agree", "safe_stop", "restart"),
    *("let", "decide", "otherwise", "decided", "repeat", "repeated", "again", "again_end", "give_up"),
    *("shift", "entered", "use_offset", "record_shifted", "recut", "recut_entered"),
)
_NOT_DEFINED = "it is not yet defined for this control"


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
        neither spelled nor omitted, a placeholder is unknown, a line is still to be filled in, or a safe character
        could end a comment or a line.
    """
    if str(path_or_name) in (*dialect_names(), EXAMPLE):
        file, text = f"{path_or_name}.toml", shipped(str(path_or_name))
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
    reader = _Reader(file)
    return reader.dialect(reader.extended(data))


class _Reader:
    """Checks and turns the data of one file; the file's name is in every error."""

    def __init__(self, file: str) -> None:
        self.file = file

    def extended(self, data: dict) -> dict:
        """The data, with that of the dialect that it extends where it says nothing itself."""
        base = data.get("extends")
        if base is None:
            return data
        if base not in dialect_names():
            raise self.error("the dialect to extend is not known", "extends", base, ", ".join(dialect_names()))
        whole = tomllib.loads(shipped(base))
        for kind in data.get("omit", {}):
            whole["moves"].pop(kind, None)
        for kind in data.get("moves", {}):
            whole.get("omit", {}).pop(kind, None)
        return _merged(whole, data)

    def reckoning(self, data: dict) -> Reckoning:
        """The table ``[reckoning]``."""
        names, origins, operations = (
            data.get(key, empty) for key, empty in (("names", []), ("origins", {}), ("operations", {}))
        )
        if names and (len(names) != 2 or not all(type(n) is int for n in names) or not 0 < names[0] < names[1]):
            raise self.error("the parameters of values are not usable", "reckoning.names", names, "[first, last]")
        for name, number in origins.items():
            if type(number) is not int or number < 1:
                raise self.error(
                    "the parameter of a work offset is not usable", f"reckoning.origins.{name}", number, "5221"
                )
        for word, text in operations.items():
            self.lines(f"reckoning.operations.{word}", [text], frozenset("ab"))
        self.lines("reckoning.parameter", [data.get("parameter", "{n}")], frozenset("n"))
        return Reckoning(
            data.get("flow", False),
            tuple(names),
            data.get("parameter", "{n}"),
            MappingProxyType(dict(origins)),
            MappingProxyType(dict(operations)),
        )

    def dialect(self, data: dict) -> Dialect:
        self.known("", data)
        for key in _NEEDED:
            if key not in data:
                raise InputError("the dialect lacks a key", file=self.file, column=key)
        for table in ("whole", "text", "comment", "blocks", "moves", "omit", "numbers", "reckoning"):
            self.known(table, data.get(table, {}))
        if data["coordinates"] not in ("program", "part"):
            raise self.error(
                "the frame of the positions is not known", "coordinates", data["coordinates"], "program or part"
            )
        if data.get("language", "") not in ("", "dmis"):
            raise self.error("the language of the programs is not known", "language", data["language"], "dmis, or none")
        if set(data.get("turns", ())) - {"table", "head"}:
            raise self.error("what may turn is not known", "turns", data["turns"], "table, head")
        moves, omit = _with_defaults(dict(data["moves"]), dict(data.get("omit", {})), data["comment"])
        for kind in KINDS:
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
        self.lines("deviation", [data.get("deviation", "")], _DEVIATION)
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
            language=data.get("language", ""),
            **self.text(data["text"], data["comment"]),
            header=tuple(data["header"]),
            footer=tuple(data["footer"]),
            reckoning=self.reckoning(data.get("reckoning", {})),
            numbers=MappingProxyType({key: self.number(key, data["numbers"].get(key)) for key in _FORMATS}),
            work_offsets=MappingProxyType(dict(data["work_offsets"])),
            moves=MappingProxyType({kind: tuple(lines) for kind, lines in moves.items()}),
            omit=MappingProxyType(dict(omit)),
            released_by=data.get("released_by", ""),
            harmless=self.harmless(data.get("harmless", [])),
            turns=tuple(data.get("turns", ("table", "head"))),
            rotary=data.get("rotary", "{letter}{angle}"),
            slots=self.slots(data),
            watched=data.get("watched", False),
            deviation=data.get("deviation", ""),
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
            if FILL_IN in line:
                raise InputError(
                    "a line of the dialect is still to be filled in",
                    file=self.file,
                    column=key,
                    found=line,
                    expected=f"the word of your control in place of {FILL_IN}",
                    todo="Look it up in the manual of the control, and have a qualified person release the dialect.",
                )
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


def _merged(base: dict, own: dict) -> dict:
    """Tables within tables, where both have them; else what is own."""
    both = {
        key: _merged(base[key], value) if isinstance(value, dict) and isinstance(base.get(key), dict) else value
        for key, value in own.items()
    }
    return {**base, **both}


def _span(match: re.Match) -> str:
    """All characters of a span such as A-Z."""
    return "".join(chr(c) for c in range(ord(match[1]), ord(match[2]) + 1))


def _with_defaults(moves: dict[str, list], omit: dict[str, str], comment: Mapping[str, str]) -> tuple[dict, dict]:
    """Lines and omissions, with what a dialect need not say because other lines of it tell."""
    around = comment.get("open", "") + "{}" + comment.get("close", "")
    told = {
        "first_link": [],  # the checks tell where it goes down before it is across
        "message": [around.format("{message}")],
        "dry_touch": [around.format("PROBEKIT DRY TOUCH {touch} {feature}{side_tip}")],
    }
    like = {"first_link": "link", "dry_touch": "approach", "safe_stop": "stop"}
    before = {"safe_stop": moves.get("spindle_stop", [])}
    for kind in ("first_link", "message", "dry_touch", "safe_stop"):
        if kind not in omit and like.get(kind, "comment") in moves:
            same = moves[like[kind]] if kind in like else []
            moves.setdefault(kind, [*before.get(kind, []), *same, *told.get(kind, [])])
    if "obtain" not in omit:
        moves.setdefault("obtain", [])  # where a deviation stands in parameters anyway
    for kind in _OPTIONAL:
        if kind not in moves:
            omit.setdefault(kind, _NOT_DEFINED)
    return moves, omit
