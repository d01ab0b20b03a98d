"""How a dialect spells what is reckoned: the table ``[reckoning]``, and the text of an expression.

::

    [reckoning]
    flow = true                 whether the words of branches and repeats are O-words, which checks and trial can run
    names = [110, 499]          first and last parameter for values that are named
    parameter = "#{n}"          one of them
    origins = {G54 = 5221}      first of the three parameters that hold the values of a work offset
    [reckoning.operations]      "+" = "[{a}+{b}]": an operation on {a} and {b}; what is not there is refused
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from ...errors import InputError
from ...show import shown
from ..deciding.expressions import Deviation, Expression, Name, Shifted, Value
from .numbers import Number

__all__ = ["Reckoning", "spelled"]

_PLAIN = Number(decimals=7, point=False)


@shown
@dataclass(frozen=True)
class Reckoning:
    """The table ``[reckoning]`` of a dialect; without one nothing is reckoned."""

    flow: bool = False
    names: tuple[int, ...] = ()
    parameter: str = "{n}"
    origins: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    operations: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def sentence(self) -> str:
        """What the dialect can do, in one line."""
        can = f"{len(self.operations)} operations" if self.operations else "nothing is reckoned"
        return f"{can}; branches and repeats {'are run by the checks' if self.flow else 'are not run by the checks'}"


def spelled(
    tree: Expression, how: Reckoning, name: Callable[[str], str], deviation: Callable[[int], str], dialect: str = ""
) -> str:
    """The text of an expression.

    Parameters
    ----------
    tree : Expression
    how : Reckoning
    name, deviation : callable
        The text of a name, and that of the deviation of a touch.
    dialect : str
        Its name, for the error.

    Raises
    ------
    InputError
        If the dialect has no such operation.
    """
    if isinstance(tree, Value):
        text = _PLAIN(tree.number)
        return f"[{text}]" if text.startswith("-") and "[" in how.operations.get("+", "") else text
    if isinstance(tree, Name):
        return name(tree.name)
    if isinstance(tree, Shifted):
        if tree.to not in how.origins or tree.of not in how.origins:
            told = f"the dialect {dialect} does not tell where the values of a work offset are"
            raise InputError(told, column="reckoning.origins", found=f"{tree.to}, {tree.of}")
        ends = (how.parameter.replace("{n}", str(how.origins[one] + tree.axis)) for one in (tree.to, tree.of))
        return "[{}-{}]".format(*ends)
    if isinstance(tree, Deviation):
        return deviation(tree.touch)
    if tree.word not in how.operations:
        raise InputError(
            f"the dialect {dialect} cannot reckon this".replace("  ", " "),
            column="reckoning.operations",
            found=tree.word,
            expected=" ".join(how.operations) or "no operation at all",
            todo="Add it to the dialect if the control knows it; no program was written.",
        )
    parts = dict(zip("ab", (spelled(one, how, name, deviation, dialect) for one in tree.of), strict=False))
    return re.sub(r"\{([ab])\}", lambda found: parts[found[1]], how.operations[tree.word])
