"""What a control gives: retained parameters, or a log of program coordinates; from there to the part frame.

A program keeps the trigger of each touch in three parameters, or the control logs where it triggered. Both are program
coordinates of the reference ball: with a head turned, or a table, they are not yet ball centres in the part frame. The
moves that were written with the program say which parameters belong to which touch, with which tip, and in which pose.
"""

from __future__ import annotations

import io
import itertools
import re
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation

from ..columns import MEASURED, NORMAL, TARGET, TURN, array
from ..errors import InputError, ProbekitWarning
from ..plan.access.poses import pose_frame, tip_offset
from ..plan.kinematics import Kinematics
from ..plan.probe import Probe
from .cells import text_series
from .csv_file import joined
from .finish import finish
from .metadata import parse_line
from .planned import Planned, numbers
from .storage import load
from .table import unit_of

__all__ = ["from_program", "kind_of", "read_moves", "read_parameters", "said_by"]

_PARAMETER = re.compile(r"\s*#?\s*(\d{1,6})\s*[=:,;\s]\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*")
_COLUMNS = ("move", "touch", "angles", "tip", "slot")
_TURNED = 0.01  # angles that differ by more than this are another pose [degree]


def kind_of(path: str | Path) -> str:
    """What a results file holds: "parameters" of a control, a log in "program" coordinates, or touches of the "part".

    Parameters
    ----------
    path : str or Path
        A parameter file has lines of a number and a value below its header, where a touches file has names of columns;
        a log of probekit's own says its coordinates.
    """
    return _kind(_lines(path))


def _lines(path: str | Path) -> list[str]:
    """The lines of a file that are not blank."""
    return [line for line in load(path)[0].splitlines() if line.strip()]


def _kind(lines: Sequence[str]) -> str:
    if any(re.fullmatch(r"#\s*coordinates:\s*program\s*", line) for line in lines):
        return "program"
    return "parameters" if 2 * sum(map(bool, map(_PARAMETER.fullmatch, lines))) > len(lines) else "part"


#: Endings of files that say by themselves how they are to be read: documents of QIF, DMIS output.
DOCUMENTS = (".qif", ".dmo")

_LAYOUT = ("columns", "pattern", "decimal", "separator", "skip", "comment", "encoding", "metadata")
_PLACE = ("coordinates", "work_offset")


def said_by(path: str | Path) -> frozenset[str]:
    """What a results file says of itself, by the options that would say it: nobody else needs to.

    Parameters
    ----------
    path : str or Path
        Touches as `probekit.touches.write` writes them say how they are laid out, mostly unit and what was recorded; a
        run of the virtual machine and a log of probekit's own say where, too; QIF and DMIS say everything. What other
        files hold is for the caller to say.

    Returns
    -------
    frozenset of str
        Of the options of `probekit.touches.read_text` and ``format``, ``coordinates``, ``work_offset``. Empty for a
        file that is not there.
    """
    path = Path(path)
    if path.suffix.lower() in DOCUMENTS:
        return frozenset((*_LAYOUT, *_PLACE, "unit", "recorded", "format"))
    try:
        lines = _lines(path)
    except InputError:  # not there, or in an encoding of its own: whoever reads it says so
        return frozenset()
    if _kind(lines) == "parameters":
        return frozenset(_LAYOUT)
    lines = [line.strip() for line in lines]
    above = list(itertools.takewhile(lambda line: line.startswith("#"), lines))
    if not "".join(lines[len(above) :][:1]).startswith("touch,"):
        return frozenset()
    stated = dict(filter(None, (parse_line(line, file=path) for line in above)))
    said = {*_LAYOUT, "format", *({"unit", "recorded"} & set(stated))}
    if "coordinates" in stated or str(stated.get("machine", "")).startswith("virtual machine"):
        said |= {*_PLACE, "unit", "recorded"}
    return frozenset(said)


