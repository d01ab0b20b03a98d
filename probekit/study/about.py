"""Who measured what, and when: what the study says of it, and the headers of the results file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from ..plausibility.finding import Finding
from ..values import Day, days_of
from .model import Study

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ABOUT", "Known", "about_lines", "about_of", "another_part", "missing", "words"]

#: What is asked for, in the order in which it is shown.
ABOUT = ("part_number", "serial", "order", "operator", "machine", "date", "temperature")

#: Other names that headers have for it.
_ALSO = {"part_no": "part_number", "serial_number": "serial", "serial_no": "serial", "order_number": "order"}
_ALSO |= {"order_no": "order", "time": "date"}

_WHICH = ("part_number", "serial")  # of it, what tells one part from another

#: Key of `ABOUT` -> what is known; None if nothing is.
Known = Mapping[str, str | float | None]


def about_of(study: Study, measured: pd.DataFrame, today: date | None = None) -> tuple[dict[str, Any], list[str]]:
    """Who, what and when of some results.

    A header of the results file comes before ``[about]`` of the study, which may serve many parts.

    Parameters
    ----------
    study : Study
    measured : DataFrame
        The touches as read, with the headers in ``attrs``.
    today : date, optional
        For what lies in the future; the day of the computer's clock by default.

    Returns
    -------
    dict
        Each key of `ABOUT`; None where nothing is known.
    list of str
        Where study and results contradict each other but for which part it is, and a date that is yet to come.

    Raises
    ------
    InputError
        If a header says a day that there is not.
    """
    stated, found = study.settings.get("about", {}), _found(measured)
    notes = [
        f"{_label(name)}: [about] says {stated[name]}, the results file {found[name]}; that of the file stands"
        for name in ABOUT
        if name not in _WHICH and name in stated and name in found and str(stated[name]) != str(found[name])
    ]
    about = {name: found.get(name, stated.get(name)) for name in ABOUT}
    if about["date"] is not None:
        if "date" in found and (wrong := Day().wrong(str(found["date"]))):
            raise InputError(
                wrong[0], file=measured.attrs.get("source"), column="date", found=found["date"], expected=wrong[1]
            )
        days = days_of(str(about["date"])) or []
        if days and min(days) > (today or date.today()) + timedelta(days=1):  # a day for zones of time
            notes.append(f"date: {about['date']} is yet to come: correct it, or the clock of the computer")
    return about, notes


def another_part(study: Study, measured: pd.DataFrame) -> list[Finding]:
    """A look at results that call their part otherwise than the study: the verdict may be on another one.

    Parameters
    ----------
    study : Study
    measured : DataFrame
        The touches as read, with the headers in ``attrs``.
    """
    stated, found = study.settings.get("about", {}), _found(measured)
    return [
        Finding(
            "look",
            f"study and results name another {_label(name)}",
            found=f"{found[name]} in the results file",
            expected=f"{stated[name]}, as [about] says",
            cause="the results of another part, or an [about] that was not changed for this one",
            todo=f"Take the results of the part that is meant, or correct {name} in [about]: leave it out where one "
            "study serves many parts",
            name="another part",
        )
        for name in _WHICH
        if name in stated and name in found and str(stated[name]) != str(found[name])
    ]


def _found(measured: pd.DataFrame) -> dict[str, Any]:
    """What the headers of a results file say."""
    found: dict[str, Any] = {}
    for key, value in measured.attrs.items():
        name = re.sub(r"[\s_-]+", "_", str(key).strip().lower())
        name = name if name in ABOUT else _ALSO.get(name, "")
        if name and value not in (None, "") and (name not in found or name == key):
            found[name] = value
    return found


def words(about: Known) -> list[tuple[str, str]]:
    """What is known, to be shown: what it is, and its value with the unit."""
    return [
        (_label(name), f"{value:g} \N{DEGREE SIGN}C" if name == "temperature" and _number(value) else str(value))
        for name, value in about.items()
        if value is not None
    ]


def missing(about: Known) -> str:
    """One line on what is not known; empty if everything is."""
    names = [_label(name) for name, value in about.items() if value is None]
    return f"Not stated: {', '.join(names)}." if names else ""


def about_lines(about: Known) -> list[str]:
    """The same for a summary: what is known, and what is not.

    Parameters
    ----------
    about : mapping

    Returns
    -------
    list of str
    """
    known = "; ".join(f"{label} {value}" for label, value in words(about))
    return [line for line in (known, missing(about)) if line]


def _label(name: str) -> str:
    return name.replace("_", " ")


def _number(value: object) -> bool:
    return isinstance(value, int | float)
