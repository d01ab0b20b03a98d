"""From the tolerances that a model carries to the draft of a study file.

What can be judged becomes tables: tolerances, sizes, the datums that they refer to; everything else becomes comments
with the reason, so that nothing is lost. What only a person can know stands there as "fill in"; no study runs with it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING

from ..errors import InputError
from ..nominal import list_faces
from ..nominal.face_list import faces_text
from .described import described
from .features import Features
from .kinds import tolerance_table
from .sizes import size_table
from .tables import FILL_IN, NotJudgedError, Table, Tables
from .toml import comment, key, quoted, value
from .touching import plan_tables

if TYPE_CHECKING:
    from ..nominal import Nominal
    from ..nominal.exact.pmi_model import ModelDatum, ModelPmi, ModelSize, ModelTolerance

__all__ = ["draft_study"]

_FACES = 150  # of the model that are listed


def draft_study(
    model_path: str | PurePath,
    pmi: ModelPmi,
    part: Nominal,
    *,
    touches: str = "touches.csv",
    body: str | None = None,
) -> str:
    """Text of a study file with the tolerances of a model.

    Parameters
    ----------
    model_path : str or PurePath
        The model, as the study shall name it: relative to where the study will stand.
    pmi : ModelPmi
        What was read from it by `probekit.nominal.exact.pmi.read_pmi`.
    part : Nominal
        The model as loaded.
    touches : str
        The results file that the study shall name.
    body : str, optional
        The body of the model that was loaded.

    Returns
    -------
    str
        TOML with comments. It is not yet a study: `FILL_IN` stands where a person must decide.

    Raises
    ------
    InputError
        If a face that a tolerance names is not one of the model's.
    """
    _check_faces(pmi, part)
    features = Features(part, pmi)
    tables, waiting = _tables(pmi, features)
    datums = tables.datums()
    made = [table for table in waiting if isinstance(table, Table)]
    lines = comment(
        "A draft, made from the tolerances that the model carries. It judges nothing until a person responsible for "
        f'the part has reviewed it and replaced every "{FILL_IN}". Lengths in mm. ' + pmi.sentence
    )
    for note in pmi.notes:
        lines += comment(note, "- ")
    if pmi.tolerances and not pmi.standard:
        lines += comment(
            "The model names no standard for its tolerances. Find out which one applies, and its edition (ASME Y14.5; "
            "ISO 1101 and ISO 5459): the same symbols differ between them. Where that changes a number, the number "
            "is left to be filled in."
        )
    named = PurePath(model_path)
    if named.is_absolute() or ".." in named.parts:
        note = "the model lies outside the folder of the study"
        lines += ["", "[study]", *key("outside", [named.parent.as_posix()], note)]
    lines += ["", "[part]", *key("name", part.name), *key("model", named.as_posix())]
    lines += key("body", body) if body is not None else []
    lines += _faces(features) + _listed(part)
    lines += [
        "",
        "[touches]",
        *key("file", touches),
        "",
        "[stylus]",
        *key("ball_diameter", FILL_IN, "fill in: of the stylus [mm]"),
    ]
    lines += ["# effective_radius =  # fill in, if qualified [mm]: a little less than half of it"]
    lines += _planned(part, features, [*made, *datums])
    for datum in datums:
        lines += _written("datum", datum)
    lines += _alignment(tables.frame() if datums else [], {str(datum.keys["letter"]) for datum in datums})
    for table in made:
        lines += _written("tolerance", table)
    if not made:
        lines += ["", *comment("The model carries no tolerance that can be judged: fill one in.")]
        lines += [
            "[[tolerance]]",
            *key("kind", "profile"),
            *key("width", FILL_IN, "fill in: full width of the zone [mm]: 0.1 is +-0.05"),
        ]
        lines += key("features", [FILL_IN], "fill in: names of faces, as listed above")
    remarks = [one for one in waiting if isinstance(one, str)]
    lines += [""] if remarks else []
    for remark in remarks:
        lines += comment(remark)
    if pmi.texts:
        lines += ["", *comment("Texts of the model, for people to read; they may state general tolerances:")]
        for text in pmi.texts:
            lines += comment(text, "- ")
    if pmi.not_understood:
        lines += ["", *comment("Not understood in the model; each may be a requirement on the part:")]
        for remark in pmi.not_understood:
            lines += comment(remark, "- ")
    lines += ["", "[uncertainty]", *key("u", FILL_IN, "fill in: standard uncertainty of a deviation [mm]")]
    lines += key("k", 2, "fill in: coverage factor, U = k u")
    lines += [
        "",
        "[decision]",
        *key("rule", FILL_IN, "fill in: proved, guarded or simple"),
        *key("r", 1.0, "of guarded alone: guard band w = r k u"),
    ]
    return "\n".join(lines) + "\n"


def _check_faces(pmi: ModelPmi, part: Nominal) -> None:
    told: tuple[ModelTolerance | ModelDatum | ModelSize, ...] = (*pmi.tolerances, *pmi.datums, *pmi.sizes)
    for one in told:
        for face in one.faces:
            if face not in part.face_names:
                raise InputError(
                    f"a face of {one.source_id} is not in the model as loaded",
                    file=part.source or None,
                    found=face,
                    todo="Read the tolerances with this same model.",
                )


def _tables(pmi: ModelPmi, features: Features) -> tuple[Tables, list[Table | str]]:
    """What is said of each tolerance and size in turn: its table, or why it has none."""
    tables, found = Tables(pmi, features), []
    called = {face: one.name for one in features.all for face in one.faces}
    names = _names(pmi)
    without = set()
    alike: dict[tuple[object, ...], list[ModelSize]] = {}
    told: tuple[ModelTolerance | ModelSize, ...] = (*pmi.tolerances, *pmi.sizes)
    for one in told:
        text = described(one, called)
        upper = getattr(one, "refines", "")
        if upper and upper not in without:
            continue  # it stands in the table of its upper segment
        try:
            if upper:
                raise NotJudgedError(f"it is the lower segment of {upper}")
            table = tolerance_table(tables, one) if hasattr(one, "kind") else size_table(tables, one)
        except NotJudgedError as reason:
            without.add(one.source_id)
            if hasattr(one, "kind"):
                found.append(f"not judged: {text}: {reason}")
            else:
                apart = one.source_id if one.ends else ""
                alike.setdefault(
                    (apart, one.of, one.nominal, one.limits, one.modifiers, one.fit, str(reason)), []
                ).append(one)
            continue
        kind = table.keys.pop("kind")
        table.keys = {"kind": kind, "name": names[one.source_id]} | table.keys
        table.remarks.insert(0, text)
        found.append(table)
    for (*_, reason), sizes in alike.items():
        faces = tuple(dict.fromkeys(face for one in sizes for face in one.faces))
        records = ", ".join(one.source_id for one in sizes)
        found.append(f"not judged: {described(replace(sizes[0], faces=faces, source_id=records), called)}: {reason}")
    return tables, found


def _names(pmi: ModelPmi) -> dict[str, str]:
    """Names to show, each once, by record."""
    plain = {one.source_id: one.name.strip() or f"{one.kind} {one.source_id}" for one in pmi.tolerances}
    plain |= {one.source_id: f"{one.of or 'size'} {one.source_id}" for one in pmi.sizes}
    count = Counter(plain.values())
    return {record: name if count[name] == 1 else f"{name} {record}" for record, name in plain.items()}


def _faces(features: Features) -> list[str]:
    """The names of the features, as a table of the part."""
    if not features.names:
        return []
    lines = ["", *comment("Features, named after what they are. They must be those of the touches.")]
    lines += ["[part.faces]"]
    for name, faces in features.names.items():
        lines += [f"{quoted(name)} = {value(faces)}"]
    return lines


def _listed(part: Nominal) -> list[str]:
    """All faces of the model, as comments: what there is to name."""
    text = faces_text(list_faces(part)).splitlines()
    more = [f"and {len(text) - _FACES - 1} more"] if len(text) > _FACES + 1 else []
    intro = (
        "Faces of the model, by the names that a study calls them; `probekit faces` draws pictures with them. A table "
        '[part.faces] names them otherwise, several as one: top = "face_03", walls = ["face_01", "face_02"].'
    )
    return ["", *comment(intro), *(f"#   {line}".rstrip() for line in [*text[: _FACES + 1], *more])]


#: For a model without tolerances: what a person writes to have touches planned, and to align.
_PLAN = (
    "# To have the touches planned, say where, a table for each kind of face. Planning asks for stem_diameter and",
    "# length in [stylus], a program for tool in [program].",
    "# [[plan]]",
    '# how = "blue_noise"  # spread evenly; also "plane", "rings" in a bore, "section", ...: help(probekit.plan)',
    '# faces = ["face_01", "face_02"]',
    "# n = 20",
    "# margin = 2.0  # from the edges [mm]",
)
_ALIGNMENT = (
    "# The model names no datum faces. Without this table the set-up error counts as an error of the part.",
    "# [alignment]",
    '# features = ["face_01", "face_02", "face_03"]  # that fix the part in all directions, such as three planes',
)


def _planned(part: Nominal, features: Features, tables: list[Table]) -> list[str]:
    """Where to touch, as tables."""
    found = plan_tables(part, features, tables)
    intro = (
        "A suggestion where to touch. fill in: check, and add [machine], [reach] and [program] to plan a program; "
        "delete these tables if the touches were planned elsewhere."
    )
    lines = ["", *(comment(intro) if found else _PLAN)]
    for table in found:
        lines += ["", "[[plan]]", *(line for one, content in table.items() for line in key(one, content))]
    return lines


def _written(name: str, table: Table) -> list[str]:
    lines = [""]
    for remark in table.remarks:
        lines += comment(remark)
    lines.append(f"[[{name}]]")
    for one, content in table.keys.items():
        lines += key(one, content, table.notes.get(one, ""))
    return lines


def _alignment(frame: list[str], known: set[str]) -> list[str]:
    if not frame or not set(frame) <= known:
        return ["", *_ALIGNMENT]
    return [
        "",
        *comment(
            f"A suggestion: the datum frame {'|'.join(frame)}, which most tolerances of the model refer to. Each "
            "tolerance below is judged in the frame of its own datums, whatever is stated here. fill in: check."
        ),
        "[alignment]",
        *key("datums", frame),
    ]