def read_moves(path: str | Path) -> pd.DataFrame:
    """The touches of a program, from the table of its moves that was written with it.

    Parameters
    ----------
    path : str or Path
        ``moves.csv``.

    Returns
    -------
    DataFrame
        One row per recorded touch, in that order: touch, tip, slot (first of its three parameters, -1 for none),
        angles (a tuple, [degree]).

    Raises
    ------
    InputError
        If it cannot be read, is cut short, or lacks what is needed.
    """
    text, _ = load(path)
    lines = text.splitlines()
    above = [line for line in lines if line.startswith("#")]
    stated = dict(filter(None, (parse_line(line, file=path) for line in above)))
    try:
        table = pd.read_csv(io.StringIO("\n".join(lines[len(above) :])))
    except ValueError as error:
        raise InputError(f"the moves cannot be read ({error})", file=path) from None
    if lacking := [name for name in _COLUMNS if name not in table]:
        raise InputError(
            "the table of moves lacks columns",
            file=path,
            found=", ".join(map(str, table)),
            expected=", ".join(lacking),
            todo="Take the moves.csv that was written with the program",
        )
    if stated.get("rows", len(table)) != len(table):
        raise InputError(
            "the file does not hold what it says", file=path, found=f"{len(table)} rows", expected=f"{stated['rows']}"
        )
    angles: tuple[float, ...] = ()
    rows = []
    for number, one in enumerate(table.to_dict("records")):
        try:
            if one["move"] == "Index":
                angles = tuple(float(angle) for angle in re.findall(r"[-+.\deE]+", str(one["angles"])))
            elif one["move"] == "Record":
                whole = {key: -1 if pd.isna(one[key]) else int(one[key]) for key in ("touch", "tip", "slot")}
                rows.append(whole | {"angles": angles})
        except (ValueError, OverflowError) as error:
            raise InputError(
                f"row {number + 1} of the table of moves holds what is no number ({error})"[:200],
                file=path,
                todo="Take the moves.csv that was written with the program",
            ) from None
    if not rows:
        raise InputError("the table of moves records no touch", file=path, todo="Take that of the program that ran")
    found = pd.DataFrame(rows)
    found.attrs["source"] = str(path)
    return found


def read_parameters(
    path: str | Path, moves: pd.DataFrame, *, unit: str = "mm", plan: Planned | None = None
) -> pd.DataFrame:
    """Touches from the parameters that a program filled and the control retained.

    Parameters
    ----------
    path : str or Path
        Lines of number and value, as in the parameter file of NISTIR 6556 (3.2.1, from memory), or as ``#1001 = 12.3``;
        what stands above the first of them is a header.
    moves : DataFrame
        Of the program that filled them: `read_moves`.
    unit : {"mm", "inch"}
        Of the values.
    plan : str, Path, DataFrame or callable, optional
        To join with, as in `read`.

    Returns
    -------
    DataFrame
        Touches in program coordinates [mm]: `from_program` brings them into the part frame. A touch whose parameters
        are not there, or are all zero, is missed.

    Raises
    ------
    InputError
        If a line cannot be read, a number stands twice, some of the three parameters of a touch are lacking, or all of
        all touches are.
    """
    text, sha256 = load(path)
    file, unit = str(path), unit_of(unit, column="unit")
    values = _values(text, file)
    if (moves["slot"] < 0).all():
        raise InputError(
            "the program keeps no touch in parameters",
            file=moves.attrs.get("source"),
            column="slot",
            todo="Give the log of the control, or write the program in a dialect with slots",
        )
    rows = []
    for one in moves.itertuples():
        slots = range(one.slot, one.slot + 3)
        told = f"parameters #{slots[0]} to #{slots[-1]}"
        there = [number in values for number in slots]
        if any(there) and not all(there):
            lost = slots[there.index(False)]
            raise InputError(
                f"a parameter of touch {one.touch} is not in the file",
                file=file,
                column=f"#{lost}",
                found=", ".join(f"#{number}" for number in slots if number in values),
                expected=told,
                todo="Let the control save all parameters that the program fills",
            )
        at = [values[number][0] for number in slots] if all(there) else [0.0] * 3
        reason = "" if any(at) else f"{told} are {'0' if all(there) else 'not in the file'}"
        line = values[slots[0]][1] if all(there) else 1
        rows.append((one.touch, *(at if any(at) else [np.nan] * 3), reason, line))
    if all(row[4] for row in rows):
        raise InputError(
            "the file holds none of the parameters that the program fills",
            file=file,
            found=f"{len(values)} others" if values else "none",
            expected=f"#{moves['slot'].min()} to #{moves['slot'].max() + 2}",
            todo="Let the control save these, after the run and before the next one: number and value with a decimal "
            "point, one a line",
        )
    touch, x, y, z, reasons, lines = zip(*rows, strict=True)
    table = pd.DataFrame({"touch": touch, "feature": text_series([""] * len(rows))})
    table = table.assign(**dict.fromkeys((*TARGET, *NORMAL), np.nan), x=x, y=y, z=z, reason=text_series(reasons))
    table.attrs = {"recorded": "centre", "coordinates": "program", "source": file, "sha256": sha256}
    table = finish(table, list(lines), unit)
    return table if plan is None else joined(table, plan)


