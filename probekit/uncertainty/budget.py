"""The budget of a machine, a probe and a shop: what is stated, where from, and what had to be assumed."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from ..making import nearest
from ..show import shown
from .causes import CAUSES, FLAGS, MEASURED_WITHIN, PART, USUAL_EXPANSION

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Budget", "Row", "read"]

ASSUMED = "assumed: a hot shop with an old machine"


@dataclass(frozen=True)
class Row:
    """One number of a budget.

    Attributes
    ----------
    key : str
        Of `probekit.uncertainty.causes.CAUSES`.
    cause : str
        What it makes uncertain.
    value : float
        As stated.
    unit : str
    pdf : str
        Distribution.
    u : float
        Standard uncertainty, in the same unit; NaN for a number that is none by itself, such as a feed.
    spread : str
        Which touches share it.
    source : str
        Where it is from.
    assumed : bool
        Whether nobody stated it.
    """

    key: str
    cause: str
    value: float
    unit: str
    pdf: str
    u: float
    spread: str
    source: str
    assumed: bool


@shown
@dataclass(frozen=True)
class Budget:
    """What makes touches uncertain, as data.

    Attributes
    ----------
    rows : tuple of Row
        One of each key.
    temperature : float or None
        Of the part [degree Celsius]; None if it is not known, which is then taken as 20.
    expansion : float
        Coefficient of the part [um/(m K)].
    corrected : bool
        Whether the touches are corrected to 20 degrees. If not, the whole known error counts as uncertain.
    drift_corrected : bool
        Whether the touches are corrected for the drift that targets touched again show.
    expansion_assumed : bool
        Whether nobody stated the coefficient.
    """

    rows: tuple[Row, ...]
    temperature: float | None = None
    expansion: float = USUAL_EXPANSION
    corrected: bool = True
    drift_corrected: bool = False
    expansion_assumed: bool = True

    @cached_property
    def _by_key(self) -> dict[str, Row]:
        return {row.key: row for row in self.rows}

    @property
    def assumed(self) -> tuple[str, ...]:
        """Causes that nobody stated, or not fully."""
        names = [row.cause for row in self.rows if row.assumed]
        warmth = [CAUSES["temperature_within_c"].name, CAUSES["expansion_within_percent"].name, UNCORRECTED]
        return tuple(dict.fromkeys([*names, *(warmth if self.expansion_assumed else [])]))

    @property
    def warmer(self) -> float:
        """How much warmer than 20 degrees the part is, as far as that is known [K]."""
        return 0.0 if self.temperature is None else self.temperature - 20.0

    @property
    def sentence(self) -> str:
        """How much of it is stated, in one line."""
        stated = sum(not row.assumed for row in self.rows)
        part = "temperature of the part not stated" if self.temperature is None else f"part at {self.temperature:g} °C"
        left = "" if self.corrected or not self.warmer else ", not corrected"
        return f"budget of {len(self.rows)} numbers, {stated} stated, {len(self.rows) - stated} assumed; {part}{left}"

    @property
    def table(self) -> pd.DataFrame:
        """The rows as a table."""
        import pandas as pd

        names = ("cause", "value", "unit", "pdf", "u", "spread", "source", "assumed")
        return pd.DataFrame([{name: getattr(row, name) for name in names} for row in self.rows])

    @property
    def each(self) -> float:
        """Standard uncertainty of a touch, without what depends on where it is [mm]."""
        feed = self.value("touch_feed_mm_min") / 60.0
        keys = ("repeatability_2s_um", "roughness_ra_um", "dirt_um", "radius_2s_um", "direction_range_um")
        return 1e-3 * math.hypot(feed * self.u("trigger_jitter_ms"), *(self.u(key) for key in keys))

    def value(self, key: str) -> float:
        """A number as stated."""
        return self._by_key[key].value

    def u(self, key: str) -> float:
        """Its standard uncertainty, in the unit of the key."""
        return self._by_key[key].u

    def stating(self, key: str, value: float, source: str) -> Budget:
        """The same budget with one number that something else knows, unless it is stated already.

        Parameters
        ----------
        key : str
        value : float
            In the unit of the key.
        source : str
            Where it is from.
        """
        new = _row(key, value, source) if self._by_key[key].assumed else self._by_key[key]
        return replace(self, rows=tuple(new if row.key == key else row for row in self.rows))


#: Name of the cause that a part which is not corrected for its temperature adds.
UNCORRECTED = "temperature not corrected"


def read(source: str | Path | Mapping[str, Any], *, file: str | Path | None = None) -> Budget:
    """Read a budget from a study, or from a file of its own.

    Parameters
    ----------
    source : str, Path or mapping
        A TOML file with a table ``[budget]`` and, if the temperature of the part is known, ``[part]`` with
        `temperature` [degree Celsius] and `expansion_um_per_m_c` [um/(m K)]; or its tables. The keys are those of
        `probekit.uncertainty.causes.CAUSES`, each a number or ``[number, "where from"]``, and those of `FLAGS` there.
    file : str or Path, optional
        What the tables are from, for an error.

    Returns
    -------
    Budget
        What is not stated is assumed, and marked so.

    Raises
    ------
    InputError
        If the file cannot be read, there is no ``[budget]``, a key is unknown, or a number cannot be meant.
    """
    if not isinstance(source, Mapping):
        file, source = source, _tables(Path(source))
    given, part = source.get("budget"), source.get("part", {})
    if not isinstance(given, Mapping) or not isinstance(part, Mapping):
        raise InputError(
            "there is no table [budget]",
            file=file,
            column="budget",
            todo="Add [budget]; it may state as little as you know.",
        )
    _check(given, part, file)
    rows = []
    temperature, expansion = part.get("temperature"), part.get("expansion_um_per_m_c")
    for key in CAUSES:
        stated = given.get(key)
        value, said = stated if isinstance(stated, list) else (stated, "stated")
        rows.append(_row(key, value, said, thermometer=temperature is not None))
    corrected, drift_corrected = (given.get(key, usual) for key, usual in FLAGS.items())
    if temperature is not None and expansion is None and corrected and temperature != 20:
        raise InputError(
            "a correction for temperature needs the coefficient of expansion of the part",
            file=file,
            column="part.expansion_um_per_m_c",
            expected="um per metre and degree: steel 11.5, aluminium 23, titanium 8.6",
            todo="State it, or set [budget] corrected = false.",
        )
    return Budget(
        tuple(rows),
        None if temperature is None else float(temperature),
        USUAL_EXPANSION if expansion is None else float(expansion),
        corrected,
        drift_corrected,
        expansion is None,
    )


def _row(key: str, value: float | None, source: str, *, thermometer: bool = True) -> Row:
    """A row; `value` None takes the default, which is less for a temperature that somebody measured."""
    cause, assumed = CAUSES[key], value is None
    usual = MEASURED_WITHIN if key == "temperature_within_c" and thermometer else cause.default
    number = usual if value is None else float(value)
    u = number / cause.divisor if cause.pdf else float("nan")
    return Row(key, cause.name, number, cause.unit, cause.pdf, u, cause.spread, ASSUMED if assumed else source, assumed)


def _tables(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise InputError(f"the budget cannot be read ({error.strerror})", file=path) from None
    except UnicodeDecodeError as error:
        raise InputError("the budget is not UTF-8 text", file=path, found=f"byte {error.start}") from None
    except (ValueError, RecursionError) as error:
        raise InputError(f"the budget is not valid TOML: {error}", file=path) from None


def _check(given: Mapping[str, Any], part: Mapping[str, Any], file: str | Path | None) -> None:
    for key, value in given.items():
        if key not in (*CAUSES, *FLAGS):
            raise InputError("unknown key", file=file, column=f"budget.{key}", expected=nearest(key, [*CAUSES, *FLAGS]))
        if key in FLAGS:
            found, todo = (None if isinstance(value, bool) else ("this must be true or false", "true or false")), None
        else:
            found, todo = CAUSES[key].rule.wrong(value), CAUSES[key].meant
        if found:
            todo = todo if "too " in found[0] else None
            raise InputError(found[0], file=file, column=f"budget.{key}", found=value, expected=found[1], todo=todo)
    for key, rule in PART.items():
        if key in part and (found := rule.wrong(part[key])):
            raise InputError(found[0], file=file, column=f"part.{key}", found=part[key], expected=found[1])
