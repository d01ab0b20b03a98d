"""Colours of a view, built in OKLab so that equal steps of deviation look like equal steps of colour.

OKLab and its matrices: B. Ottosson, "A perceptual color space for image processing", 2020. sRGB transfer function:
IEC 61966-2-1.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "BEYOND",
    "FIXTURE",
    "HUES",
    "LINE_COLOURS",
    "MIDDLE",
    "PART",
    "PROBE",
    "TARGET_COLOURS",
    "UNKNOWN",
    "VERDICT_COLOURS",
    "diverging",
    "hex_of",
    "is_light",
    "oklab_to_srgb",
    "srgb_to_oklab",
]

_LMS_FROM_RGB = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_LAB_FROM_LMS = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)

#: The neutral middle and the two ends of the deviation colours, in OKLab (lightness, a, b). The ends have the same
#: lightness and the same distance from the middle, so neither sign looks worse than the other.
MIDDLE = np.array([0.94, 0.0, 0.0])
_END_LIGHTNESS, _END_CHROMA = 0.47, 0.125
_MISSING_HUE, _LEFT_HUE = np.deg2rad(258.0), np.deg2rad(52.0)

#: What must be said beside the colours of deviations, and beside those that end before the largest one.
HUES = "Orange brown: material left on. Blue: material missing. Light grey: on the nominal."
BEYOND = "Some deviations lie beyond the ends of the colour bar; their numbers are in the table."

#: Where no touch is near: a grey darker than the middle; views also hatch it.
UNKNOWN = (190, 193, 197)

#: sRGB colour of each verdict. Chosen to stay apart for colour-blind readers too (tests measure it).
VERDICT_COLOURS: dict[str, tuple[int, int, int]] = {
    "within": (0, 132, 108),
    "undecided": (240, 186, 20),
    "high": (190, 74, 8),
    "low": (30, 60, 170),
    "missed": (24, 24, 28),
    "unjudged": (160, 163, 168),
}

#: sRGB colour of each target of a plan, under the same condition.
TARGET_COLOURS: dict[str, tuple[int, int, int]] = {
    "planned": (14, 92, 128),
    "critical": (240, 176, 16),
    "left out": (176, 48, 60),
}

#: Neutrals of a plan: the part, what holds it, and the stem and body of the probe.
PART, FIXTURE, PROBE = (226, 228, 231), (182, 171, 150), (150, 160, 174)

#: Lines that must be told apart; they differ in their dashes too. K. Okabe and M. Ito, "Color Universal Design" (2008),
#: without black and yellow; from memory.
LINE_COLOURS = ((0, 114, 178), (213, 94, 0), (0, 158, 115), (204, 121, 167), (86, 180, 233), (230, 159, 0))


def srgb_to_linear(srgb: np.ndarray) -> np.ndarray:
    """Linear light in 0..1 of sRGB values in 0..1, any shape."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((np.maximum(srgb, 0.04045) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: np.ndarray) -> np.ndarray:
    """Return the sRGB values in 0..1 of linear light, clipped to 0..1, any shape."""
    linear = np.clip(linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def srgb_to_oklab(srgb: np.ndarray) -> np.ndarray:
    """OKLab (..., 3) of sRGB (..., 3) uint8."""
    linear = srgb_to_linear(np.asarray(srgb, dtype=float) / 255.0)
    return np.cbrt(linear @ _LMS_FROM_RGB.T) @ _LAB_FROM_LMS.T


def oklab_to_srgb(lab: np.ndarray) -> np.ndarray:
    """Return sRGB (..., 3) uint8 of OKLab (..., 3); colours outside sRGB are clipped."""
    lms = (np.asarray(lab, dtype=float) @ np.linalg.inv(_LAB_FROM_LMS).T) ** 3
    return np.rint(255.0 * linear_to_srgb(lms @ np.linalg.inv(_LMS_FROM_RGB).T)).astype(np.uint8)


def diverging(fraction: np.ndarray) -> np.ndarray:
    """Colour of a deviation as a fraction of the range shown.

    Parameters
    ----------
    fraction : (...,) float
        -1 (material missing: blue) through 0 (neutral) to 1 (material left on: orange brown); clipped to that. NaN
        gives the colour `UNKNOWN`.

    Returns
    -------
    (..., 3) uint8
        The sRGB colour.

    Notes
    -----
    Two straight lines in OKLab that meet at the neutral middle: along each, equal steps of `fraction` are equal steps
    of OKLab distance.
    """
    t = np.clip(np.asarray(fraction, dtype=float), -1.0, 1.0)
    hue = np.where(t < 0, _MISSING_HUE, _LEFT_HUE)
    size = np.abs(np.nan_to_num(t))
    lab = np.stack(
        [
            MIDDLE[0] + (_END_LIGHTNESS - MIDDLE[0]) * size,
            _END_CHROMA * size * np.cos(hue),
            _END_CHROMA * size * np.sin(hue),
        ],
        axis=-1,
    )
    return np.where(np.isnan(t)[..., None], np.array(UNKNOWN, dtype=np.uint8), oklab_to_srgb(lab))


def sequential(fraction: np.ndarray) -> np.ndarray:
    """Colour (..., 3) uint8 sRGB of a size from 0 (white) to 1 (dark), clipped; NaN gives the colour `UNKNOWN`.

    Neutral, so that it is not taken for a deviation; equal steps are equal steps of lightness in OKLab.
    """
    t = np.clip(np.asarray(fraction, dtype=float), 0.0, 1.0)
    lab = np.stack([0.98 - 0.63 * np.nan_to_num(t), 0.0 * np.nan_to_num(t), -0.04 * np.nan_to_num(t)], axis=-1)
    return np.where(np.isnan(t)[..., None], np.array(UNKNOWN, dtype=np.uint8), oklab_to_srgb(lab))


def hex_of(rgb: tuple[int, int, int] | np.ndarray) -> str:
    """`#rrggbb` of one sRGB colour in 0..255."""
    return "#{:02x}{:02x}{:02x}".format(*(int(c) for c in rgb))


def is_light(colour: str) -> bool:
    """Whether a dark outline shows better on this colour (`#rrggbb`) than a white one."""
    srgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)])
    return bool(srgb_to_oklab(srgb)[0] > 0.7)
