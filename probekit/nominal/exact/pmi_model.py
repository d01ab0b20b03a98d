"""Tolerances and datums of a model as plain data."""

from __future__ import annotations

from dataclasses import dataclass

from ... import show

__all__ = ["KINDS", "UNEQUAL", "ModelDatum", "ModelPmi", "ModelSize", "ModelTolerance", "shown"]

#: Modifier of a tolerance whose zone is displaced while no standard says what the number means.
UNEQUAL = "unequally disposed, in a sense that is not understood"

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


@show.shown
@dataclass(frozen=True)
class ModelDatum:
    """A datum of the model: its letter, the faces of its datum feature, its record, and those of its datum targets."""

    letter: str
    faces: tuple[str, ...]
    source_id: str
    targets: tuple[str, ...] = ()


@show.shown
@dataclass(frozen=True)
class ModelSize:
    """A size of the model.

    Attributes
    ----------
    of : str
        What is measured, as the file has it: "diameter", "radius", "width", ...
    nominal : float or None
        [mm]
    limits : (float, float) or None
        Smallest and largest [mm]; None for a basic or reference dimension, or one that a general tolerance covers.
    modifiers : tuple of str
        In the words of the file.
    faces : tuple of str
    source_id : str
    """

    of: str
    nominal: float | None
    limits: tuple[float, float] | None
    modifiers: tuple[str, ...]
    faces: tuple[str, ...]
    source_id: str


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
    """

    tolerances: tuple[ModelTolerance, ...]
    datums: tuple[ModelDatum, ...]
    not_understood: tuple[str, ...]
    schema: str = ""
    standard: str = ""
    sizes: tuple[ModelSize, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What was found, in one sentence."""
        if not (self.tolerances or self.datums or self.sizes or self.not_understood):
            return f"The file (schema {shown(self.schema)}) carries no tolerances as data."
        return (
            f"Tolerances that the file carries as data: {len(self.tolerances)}; datums: {len(self.datums)}; "
            f"sizes: {len(self.sizes)}; remarks on data not understood: {len(self.not_understood)}."
        )


def shown(text: str) -> str:
    """Text from the file, quoted, what cannot be seen escaped, cut to a sane length."""
    text = text if len(text) <= 60 else text[:57] + "..."
    return ascii(text) if not text.isprintable() else f"'{text}'"
