"""What makes touches uncertain: one table of what a budget may state, and what is taken where it states nothing.

A machinist is asked for largest values and for two standard deviations (2s), as certificates and test sheets give them;
`divisor` turns each into a standard uncertainty (JCGM 100:2008, 4.3.7 for a rectangular distribution, 4.3.4 for a
multiple of the standard deviation; clauses from memory). What is not stated is taken from a hot shop with an old
machine: large rather than small.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from ..values import Number, Stated

__all__ = ["CAUSES", "FLAGS", "MEASURED_WITHIN", "PART", "RANGE_OF_25", "USUAL_EXPANSION", "Cause"]

#: Mean range of 25 values of a normal distribution, in standard deviations (statistical tables; from memory).
RANGE_OF_25 = 3.931

#: Coefficient of expansion where none is stated: aluminium, the largest of the usual metals [um/(m K)].
USUAL_EXPANSION = 23.0

_DIVISORS = {"2s": 2.0, "largest": sqrt(3.0), "width": 2.0 * sqrt(3.0), "range of 25": RANGE_OF_25, "half": 2.0}
_PDFS = {"2s": "normal", "range of 25": "normal", "half": "normal"}


@dataclass(frozen=True)
class Cause:
    """One line of a budget: a number that is asked for, and what it does to the touches.

    Attributes
    ----------
    key : str
        Of the budget; it ends with the unit.
    name : str
        What the number makes uncertain; two numbers may belong to one name.
    asks : str
        What number is asked for.
    unit : str
    default : float
        Where nothing is stated.
    least : float
        Smallest value that can be meant, beside 0.
    most : float
        Largest.
    given : {"2s", "largest", "width", "range of 25", "half", "exact"}
        What the number is: two standard deviations, the end of a symmetrical range, the full width of a range, ...
    spread : str
        Which touches share it.
    """

    key: str
    name: str
    asks: str
    unit: str
    default: float
    least: float
    most: float
    given: str
    spread: str

    @property
    def divisor(self) -> float:
        """Takes the number to a standard uncertainty."""
        return _DIVISORS.get(self.given, 1.0)

    @property
    def pdf(self) -> str:
        """Distribution that is assumed for it."""
        return "" if self.given == "exact" else _PDFS.get(self.given, "rectangular")

    @property
    def rule(self) -> Stated:
        """What a file may say."""
        return Stated(Number(least=self.least, most=self.most, or_zero=True))

    @property
    def meant(self) -> str:
        """What most likely was meant by a number that cannot be."""
        unit = f"It is in {self.unit}"
        return f"{unit}: 0.003 mm are 3." if self.unit == "um" else f"{unit}; 0 if there is no such error."


_OWN, _RUN, _POSE = "each touch its own", "all touches of the run", "all touches of a pose"
_UM, _UM_M = "um", "um/m"

#: Key -> cause, in the order of a budget.
CAUSES: dict[str, Cause] = {
    row[0]: Cause(*row)
    for row in (
        ("repeatability_2s_um", "probe repeatability", "same touch 25 times", _UM, 2.0, 0.1, 100.0, "2s", _OWN),
        ("trigger_jitter_ms", "latching", "trigger to latch, longest less shortest", "ms", 1.0, 1e-3, 50.0, "width",
         _OWN),
        ("touch_feed_mm_min", "latching", "feed of the probing move", "mm/min", 100.0, 1.0, 1e4, "exact", _OWN),
        ("roughness_ra_um", "roughness", "Ra of the faces", _UM, 0.8, 0.01, 50.0, "half", _OWN),
        ("dirt_um", "dirt", "film left after cleaning", _UM, 0.5, 0.01, 100.0, "largest", _OWN),
        ("chord_um", "chord error", "facets from the surface, largest", _UM, 0.0, 1e-3, 1000.0, "width", _OWN),
        ("form_um", "form not seen", "form that the process leaves on datum faces", _UM, 10.0, 0.2, 1000.0, "width",
         _OWN),
        ("radius_2s_um", "effective radius", "qualification, certificate of the sphere", _UM, 3.0, 0.1, 100.0, "2s",
         "all touches of a stylus"),
        ("direction_range_um", "probe by direction", "form test of the probe, largest less smallest of 25 touches", _UM,
         5.0, 0.2, 200.0, "range of 25", "touches in like directions"),
        ("scale_um_per_m", "scales", "error of an axis", _UM_M, 10.0, 0.1, 500.0, "largest", _RUN),
        ("squareness_um_per_m", "squareness", "error between two axes", _UM_M, 15.0, 0.2, 1000.0, "largest", _RUN),
        ("straightness_um", "straightness", "of the axes over this part", _UM, 3.0, 0.1, 200.0, "largest",
         "touches near each other"),
        ("pivot_um", "pivot", "place of the rotary axes: sphere touched in all poses", _UM, 6.0, 0.3, 500.0, "largest",
         _POSE),
        ("index_arcsec", "index", "rotary positions", "arcsec", 5.0, 0.1, 600.0, "largest", _POSE),
        ("temperature_within_c", "part temperature", "from the temperature stated, from 20 where none is",
         "degree Celsius", 10.0, 0.02, 40.0, "largest", _RUN),
        ("expansion_within_percent", "expansion coefficient", "from the coefficient stated", "%", 10.0, 0.1, 50.0,
         "largest", _RUN),
        ("drift_um", "drift", "first touch again after the last one", _UM, 7.0, 0.1, 500.0, "largest",
         "all touches of the run, by time"),
        ("clamping_um", "clamping", "what clamps move a feature", _UM, 2.0, 0.1, 500.0, "largest",
         "all touches of a feature"),
    )
}  # fmt: skip

#: How far a part may be from a temperature that is stated without that [degree Celsius].
MEASURED_WITHIN = 2.0

#: What else a budget says: whether touches are corrected to 20 degrees, and for drift that references show.
FLAGS = {"corrected": True, "drift_corrected": False}

#: What a correction for temperature needs, beside the model of the part: temperature [degree Celsius], coefficient.
PART = {"temperature": Number(least=-10, most=60), "expansion_um_per_m_c": Number(least=0.05, most=200)}
