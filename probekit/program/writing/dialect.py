"""A dialect: how one control spells moves, read from one small TOML file that a shop can write for itself.

::

    name, about                     who it is for
    caution = ["...", "..."]        comments written into every program
    harmless = ["M88"]              words of the milling that are not understood here and change nothing for the probing
    released_by = ""                filled in by the person qualified for the control who releases the dialect
    coordinates = "program"         positions in program coordinates, or "part" for machines that align by themselves
    language = "dmis"               the programs are read and checked as this language; without it, and with positions
                                    of the part, they are not checked
    turns = ["table", "head"]       what may turn; others are refused
    rotary = "{letter}{angle}"      one word per rotary axis
    slots = [1001, 5000]            parameters of the control that keep triggers, three a touch: {slot_x} of a record
    line_limit = 256                characters a line may have
    header, footer                  lines before and after the moves
    whole = {before = [], after = []}  lines around a program that stands alone, not merged
    watched = false                 whether the lines of approach stop on contact
    deviation = "..."               an expression of the control: the deviation of a recorded touch [mm], from
                                    {slot_x} .. and, in program coordinates, {px} {py} {pz} (trigger on a nominal
                                    part) and {pi} {pj} {pk} (normal)
    modal = ["FEDRAT/POSVEL"]       a line that begins so is left out where it repeats the last one that did

    extends = "rs274"               a dialect that comes with probekit, of which this one changes or adds keys

    [reckoning] how values are reckoned: see `probekit.program.writing.reckoning`
    [text]      safe = "A-Z a-z 0-9 ..." characters that words may have; token = the same for names that must not be
                parted; replacement = "_" for all others; upper = true: in capitals; longest = 60: of a comment
    [comment]   open = "(", close = ")"
    [blocks]    number = "N{n}", first = 10, step = 10: numbers before every block that is no comment; may be left out
    [numbers]   position, angle, feed, seconds, target, normal = {decimals, point, trailing, leading, width, factor}
    [work_offsets]  key = "text that selects it"; the first one is the default
    [moves]     one list of lines per kind of move
    [omit]      kind = "why": moves that the dialect cannot spell; they are listed in the header and warned of

With positions of the part the lines of record_shifted come where the first work offset counts again.

Lines hold placeholders in braces, and each kind of line has its own; another one is an error. Every kind of move is
either in ``moves`` or in ``omit``. Only someone qualified for the control can tell whether a dialect is right for it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from types import MappingProxyType

from ...show import shown
from .numbers import Number
from .reckoning import Reckoning

__all__ = ["EXAMPLE", "FILL_IN", "KINDS", "Dialect", "dialect_names", "example_dialect", "shipped"]

_PLACE = {"x", "y", "z"}
_TARGET = {"touch", "feature", "x0", "y0", "z0", "i", "j", "k", "tip", "side_tip"}
_SLOTS = {"slot_x", "slot_y", "slot_z"}
_ORIGINS = {f"{what}_{axis}" for what in ("to", "by") for axis in "xyz"}

#: The dialect to copy, and what stands in it for a word that only the control's manual tells.
EXAMPLE, FILL_IN = "shop_example", "<FILL IN>"

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
        "lift": frozenset(_PLACE | {"feed"}),
        "index": frozenset({"rotary", "pose", "sensor"}),
        "link": frozenset(_PLACE | {"feed"}),
        "first_link": frozenset(_PLACE | {"feed"}),
        "approach": frozenset(_PLACE | {"feed"}),
        "first_touch": frozenset(_PLACE | {"feed", "touch"}),
        "back_off": frozenset(_PLACE | {"dx", "dy", "dz", "feed"}),
        "touch": frozenset(_PLACE | _TARGET | {"feed", "standoff", "overtravel", "retract"}),
        "record": frozenset(_TARGET | _SLOTS),
        "dry_touch": frozenset(_PLACE | _SLOTS | {"feed", "touch", "feature", "tip", "side_tip"}),
        "confirm": frozenset(_TARGET | {"radius", "limit", "deviation", "message"}),
        "agree": frozenset({"touch", "other", "limit", "deviation", "other_deviation", "message"}),
        "retract": frozenset(_PLACE | {"feed"}),
        "stop_if": frozenset(_TARGET | {"radius", "lower", "upper", "deviation", "flow"}),
        "stop": frozenset({"message"}),
        "safe_stop": frozenset({"message"}),
        "message": frozenset({"message"}),
        "restart": frozenset({"restart", "message", "work_offset", "offset", "sensor"}),
        "obtain": frozenset(_TARGET),
        "let": frozenset({"parameter", "expression", "value_name"}),
        "decide": frozenset({"flow", "condition"}),
        "otherwise": frozenset({"flow"}),
        "decided": frozenset({"flow"}),
        "repeat": frozenset({"flow", "tries", "good", "most"}),
        "repeated": frozenset({"flow", "inner", "condition", "good"}),
        "again": frozenset({"inner", "other", "condition", "tries", "good", "most"}),
        "again_end": frozenset({"flow", "inner", "other"}),
        "give_up": frozenset({"message"}),
        "shift": frozenset(_ORIGINS | {"to", "by", "to_number", "shift_x", "shift_y", "shift_z", "work_offset"}),
        "entered": frozenset(_ORIGINS | {"to", "by", "limit", "work_offset"}),
        "use_offset": frozenset({"work_offset"}),
        "record_shifted": frozenset(_TARGET | _SLOTS | _ORIGINS | {"to", "by"}),
        "recut_entered": frozenset(_ORIGINS | {"to", "by", "limit"}),
        "recut": frozenset(_ORIGINS | {"to", "by", "to_number", "left"}),
    }
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
    language: str = ""
    harmless: tuple[str, ...] = ()
    turns: tuple[str, ...] = ("table", "head")
    rotary: str = "{letter}{angle}"
    slots: tuple[int, ...] = ()
    watched: bool = False
    deviation: str = ""
    reckoning: Reckoning = field(default_factory=Reckoning)
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
    def checked(self) -> bool:
        """Whether its programs are read again and checked: those of program coordinates, and of a known language."""
        return self.coordinates == "program" or bool(self.language)

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
    """Names of the dialects that come with probekit and can be used as they are: not that of `example_dialect`."""
    folder = resources.files(__package__) / "dialects"
    names = sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    return tuple(name for name in names if name != EXAMPLE)


def example_dialect() -> str:
    """The text of the dialect `shop_example`, which explains every word: to copy, and to change for a control.

    Returns
    -------
    str
        TOML. It cannot be loaded before each ``<FILL IN>`` is replaced by the control's own word. Until someone
        qualified for the control has compared it with the control's handbook and signed it in `released_by`, every
        program says that it is not released.

    Examples
    --------
    Store a copy, fill it in, and give its path to `write`, or to a study as ``[program] dialect = "ours.toml"``:

    >>> Path("ours.toml").write_text(example_dialect(), "utf-8")  # doctest: +SKIP
    >>> text = write(moves, "ours.toml", kinematics=kinematics, probe=probe)  # doctest: +SKIP
    """
    return shipped(EXAMPLE)


def shipped(name: str) -> str:
    """The text of a dialect that comes with probekit."""
    return (resources.files(__package__) / "dialects" / f"{name}.toml").read_text("utf-8")