def _values(text: str, file: str) -> dict[int, tuple[float, int]]:
    """Number of each parameter -> its value and the line it stands on."""
    values: dict[int, tuple[float, int]] = {}
    for line, content in enumerate(text.splitlines(), 1):
        match = _PARAMETER.fullmatch(content)
        if match is None:
            if values and content.strip():
                raise InputError(
                    "the line is no parameter", file=file, line=line, found=content, expected="a number and a value"
                )
            continue
        number = int(match[1])
        if number in values:
            raise InputError(
                f"a parameter stands twice: lines {values[number][1]} and {line}",
                file=file,
                line=line,
                column=f"#{number}",
                found=match[2],
            )
        values[number] = float(match[2]), line
    return values


def from_program(
    table: pd.DataFrame,
    moves: pd.DataFrame,
    *,
    kinematics: Kinematics,
    probe: Probe | None = None,
    tool_length: float | None = None,
    work_offset: Sequence[float] | None = None,
) -> pd.DataFrame:
    """Touches in program coordinates -> ball centres in the part frame.

    Parameters
    ----------
    table : DataFrame
        With touch, and x, y, z where the reference ball was; with ``angle_a``, ... [degree] where they were logged.
    moves : DataFrame
        `read_moves`: tip, and the pose where no angles were logged.
    kinematics : Kinematics
    probe : Probe, optional
        May be left out where its straight tip alone touches and its length does not matter.
    tool_length : float, optional
        That the control had for the probe [mm]; that of `probe` by default. It matters where a head turns, and in
        machine coordinates.
    work_offset : (3,) float, optional
        Origin of the work offset [mm], where the positions are machine coordinates of the spindle nose; the tool length
        is then taken from Z.

    Returns
    -------
    DataFrame
        With the pose ``turn_x, turn_y, turn_z`` and ``angle_a``, ... if there are rotary axes, and `tip` if a further
        one touched.

    Raises
    ------
    InputError
        If a touch is none of the program, its angles are not known or are not those of this machine, the positions are
        not ball centres, or probe or tool length are needed and not there.

    Warns
    -----
    ProbekitWarning
        If a logged angle is not the one that the program turned to.
    """
    file = table.attrs.get("source")
    if table.attrs.get("recorded") != "centre":
        raise InputError(
            "program coordinates are those of the ball's centre",
            file=file,
            column="recorded",
            found=table.attrs.get("recorded", "nothing"),
            expected="centre",
        )
    places = {name: row for row, name in enumerate(numbers(moves["touch"]))}
    rows = [places.get(name, -1) for name in numbers(table["touch"])]
    if -1 in rows:
        raise InputError(
            "the program made no such touch",
            file=file,
            column="touch",
            found=table["touch"].iloc[rows.index(-1)],
            expected=f"one of {moves.attrs.get('source', 'the moves')}",
            todo="Name the moves.csv of the program that ran: moves = ... in [touches]",
        )
    made = moves.iloc[rows]
    angles = _angles(table, made, kinematics)
    length = _length(made, kinematics, probe, tool_length, matters=work_offset is not None)
    at = array(table, MEASURED).copy()
    if work_offset is not None:
        at = at - np.asarray(work_offset, dtype=float) - [0.0, 0.0, length]
    turns = np.empty((len(table), 3))
    pairs = np.column_stack([angles, made["tip"].to_numpy(dtype=float)])
    for pair in np.unique(pairs, axis=0):
        same, pose = (pairs == pair).all(axis=1), tuple(pair[:-1].tolist())
        beside = np.zeros(3) if probe is None else tip_offset(probe, int(pair[-1]), kinematics, pose)
        at[same] = kinematics.to_part(at[same], pose, length=length) + beside
        turns[same] = Rotation.from_matrix(pose_frame(kinematics, pose).T).as_rotvec(degrees=True)
    out = table.copy()
    out.attrs = {key: value for key, value in table.attrs.items() if key != "coordinates"}
    out[list(MEASURED)] = at
    if (made["tip"] > 0).any():
        out["tip"] = made["tip"].to_numpy()
    for k, letter in enumerate(kinematics.letters):
        out[f"angle_{letter.lower()}"] = angles[:, k]
    if kinematics.axes:
        out[list(TURN)] = np.round(turns, 9) + 0.0
    return out


