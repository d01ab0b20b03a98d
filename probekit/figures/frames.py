"""Feature control frames for print: the strokes of `probekit.tolerance`'s own symbols, as a figure of matplotlib."""

from __future__ import annotations

import re
from typing import Any, Protocol
from xml.etree import ElementTree

import numpy as np
from matplotlib.patches import Circle, PathPatch, Rectangle
from matplotlib.path import Path

from ..errors import InputError
from .drawing import INK, Drawing, axes, styled

__all__ = ["control_frame"]

_UNIT = 1 / 96  # inch of a unit of the drawing
_NEEDS = {"M": 2, "L": 2, "H": 1, "V": 1, "A": 7, "Z": 0}


class Framed(Protocol):
    """What draws itself as a feature control frame: a tolerance, a composite."""

    def _repr_svg_(self) -> str: ...


def control_frame(tolerance: Framed, *, scale: float = 1.0) -> Drawing:
    """The feature control frame of a tolerance.

    Parameters
    ----------
    tolerance : Tolerance or Composite
        Of `probekit.tolerance`.
    scale : float
        1 is 32 units of 1/96 inch high, as in a notebook.

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If it has no frame, or the scale is not above zero.
    """
    text = tolerance._repr_svg_() if hasattr(tolerance, "_repr_svg_") else ""
    if not text or not scale > 0:
        raise InputError("there is no feature control frame to draw", found=type(tolerance).__name__)
    root = ElementTree.fromstring(text)
    left, top, wide, high = (float(one) for one in root.attrib["viewBox"].split())
    size = scale * _UNIT
    figure, on = axes(wide=(wide + 4) * size, high=(high + 4) * size, said=root.attrib.get("aria-label", ""))
    figure.set_layout_engine("none")
    line: dict[str, Any] = {"fill": False, "edgecolor": INK, "linewidth": 1.6 * 0.75 * scale, "joinstyle": "round"}
    with styled():
        on.set_position((0, 0, 1, 1))
        on.set_axis_off()
        on.set(xlim=(left - 2, left + wide + 2), ylim=(top + high + 2, top - 2))
        for one in root.iter():
            kind, at = one.tag.rpartition("}")[2], {name: one.attrib.get(name, "") for name in ("x", "y", "cx", "cy")}
            if kind == "rect":
                box = float(one.attrib["width"]), float(one.attrib["height"])
                on.add_patch(Rectangle((float(at["x"]), float(at["y"])), *box, **line))
            elif kind == "circle":
                on.add_patch(Circle((float(at["cx"]), float(at["cy"])), float(one.attrib["r"]), **line))
            elif kind == "path":
                move = [float(n) for n in re.findall(r"-?[\d.]+", one.attrib.get("transform", "0 0"))]
                on.add_patch(PathPatch(_path(one.attrib["d"], np.array(move)), **line))
            elif kind == "text":
                points = 0.75 * scale * float(one.attrib["font-size"])
                middle = "center" if one.attrib.get("text-anchor") == "middle" else "left"
                on.text(float(at["x"]), float(at["y"]), one.text, fontsize=points, ha=middle, family="DejaVu Sans Mono")
    return figure


def _path(text: str, move: np.ndarray) -> Path:
    """Strokes of an SVG path of M, L, H, V, A and Z, the small letters relative."""
    tokens = re.findall(r"[A-Za-z]|-?(?:\d+\.?\d*|\.\d+)", text)
    vertices, codes = [], []
    here = start = np.zeros(2)
    letter = ""
    while tokens:
        letter = tokens.pop(0) if tokens[0].isalpha() else letter
        kind = letter.upper()
        number = [float(tokens.pop(0)) for _ in range(_NEEDS[kind])]
        base = here if letter.islower() else np.zeros(2)
        if kind == "Z":
            here = start
            vertices.append(here)
            codes.append(Path.CLOSEPOLY)
            continue
        to = here.copy()
        if kind in "HV":
            to["HV".index(kind)] = number[0] + base["HV".index(kind)]
        else:
            to = np.array(number[-2:]) + base
        steps = _arc(here, to, number[0], bool(number[3]), bool(number[4])) if kind == "A" else [to]
        vertices += steps
        codes += [Path.MOVETO if kind == "M" else Path.LINETO] * len(steps)
        start = to if kind == "M" else start
        here = to
        letter = {"M": "L", "m": "l"}.get(letter, letter)
    return Path(np.array(vertices) + move, codes)


def _arc(start: np.ndarray, end: np.ndarray, radius: float, large: bool, sweep: bool) -> list[np.ndarray]:
    """Points of an arc of a circle from start to end, as SVG 1.1, F.6.5 defines it (from memory)."""
    half = (end - start) / 2
    reach = float(np.hypot(*half))
    radius = max(radius, reach)
    side = 1.0 if large == sweep else -1.0
    rise = np.sqrt(max(radius**2 - reach**2, 0.0)) / reach
    middle = start + half + side * rise * np.array([half[1], -half[0]])
    one, two = (float(np.arctan2(*(point - middle)[::-1])) for point in (start, end))
    turn = (two - one) % (2 * np.pi) if sweep else -((one - two) % (2 * np.pi))
    angles = one + turn * np.linspace(0, 1, 33)[1:]
    return list(middle + radius * np.column_stack([np.cos(angles), np.sin(angles)]))
