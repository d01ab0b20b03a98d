"""From the tolerances that a model carries to the draft of a study file.

What can be judged now becomes tables; everything else becomes comments, so that nothing is lost. What only a person can
know stands there as "fill in", which a study is refused with.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable
from pathlib import PurePath
from typing import TYPE_CHECKING

from .errors import InputError

if TYPE_CHECKING:
    from .nominal import Nominal
    from .nominal.exact.pmi_model import ModelPmi, ModelTolerance

__all__ = ["FILL_IN", "draft_study"]

#: Stands for what a person must write; of the wrong type or not a name wherever it is put.
FILL_IN = "fill in"

_JUDGED = "profile of a surface"
_SETTLED = {"common zone", "separate requirement"}  # modifiers that a table can say
_FREEDOMS = ("tx", "ty", "tz", "rx", "ry", "rz")


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
    lines = _comment(
        "A draft, made from the tolerances that the model carries. It judges nothing until a person who answers for "
        f'the part has gone through it and replaced every "{FILL_IN}". Lengths in mm. ' + pmi.sentence
    )
    lines += ["", "[part]", f"name = {_text(part.name)}", f"model = {_text(PurePath(model_path).as_posix())}"]
    lines += [f"body = {_text(body)}"] if body is not None else []
    lines += ["", "[touches]", f"file = {_text(touches)}"]
    lines += [
        "",
        "[stylus]",
        f"ball_diameter = {_text(FILL_IN)}  # fill in",
        "# effective_radius =  # fill in, if qualified",
    ]
    lines += _alignment(pmi)
    judged = [one for one in pmi.tolerances if not _why_not(one)]
    names = _names(judged)
    for one, name in zip(judged, names, strict=True):
        lines += _table(one, name)
    if not judged:
        lines += ["", *_comment("The model carries no tolerance that can be judged now: fill one in.")]
        lines += [
            "[[tolerance]]",
            'kind = "profile"',
            f"width = {_text(FILL_IN)}  # fill in",
            f"features = [{_text(FILL_IN)}]  # fill in",
        ]
    waiting = [one for one in pmi.tolerances if _why_not(one)]
    lines += [""] if waiting else []
    for one in waiting:
        lines += _comment(f"not yet judged: {_described(one)}: {_why_not(one)}")
    if pmi.not_understood:
        lines += ["", *_comment("Not understood in the model; each may be a requirement on the part:")]
        for remark in pmi.not_understood:
            lines += _comment(remark, "- ")
    lines += ["", "[uncertainty]", f"u = {_text(FILL_IN)}  # fill in: standard uncertainty of a deviation [mm]"]
    lines += ["k = 2  # fill in: coverage factor, U = k u"]
    lines += [
        "",
        "[decision]",
        f"rule = {_text(FILL_IN)}  # fill in: guarded or simple",
        "r = 1.0  # guard band w = r U",
    ]
    return "\n".join(lines) + "\n"


def _check_faces(pmi: ModelPmi, part: Nominal) -> None:
    for one in (*pmi.tolerances, *pmi.datums):
        for face in one.faces:
            if face not in part.face_names:
                raise InputError(
                    f"a face of {one.source_id} is not in the model as loaded",
                    file=part.source or None,
                    found=face,
                    todo="Read the tolerances with this same model.",
                )


def _why_not(one: ModelTolerance) -> str:
    """Why a tolerance cannot be judged now, or nothing."""
    if one.kind != _JUDGED:
        return "this kind is not judged yet"
    if not one.faces:
        return "no face is known to have it"
    if "all over" in one.modifiers:
        return (
            "all over the part, but not where a face has a profile of its own: write it for the faces it is meant for"
        )
    odd = [modifier for modifier in one.modifiers if modifier not in _SETTLED]
    return "its modifiers would have to be judged, too" if odd or _SETTLED <= set(one.modifiers) else ""


def _described(one: ModelTolerance) -> str:
    datums = " | ".join("-".join(letters) for letters in one.datums)
    unequal = f", unequally disposed by {one.displacement:g}" if one.displacement is not None else ""
    return (
        f"{one.kind} {one.value:g}{unequal}"
        + (f" | {datums}" if datums else "")
        + (f" ({', '.join(one.modifiers)})" if one.modifiers else "")
        + (f" on {', '.join(one.faces)}" if one.faces else "")
        + f" ({' '.join((one.name, one.source_id)).strip()})"
    )


def _table(one: ModelTolerance, name: str) -> list[str]:
    lines = ["", *_comment(_described(one))]
    if one.datums:
        lines += _comment(
            "Judged after the alignment above, with nothing left free: if these datums do not hold the zone in all six "
            "degrees of freedom, name those that it keeps in free."
        )
    lines += ["[[tolerance]]", 'kind = "profile"', f"name = {_text(name)}"]
    lines += [f"features = {_list(one.faces)}", f"width = {_number(one.value)}"]
    if one.outside is not None:
        lines += [f"outside = {_number(one.outside)}  # part of the zone outside the material"]
    if not one.datums:
        lines += [f"free = {_list(_FREEDOMS)}  # no datum holds the zone"]
    if "separate requirement" in one.modifiers:
        lines += ["each = true"]
    elif len(one.faces) > 1 and not one.datums and "common zone" not in one.modifiers:
        lines += _comment(
            "The faces share one zone here, the stricter reading. The model does not say so: each = true judges every "
            "face by a zone of its own."
        )
    return lines


def _alignment(pmi: ModelPmi) -> list[str]:
    used = [letter for one in pmi.tolerances for letters in one.datums for letter in letters]
    order = {letter: k for k, letter in enumerate(dict.fromkeys(used))}
    datums = sorted((one for one in pmi.datums if one.letter in order and one.faces), key=lambda one: order[one.letter])
    faces = dict.fromkeys(face for one in datums for face in one.faces)
    if not faces:
        return ["", *_comment("The model names no datum faces: fill in [alignment], or leave it out for no alignment.")]
    said = ", ".join(f"{one.letter} on {' and '.join(one.faces)}" for one in datums)
    return [
        "",
        *_comment(
            f"A suggestion, from the datums {said}. This is a least-squares fit to the touches of all datum features "
            "together. It is not a datum reference frame: no datum goes before another. Features are called here as "
            "their faces are; they must be those of the touches. fill in: check."
        ),
        "[alignment]",
        f"features = {_list(faces)}",
        'method = "least_squares"',
    ]


def _names(judged: list[ModelTolerance]) -> list[str]:
    """Names to show, each once."""
    plain = [one.name.strip() or f"profile {one.source_id}" for one in judged]
    count = Counter(plain)
    return [name if count[name] == 1 else f"{name} {one.source_id}" for name, one in zip(plain, judged, strict=True)]


def _number(value: float) -> str:
    """Shortest form that reads back within 1e-9 mm, without the digits that a unit's factor leaves behind."""
    return repr(round(float(value), 9))


def _list(texts: Iterable[str]) -> str:
    return "[" + ", ".join(_text(one) for one in texts) + "]"


def _text(text: str) -> str:
    """A TOML string; whatever is not plainly seen is escaped (TOML 1.0, section String)."""
    out = []
    for letter in text:
        if letter in '"\\':
            out.append("\\" + letter)
        elif letter.isprintable():
            out.append(letter)
        else:
            out.append(_escaped(letter))
    return '"' + "".join(out) + '"'


def _escaped(letter: str) -> str:
    code = ord(letter)
    if 0xD800 <= code < 0xE000:  # half of a pair, which no TOML file may hold
        return "\\uFFFD"
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"


def _comment(text: str, mark: str = "") -> list[str]:
    """Lines of a comment; whatever is not plainly seen is escaped, so that no text can end the comment."""
    seen = "".join(letter if letter.isprintable() else _escaped(letter) for letter in text)
    return textwrap.wrap(
        seen, 116, initial_indent=f"# {mark}", subsequent_indent="# " + " " * len(mark), break_on_hyphens=False
    )
