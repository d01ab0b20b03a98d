"""Values of RS274/NGC words: numbers, parameters and expressions, read without recursion.

Source: NISTIR 6556 [1]_, section 3.3.2 (numbers, parameter values, expressions, unary operations). The rules are stated
from memory of that report. Departure: a sign before a parameter, a bracket or a function is taken, as most controls do
(common practice, no source).

.. [1] Kramer, Proctor, Messina, The NIST RS274/NGC Interpreter, Version 3, NISTIR 6556, 2000.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

__all__ = ["Formula", "read_value"]

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
_FUNCTION = re.compile(r"ABS|ACOS|ASIN|ATAN|COS|EXP|FIX|FUP|LN|ROUND|SIN|SQRT|TAN")
_OPERATOR = re.compile(r"\*\*|\*|/|MOD|\+|-|OR|XOR|AND")

_COMPARED = re.compile(rf"{_OPERATOR.pattern}|EQ|NE|GT|GE|LT|LE")  # in conditions of flow control only

_RANK = {
    **dict.fromkeys(("EQ", "NE", "GT", "GE", "LT", "LE"), 0),
    "**": 3,
    "*": 2,
    "/": 2,
    "MOD": 2,
    "+": 1,
    "-": 1,
    "OR": 1,
    "XOR": 1,
    "AND": 1,
}

_BINARY: dict[str, Callable[[float, float], float]] = {
    "**": lambda a, b: a**b,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
    "MOD": lambda a, b: a - b * math.floor(a / b) if b > 0 else math.fmod(a, b),
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "OR": lambda a, b: float(a != 0 or b != 0),
    "XOR": lambda a, b: float((a != 0) != (b != 0)),
    "AND": lambda a, b: float(a != 0 and b != 0),
    "EQ": lambda a, b: float(a == b),
    "NE": lambda a, b: float(a != b),
    "GT": lambda a, b: float(a > b),
    "GE": lambda a, b: float(a >= b),
    "LT": lambda a, b: float(a < b),
    "LE": lambda a, b: float(a <= b),
    "ATAN": lambda a, b: math.degrees(math.atan2(a, b)),
}

_UNARY: dict[str, Callable[[float], float]] = {
    "NEGATE": lambda a: -a,
    "ABS": abs,
    "ACOS": lambda a: math.degrees(math.acos(a)),
    "ASIN": lambda a: math.degrees(math.asin(a)),
    "COS": lambda a: math.cos(math.radians(a)),
    "EXP": math.exp,
    "FIX": math.floor,
    "FUP": math.ceil,
    "LN": math.log,
    "ROUND": lambda a: math.floor(abs(a) + 0.5) * (1.0 if a >= 0 else -1.0),
    "SIN": lambda a: math.sin(math.radians(a)),
    "SQRT": math.sqrt,
    "TAN": lambda a: math.tan(math.radians(a)),
}


@dataclass(frozen=True)
class Formula:
    """A value that depends on parameters or must be reckoned: its steps in postfix order, and how it was written."""

    steps: tuple[float | str, ...]
    text: str

    @property
    def reads(self) -> frozenset[float | str]:
        """Numbers of the parameters that it reads; an operator where such a number is itself reckoned."""
        return frozenset(before for before, step in pairwise(self.steps) if step == "#")

    def value(self, parameters: Mapping[int, float]) -> float:
        """The number, with the parameters as they stand. A parameter never set is zero.

        Parameters
        ----------
        parameters : mapping of int to float

        Raises
        ------
        ValueError
            If it cannot be calculated: division by zero, root of a negative number, a parameter number that is not a
            whole number from 1 to 5399 (NISTIR 6556, 3.2.1, from memory).
        """
        stack: list[float] = []
        try:
            for step in self.steps:
                if not isinstance(step, str):
                    stack.append(step)
                elif step == "#":
                    stack.append(float(parameters.get(parameter_number(stack.pop()), 0.0)))
                elif step in _BINARY:
                    second = stack.pop()
                    found = _BINARY[step](stack.pop(), second)
                    if isinstance(found, complex):
                        raise ValueError("a power of a negative number")
                    stack.append(found)
                else:
                    stack.append(float(_UNARY[step](stack.pop())))
        except (ArithmeticError, ValueError) as error:
            raise ValueError(f"{self.text} cannot be calculated: {error}") from None
        found = stack.pop()
        if not math.isfinite(found):
            raise ValueError(f"{self.text} is not a finite number")
        return float(found)


def parameter_number(value: float) -> int:
    """The number of a parameter, if the value is one; else ValueError."""
    if not 1 <= value <= 5399 or abs(value - round(value)) > 1e-4:
        raise ValueError(f"{value:g} is not the number of a parameter (1 to 5399)")
    return round(value)


def read_value(text: str, at: int, *, compares: bool = False) -> tuple[float | Formula, int] | None:
    """Read one value.

    Parameters
    ----------
    text : str
        A line without comments and spaces, in upper case.
    at : int
        Where the value starts.
    compares : bool
        Whether EQ NE GT GE LT LE are known: in conditions of flow control, which NISTIR 6556 does not have.

    Returns
    -------
    (value, end) or None
        None if no complete value starts there.
    """
    number = _NUMBER.match(text, at)
    if number:
        value = float(number.group())
        return (value, number.end()) if math.isfinite(value) else None
    return _read_formula(text, at, _COMPARED if compares else _OPERATOR)


def _read_formula(text: str, start: int, operators: re.Pattern[str]) -> tuple[Formula, int] | None:
    """Operator-precedence reading with an explicit stack, so that depth of brackets costs no recursion."""
    output: list[float | str] = []
    waiting: list[str] = []  # operators, functions and open brackets
    at, want_value = start, True
    while at < len(text):
        if want_value:
            number = _NUMBER.match(text, at)
            function = _FUNCTION.match(text, at)
            if number:
                value = float(number.group())
                if not math.isfinite(value):
                    return None
                output.append(value)
                at, want_value = number.end(), False
            elif function and text[function.end() : function.end() + 1] == "[":
                waiting += ["ATAN1" if function.group() == "ATAN" else function.group(), "["]
                at = function.end() + 1
            elif text[at] in "#[+-":
                waiting += {"#": ["#"], "[": ["["], "-": ["NEGATE"], "+": []}[text[at]]
                at += 1
            else:
                return None
        elif text[at] == "]" and "[" in waiting:
            _unwind(output, waiting, 0)
            waiting.pop()
            at += 1
            if waiting and waiting[-1] == "ATAN1":
                if text[at : at + 2] != "/[":
                    return None
                waiting[-1:] = ["ATAN", "["]
                at, want_value = at + 2, True
        else:
            operator = operators.match(text, at)
            if not operator or "[" not in waiting:
                return None
            _unwind(output, waiting, _RANK[operator.group()])
            waiting.append(operator.group())
            at, want_value = operator.end(), True
        if not want_value:
            while waiting and (waiting[-1] in _UNARY or waiting[-1] in ("#", "ATAN")):
                output.append(waiting.pop())
            if not waiting:
                return Formula(tuple(output), text[start:at]), at
    return None


def _unwind(output: list[float | str], waiting: list[str], rank: int) -> None:
    """Put out waiting operators that bind at least as firmly as `rank`, down to the last open bracket."""
    while waiting[-1] != "[" and _RANK[waiting[-1]] >= rank:
        output.append(waiting.pop())
