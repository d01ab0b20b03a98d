"""Why an actual value is what it is: in words, in numbers of other fits, and in one figure."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from ..show import shown
from .figures import figure

if TYPE_CHECKING:
    from .evaluation import Evaluation

__all__ = ["Explanation", "explain"]

_FREEDOM = {
    "tx": "shift along x",
    "ty": "shift along y",
    "tz": "shift along z",
    "rx": "turn about x",
    "ry": "turn about y",
    "rz": "turn about z",
}


@shown
@dataclass(frozen=True, eq=False)
class Explanation:
    """Why an actual value is what it is.

    Attributes
    ----------
    lines : tuple of str
        The reasons, one sentence or two each.
    values : dict
        Actual value [mm] that each other fit would have given.
    svg : str
        Strip of the deviations with the zone, the touches that rule marked by a ring and their names. Of axes and
        centres: where they lie in their zone, seen along it.
    """

    lines: tuple[str, ...]
    values: dict[str, float]
    svg: str

    @property
    def sentence(self) -> str:
        """The reason in one line."""
        return self.lines[0] if self.lines else "there is nothing to explain"

    def __str__(self) -> str:
        return "\n".join(self.lines)

    def _repr_html_(self) -> str:
        return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in self.lines)}</ul>{self.svg}"


def explain(evaluation: Evaluation) -> Explanation:
    """Explain an evaluation.

    Parameters
    ----------
    evaluation : Evaluation

    Returns
    -------
    Explanation
        Its `values` are computed anew by the other fits; the evaluation itself is only read.
    """
    values = dict(evaluation.alternatives()) if evaluation.alternatives is not None else {}
    lines = [evaluation.sentence + ".", _margin(evaluation), _ruling(evaluation), _freedoms(evaluation)]
    lines += [f"{name}: {_number(name, value)}" for name, value in evaluation.details.items()]
    if values:
        told = "; ".join(f"{name}: {value:.4f} mm" for name, value in values.items())
        lines.append(f"Other fits of the same touches give {told}.")
        inside = evaluation.actual <= evaluation.width
        if inside and max(values.values()) > evaluation.width:
            lines.append(
                "The least favourable of them is larger than the tolerance, this one is not: the fit matters here."
            )
        elif not inside and min(values.values()) <= evaluation.width:
            lines.append(
                "The most favourable of them is not larger than the tolerance, this one is: the fit, or the datum "
                "frame, matters here."
            )
    lines += [note[:1].upper() + note[1:] + "." for note in evaluation.notes]
    return Explanation(tuple(line for line in lines if line), values, figure(evaluation))


def _margin(one: Evaluation) -> str:
    left = one.width - one.actual
    share = f"{100 * one.actual / one.width:z.0f} % of the tolerance is used" if one.width else "Nothing is allowed"
    return f"{share}: {left:.4f} mm are left." if left >= 0 else f"{share}: {-left:.4f} mm too much."


def _ruling(one: Evaluation) -> str:
    if not one.ruling:
        return ""
    listed = ", ".join(str(touch) for touch in one.ruling)
    if not one.judges_touches and not one.kind.startswith("profile"):
        return (
            f"The feature judged is that of an envelope which rests on touches {listed}. The others could change a "
            "little and it would stay."
        )
    if len(one.ruling) == 1:
        return f"One touch fixes the value: {listed}. Any other could change a little and the value would stay."
    return (
        f"{len(one.ruling)} touches fix the value together: {listed}. They lie equally far out (in proportion to their "
        "zone); the others could change a little and it would stay."
    )


def _freedoms(one: Evaluation) -> str:
    if not one.free:
        return "No degree of freedom was left: the zone stands where the datum frame puts it."
    words = ", ".join(_words(name) for name in one.free)
    return f"The zone was free to {words}: no other place in these makes the value smaller."


def _number(name: str, value: float) -> str:
    """A detail with its unit: millimetre, unless its name says another or it is a share."""
    if name.startswith("share"):
        return f"{100 * value:z.0f} %"
    return f"{value:.4f}" + ("" if name.endswith("]") else " mm")


def _words(name: str) -> str:
    shift = "datum shift of "
    if name.startswith(shift):
        return f"move as far as the shift of datum {name.removeprefix(shift)} at its material boundary lets the part"
    return _FREEDOM.get(name, f"make {name}")
