"""Tolerances and datums of a model as plain data."""

from __future__ import annotations

from dataclasses import dataclass

from ... import show

__all__ = [
    "KINDS",
    "PER_UNIT",
    "PROJECTED_ZONE",
    "UNEQUAL",
    "ModelDatum",
    "ModelPmi",
    "ModelSize",
    "ModelTarget",
    "ModelTolerance",
    "shown",
]

#: Modifiers of a tolerance beside the words of the schema.
UNEQUAL = "unequally disposed, in a sense that is not understood"  # no standard says what the number means
PER_UNIT, PROJECTED_ZONE = "per unit", "projected zone"

#: Entities of tolerances and what they are called here.
KINDS = {
    "STRAIGHTNESS_TOLERANCE": "straightness",
    "FLATNESS_TOLERANCE": "flatness",
    "ROUNDNESS_TOLERANCE": "roundness",
    "CYLINDRICITY_TOLERANCE": "cylindricity",
    "LINE_PROFILE_TOLERANCE": "profile of a line",
    "SURFACE_PROFILE_TOLERANCE": "profile of a surface",
    "ANGULARITY_TOLERANCE": "angularity",
    "PERPENDICULARITY_TOLERANCE": "perpendicularity",
    "PARALLELISM_TOLERANCE": "parallelism",
    "POSITION_TOLERANCE": "position",
    "COAXIALITY_TOLERANCE": "coaxiality",
    "CONCENTRICITY_TOLERANCE": "concentricity",
    "SYMMETRY_TOLERANCE": "symmetry",
    "CIRCULAR_RUNOUT_TOLERANCE": "circular run-out",
    "TOTAL_RUNOUT_TOLERANCE": "total run-out",
}


@show.shown
@dataclass(frozen=True)
class ModelTolerance:
    """A geometrical tolerance of the model.

    Attributes
    ----------
    name : str
        As the file names it; may be empty, and is not to be trusted as text.
    kind : str
        One of the values of `KINDS`.
    value : float
        [mm]
    outside : float or None
        Part of the zone outside the material [mm]; None if the zone is disposed equally, or if it cannot be told.
    displacement : float or None
        What the file states of an unequally disposed zone [mm], whatever that means there.
    datums : tuple of tuple of str
        Letters in order of precedence; several in one where they make a common datum.
    modifiers : tuple of str
        In plain words; also what bears on it and was not understood, then marked "not understood".
    faces : tuple of str
        Names of the model's faces that it covers.
    source_id : str
        Its record in the file, like "#12".
    refines : str
        Record of the tolerance whose lower segment it is, in a composite; or nothing.
    unit : tuple of float
        Per unit: a length, or both sides of an area [mm]; its modifiers then hold `PER_UNIT`.
    unit_shape : str
        "length", or the shape of the area: "rectangular", "square", "circular", ...
    projected : tuple of (float, tuple of str)
        Lengths of projected zones [mm] and the faces that each begins at; its modifiers then hold `PROJECTED_ZONE`.
    """

    name: str
    kind: str
    value: float
    outside: float | None
    displacement: float | None
    datums: tuple[tuple[str, ...], ...]
    modifiers: tuple[str, ...]
    faces: tuple[str, ...]
    source_id: str
    refines: str = ""
    unit: tuple[float, ...] = ()
    unit_shape: str = ""
    projected: tuple[tuple[float, tuple[str, ...]], ...] = ()


@show.shown
@dataclass(frozen=True)
class ModelTarget:
    """A datum target of the model.

    Attributes
    ----------
    name : str
        As on the drawing: letter and number.
    kind : str
        In the words of the file: "point", "line", "circle", "rectangle", "area", ...
    point, along : (3,) tuple of float or None
        Where it is [mm], and the direction of a line or of a rectangle's first side; None if the file does not say.
    sizes : tuple of (str, float)
        What its sizes are called in the file, and the sizes [mm].
    faces : tuple of str
        Of the model, if it is linked to faces.
    source_id : str
    """

    name: str
    kind: str
    point: tuple[float, float, float] | None
    along: tuple[float, float, float] | None
    sizes: tuple[tuple[str, float], ...]
    faces: tuple[str, ...]
    source_id: str


@show.shown
@dataclass(frozen=True)
class ModelDatum:
    """A datum of the model: its letter, the faces of its datum feature, its record, and its datum targets."""

    letter: str
    faces: tuple[str, ...]
    source_id: str
    targets: tuple[ModelTarget, ...] = ()


@show.shown
@dataclass(frozen=True)
class ModelSize:
    """A dimension of the model: a size, or a distance or angle between two features.

    Attributes
    ----------
    of : str
        What is measured, as the file has it: "diameter", "radius", "width", "linear distance", ...
    nominal : float or None
        [mm], or [deg] of an angle.
    limits : (float, float) or None
        Smallest and largest, in the same unit; None for a basic or reference dimension, or one that a general
        tolerance or a fit covers.
    modifiers : tuple of str
        In the words of the file.
    faces : tuple of str
    source_id : str
    fit : str
        Limits by a tolerance class, as the file has it: "H7", "G6 hole"; or nothing.
    ends : tuple of tuple of str
        Of a distance or angle: the faces at each of its ends. Of a size: nothing.
    degrees : bool
        It is an angle.
    """

    of: str
    nominal: float | None
    limits: tuple[float, float] | None
    modifiers: tuple[str, ...]
    faces: tuple[str, ...]
    source_id: str
    fit: str = ""
    ends: tuple[tuple[str, ...], ...] = ()
    degrees: bool = False


@show.shown
@dataclass(frozen=True)
class ModelPmi:
    """What a model says of its tolerances.

    Attributes
    ----------
    tolerances : tuple of ModelTolerance
    datums : tuple of ModelDatum
    not_understood : tuple of str
        One sentence for each annotation, or part of one, that was not understood, with its record and the reason.
    schema : str
        Of the file.
    standard : str
        Standard that the file names for its tolerances: "ASME Y14.5", "ISO 1101" or "".
    sizes : tuple of ModelSize
    notes : tuple of str
        What a reader should know of how it was read.
    texts : tuple of str
        Texts that the file holds for people to read; they may state general tolerances.
    """

    tolerances: tuple[ModelTolerance, ...]
    datums: tuple[ModelDatum, ...]
    not_understood: tuple[str, ...]
    schema: str = ""
    standard: str = ""
    sizes: tuple[ModelSize, ...] = ()
    notes: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What was found, in one sentence."""
        if not (self.tolerances or self.datums or self.sizes or self.not_understood):
            return f"The file (schema {shown(self.schema)}) carries no tolerances as data."
        return (
            f"Tolerances that the file carries as data: {len(self.tolerances)}; datums: {len(self.datums)}; "
            f"dimensions: {len(self.sizes)}; remarks on data not understood: {len(self.not_understood)}."
        )


def shown(text: str) -> str:
    """Text from the file, quoted, what cannot be seen escaped, cut to a sane length."""
    text = text if len(text) <= 60 else text[:57] + "..."
    return ascii(text) if not text.isprintable() else f"'{text}'"
