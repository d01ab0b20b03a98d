"""The milling program of the demo part "foil". All of it is invented: feeds, tools and stock fit no real job.

Words are those of RS274/NGC (NISTIR 6556). The invented machine has a table C and a head A, with 150 mm from the head's
pivot to the spindle nose; a tool reaches 120 mm below the nose. Positions are tool tips, in the work offset G54 whose
origin is that of the part frame; where the head has turned, X Y Z are what the tip would be at A0, so that no
tool-centre-point function is needed.
"""

from __future__ import annotations

import numpy as np
from foil_shape import BASE, BORE, SLOT, skin, skin_normal

GAUGE, TOOL_LENGTH = 150.0, 120.0  # head's pivot to spindle nose, nose to tool tip [mm]
SAFE = 300.0  # where the rotary axes may turn [mm, program Z]
TILT = 65.0  # of the head while the skin is finished [degree]
CUTTER = 5.0  # radius of the ball cutter [mm]


def text() -> str:
    """The whole milling program."""
    lines = ["%", "(FOIL J61: INVENTED FOR A DEMONSTRATION, NOT TO BE RUN ON A MACHINE)", "G21 G17 G90 G94 G40 G49 G80"]
    lines += ["G54", "G64"]
    lines += _operation(1, "FACE THE BASE", tool=1, speed=6000) + _facing()
    lines += _operation(2, "BORE", tool=2, speed=5000) + _bore()
    lines += _operation(3, "SLOT", tool=3, speed=7000) + _slot()
    lines += _operation(4, "FINISH THE SKIN", tool=4, speed=9000) + _side(0.0, 0.5, 1.0) + _side(180.0, 0.5, 0.0)
    lines += [f"G0 Z{SAFE:.3f}", "A0 C0"]
    lines += _operation(5, "BREAK THE EDGES OF THE BASE", tool=5, speed=8000) + _edges()
    lines += ["M9", "M5", "G49", "M30", "%"]
    numbered = []
    for place, line in enumerate(lines):
        plain = line == "%" or line.startswith("(")
        numbered.append(line if plain else f"N{10 * place} {line}")
    return "\n".join(numbered) + "\n"


def _operation(number: int, name: str, *, tool: int, speed: int) -> list[str]:
    """Head of an operation: the tool before stops first."""
    stop = ["M9", "M5"] if number > 1 else []
    return [
        *stop,
        f"(OPERATION {number}: {name})",
        f"T{tool} M6",
        f"G43 H{tool}",
        f"S{speed} M3",
        f"G0 Z{SAFE:.3f}",
        "M8",
    ]


def _facing() -> list[str]:
    """Round the foot of the wing, on the base's top face."""
    length, width, _ = BASE
    x, y = length / 2 - 6.0, width / 2 - 6.0
    ring = [(-x, -y), (x, -y), (x, y), (-x, y), (-x, -y)]
    lines = [f"G0 X{ring[0][0]:.3f} Y{ring[0][1]:.3f}", "Z5.000", "G1 Z0.000 F300"]
    return lines + [f"X{a:.3f} Y{b:.3f} F1200" for a, b in ring[1:]] + [f"G0 Z{SAFE:.3f}"]


def _bore() -> list[str]:
    """Full circles down the bore, with a cutter of 8 mm."""
    x, y, radius = BORE
    reach = radius - 4.0
    lines = [f"G0 X{x:.3f} Y{y:.3f}", "Z3.000"]
    for depth in (-7.0, -14.0, -20.5):
        lines += [
            f"G1 Z{depth:.3f} F300",
            f"X{x + reach:.3f} F600",
            f"G3 X{x + reach:.3f} Y{y:.3f} I{-reach:.3f} J0.000",
        ]
        lines += [f"G1 X{x:.3f}"]
    return [*lines, f"G0 Z{SAFE:.3f}"]


def _slot() -> list[str]:
    """Round the inside of the slot, with a cutter of 8 mm, climbing."""
    left, right, y, radius = SLOT
    reach = radius - 4.0
    lines = [f"G0 X{left:.3f} Y{y:.3f}", "Z3.000"]
    for depth in (-7.0, -14.0, -20.5):
        lines += [f"G1 Z{depth:.3f} F250", f"Y{y - reach:.3f} F500", f"X{right:.3f}"]
        lines += [f"G3 X{right:.3f} Y{y + reach:.3f} I0.000 J{reach:.3f}", f"G1 X{left:.3f}"]
        lines += [f"G3 X{left:.3f} Y{y - reach:.3f} I0.000 J{-reach:.3f}", f"G1 Y{y:.3f}"]
    return [*lines, f"G0 Z{SAFE:.3f}"]


def _side(turn: float, first: float, last: float) -> list[str]:
    """Rows up one side of the skin, from the leading to the trailing edge and back, head tilted, table turned."""
    lines = [f"G0 Z{SAFE:.3f}", f"A{TILT:.3f} C{turn:.3f}"]
    u = np.linspace(first, last, 25)
    rows = []
    for number, v in enumerate(np.linspace(0.06, 0.98, 16)):
        u_here = u if number % 2 == 0 else u[::-1]
        rows.append(skin(u_here, v) + CUTTER * skin_normal(u_here, v))
    tips = _program(np.concatenate(rows), turn)
    away = _program(np.array([rows[0][0] + 20.0 * skin_normal(u[0], 0.06)]), turn)[0]
    lines += [f"X{away[0]:.3f} Y{away[1]:.3f}", f"Z{away[2]:.3f}"]
    lines += [f"G1 X{tips[0, 0]:.3f} Y{tips[0, 1]:.3f} Z{tips[0, 2]:.3f} F1500"]
    return lines + [f"X{x:.3f} Y{y:.3f} Z{z:.3f}" for x, y, z in tips[1:]] + [f"G0 Z{SAFE:.3f}"]


def _edges() -> list[str]:
    """Round the outer edge of the base's top face."""
    length, width, _ = BASE
    x, y = length / 2 + 1.0, width / 2 + 1.0
    ring = [(-x, -y), (-x, y), (x, y), (x, -y), (-x, -y)]
    lines = [f"G0 X{ring[0][0]:.3f} Y{ring[0][1]:.3f}", "Z5.000", "G1 Z-1.000 F400"]
    return lines + [f"X{a:.3f} Y{b:.3f} F1500" for a, b in ring[1:]] + [f"G0 Z{SAFE:.3f}"]


def _program(centres: np.ndarray, turn: float) -> np.ndarray:
    """(n, 3) program X, Y, Z of the cutter's tip, from ball centres in the part frame, at C `turn` and A `TILT`."""
    tilt, around = np.radians(TILT), np.radians(-turn)  # a table turns the part the other way: ISO 841, from memory
    part = np.array([[np.cos(around), -np.sin(around), 0.0], [np.sin(around), np.cos(around), 0.0], [0.0, 0.0, 1.0]])
    spindle = np.array([0.0, -np.sin(tilt), np.cos(tilt)])
    tip = centres @ part.T - CUTTER * spindle
    return tip + (GAUGE + TOOL_LENGTH) * (spindle - [0.0, 0.0, 1.0])
