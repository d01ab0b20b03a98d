"""What a control remembers from block to block.

Source: NISTIR 6556, table 4 (modal groups) and section 3.6.1 (program end), from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from ...show import shown

__all__ = ["CALLS", "GROUPS", "MODES", "OFFSETS", "WATCHED", "Modal", "group_of", "name_of", "offset_called"]

OFFSETS = ("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3")

CYCLES = ("G73", "G74", "G76", "G81", "G82", "G83", "G84", "G85", "G86", "G87", "G88", "G89")

#: A move at feed that stops on contact and is no error without one: of the extension that has O-words, not of NISTIR
#: 6556; from memory. A further such move, or a probing move, that begins with the probe in contact is an error there.
WATCHED = "G38.3"

#: Words that change what the coordinates of all later moves mean -> what each does, and the words that cancel it.
#: Common practice of milling controls, no source: RS274/NGC has none of them. A program is not followed while one is
#: in force.
MODES: Mapping[str, tuple[str, tuple[str, ...]]] = MappingProxyType(
    {
        "G16": ("polar coordinates", ("G15",)),
        "G51": ("scaling", ("G50",)),
        "G51.1": ("mirroring", ("G50.1",)),
        "G68": ("coordinate rotation", ("G69",)),
        "G68.1": ("coordinate rotation", ("G69", "G69.1")),
        "G68.2": ("a tilted working plane", ("G69",)),
        "G90.1": ("arc centres in absolute coordinates", ("G91.1",)),
        "G12.1": ("polar interpolation", ("G13.1",)),
        "G43.4": ("tool-centre control", ("G49",)),
        "G43.5": ("tool-centre control", ("G49",)),
        "G66": ("a macro called at every move", ("G67",)),
        "G66.1": ("a macro called at every block", ("G67",)),
    }
)

#: Modal group -> its words. The names are those of the fields of `Modal`, where it has one.
GROUPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "motion": ("G0", "G1", "G2", "G3", "G38.2", WATCHED, "G80", *CYCLES),
        "plane": ("G17", "G18", "G19"),
        "distance": ("G90", "G91"),
        "feed_mode": ("G93", "G94", "G95"),
        "units": ("G20", "G21"),
        "cutter": ("G40", "G41", "G42"),
        "length": ("G43", "G49"),
        "retract": ("G98", "G99"),
        "offset": (*OFFSETS, "G54.1"),
        "path": ("G61", "G61.1", "G64"),
        "now": ("G4", "G10", "G28", "G30", "G52", "G92", "G92.1", "G92.2", "G92.3"),
        "machine": ("G53",),
        "constant_speed": ("G97",),
        "stop": ("M0", "M1", "M2", "M30", "M60"),
        "change": ("M6",),
        "spindle": ("M3", "M4", "M5", "M19"),
        "coolant": ("M7", "M8", "M9"),
        "overrides": ("M48", "M49"),
        "clamp": ("M10", "M11"),
    }
)

_GROUP = {word: group for group, words in GROUPS.items() for word in words}
# several of these may stand in one block, so each is a group of its own
_GROUP |= {off: f"cancel {off}" for _, words in MODES.values() for off in words if off not in _GROUP}
_GROUP |= {word: f"mode {word}" for word in MODES}


#: Calls of other programs, macros and jumps (common practice, no source): what holds after them stands elsewhere.
CALLS = ("G65", "M97", "M98", "M99")

#: Groups whose words may stand beside G54 P3 and have no P of their own.
_BESIDE_OFFSET = {"offset", "motion", "distance", "plane", "units", "feed_mode", "cutter", "length", "retract"}

_NEVER_HARMLESS = frozenset({*MODES, *CALLS, "G92", "G52"})


def name_of(letter: str, value: float) -> str:
    """The word as it is usually written: G 1.0 -> "G1", G 59.1 -> "G59.1"."""
    return f"{letter}{round(value, 3):g}"


def group_of(word: str) -> str | None:
    """The modal group of a G or M word, None if the word is not known."""
    return _GROUP.get(word)


def offset_called(codes: Mapping[str, str], take: Callable[[str], float | None]) -> str | None:
    """The work offset that a block calls: G55, or an additional one, G54.1 P3 (common practice, no source).

    Some controls have it as G54 P3; where another word of the block may mean the P, it is left to that.

    Parameters
    ----------
    codes : mapping of str to str
        The words of the block by their groups.
    take : callable
        Gives the value of a letter.

    Returns
    -------
    str or None
        None if it has no usable number.
    """
    name = codes["offset"]
    alone = codes.keys() <= _BESIDE_OFFSET and codes.get("motion") not in CYCLES
    if name != "G54.1" and not (name == "G54" and alone):
        return name
    number = take("P")
    if number is None and name == "G54":
        return name
    return f"{name} P{int(number)}" if number is not None and number == int(number) and number >= 1 else None


@shown
@dataclass(frozen=True)
class Modal:
    """The state of the control.

    Attributes
    ----------
    motion, plane, distance, feed_mode, units, cutter, length, retract, offset, path, spindle : str
        The word in force of each group; an additional work offset with its number, as "G54.1 P3".
    path_p, path_q : float or None
        The tolerances said with G64 [mm], None where it was said without: on many controls the largest distance from
        the path, and that within which lines count as one (common practice, no source; RS274/NGC has neither).
    length_offset : int
        H number of the length offset in force, 0 with G49.
    feed : float or None
        [mm/min] under G94, [1/min] under G93, [mm/rev] under G95; None where it must be said again.
    speed : float
        [1/min]
    mist, flood, overrides : bool
    tool, selected : int or None
        In the spindle; called by the last T word.
    modes : tuple of str
        What is in force and makes later moves go elsewhere than the text tells: a shift (G92, G52), a word of `MODES`,
        an unknown rotary axis away from zero, and all that was not understood: nobody can tell what cancels that.
    said : frozenset of str
        Groups that the program itself has set: of the others the value is the usual one at switch-on, a guess; of
        `length`, after a tool change, that of the tool before.
    """

    motion: str = "G80"
    plane: str = "G17"
    distance: str = "G90"
    feed_mode: str = "G94"
    units: str = "G21"
    cutter: str = "G40"
    length: str = "G49"
    length_offset: int = 0
    retract: str = "G98"
    offset: str = "G54"
    path: str = "G61"
    path_p: float | None = None
    path_q: float | None = None
    feed: float | None = None
    speed: float = 0.0
    spindle: str = "M5"
    mist: bool = False
    flood: bool = False
    tool: int | None = None
    selected: int | None = None
    overrides: bool = True
    modes: tuple[str, ...] = ()
    said: frozenset[str] = field(default=frozenset(), compare=False)

    @property
    def scale(self) -> float:
        """Millimetres in the unit of the program."""
        return 25.4 if self.units == "G20" else 1.0

    @property
    def turning(self) -> bool:
        """Whether the spindle turns."""
        return self.spindle in ("M3", "M4")

    @property
    def coolant(self) -> bool:
        """Whether any coolant is on."""
        return self.mist or self.flood

    def with_word(self, group: str, word: str) -> Modal:
        """The state after a word of a group that `Modal` has a field for.

        A change of units or of feed mode leaves no feed: it must be said again.
        """
        if getattr(self, group) == word and group in self.said:
            return self
        changed = replace(self, **{group: word}, said=self.said | {group})
        if group in ("units", "feed_mode") and word != getattr(self, group):
            changed = replace(changed, feed=None)
        return changed

    def with_mode(self, mode: str, on: bool = True) -> Modal:
        """The state with something in `modes`, or without it."""
        if on == (mode in self.modes):
            return self
        return replace(self, modes=(*self.modes, mode) if on else tuple(m for m in self.modes if m != mode))

    def strange(self, known: Collection[str] = ()) -> tuple[str, ...]:
        """What of `modes` no statement lets through: shifts, words of `MODES` and calls stay, whatever is known.

        Parameters
        ----------
        known : collection of str
            Words that are stated to be harmless.
        """
        return tuple(mode for mode in self.modes if mode in _NEVER_HARMLESS or mode not in known)

    def ended(self) -> Modal:
        """The state after M2 or M30."""
        return replace(
            self,
            offset="G54",
            plane="G17",
            distance="G90",
            feed_mode="G94",
            overrides=True,
            cutter="G40",
            spindle="M5",
            motion="G1",
            mist=False,
            flood=False,
        )