def _length(
    made: pd.DataFrame, kinematics: Kinematics, probe: Probe | None, given: float | None, *, matters: bool
) -> float:
    """From the spindle nose to the centre of the reference ball [mm]; 0 where it does not matter."""
    if probe is not None:
        return probe.tool_length if given is None else given
    if (made["tip"] > 0).any():
        raise InputError(
            "a side tip touched, and the probe is not described", column="tip", todo="Describe it in [stylus]"
        )
    if given is None and (matters or any(axis.moves == "head" for axis in kinematics.axes)):
        raise InputError("the length of the probe matters here", column="tool_length", expected="mm")
    return given or 0.0


def _angles(table: pd.DataFrame, made: pd.DataFrame, kinematics: Kinematics) -> np.ndarray:
    """(n, n_axes) angles [degree]: as logged, else as the program turned."""
    count, names = len(kinematics.axes), [f"angle_{letter.lower()}" for letter in kinematics.letters]
    if any(len(one) != count for one in made["angles"]):
        raise InputError(
            "the moves were made for a machine with other rotary axes",
            column="angles",
            found=next(one for one in made["angles"] if len(one) != count),
            expected=f"{count} angles ({' '.join(kinematics.letters) or 'no rotary axis'})",
        )
    planned = np.array(made["angles"].tolist(), dtype=float).reshape(len(table), count)
    given = [name for name in names if name in table]
    if not given:
        return planned
    if len(given) < count:
        raise InputError(
            "the log lacks an angle", file=table.attrs.get("source"), found=", ".join(given), expected=", ".join(names)
        )
    logged = array(table, names)
    logged = np.where(np.isnan(logged), planned, logged)
    off = np.abs((logged - planned + 180.0) % 360.0 - 180.0).max(axis=1) > _TURNED
    if off.any():
        first = int(np.argmax(off))
        warnings.warn(
            f"{int(off.sum())} touches were made at other angles than the program turned to; the first is touch "
            f"{table['touch'].iloc[first]}: {logged[first].tolist()}, not {planned[first].tolist()}",
            ProbekitWarning,
            stacklevel=3,
        )
    return logged
