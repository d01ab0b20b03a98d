"""The page of a model's faces: pictures with their names, a table, and the lines for a study to copy."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from html import escape
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from ..files import store
from ..scene.face_pictures import FacePicture, faces_svg
from .language import mark, table
from .page import asset, checksum
from .words import NUMERIC_HEAD

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["faces_page"]

_HEADS = ("face", "kind", "area", "diameter", "point on it", "normal there", "axis")
_NUMBERS = (2, 3)  # of these, columns of numbers
_KEYS = ("faces.", "kind.", "col.", "seen", "panel.language")
_AXIS = re.compile(r"\b(?:through|along|centre)\b")


def faces_page(faces: pd.DataFrame, pictures: Sequence[FacePicture], *, title: str, to: str | Path) -> Path:
    """Write the page of a model's faces: one HTML file that needs nothing but a browser.

    Parameters
    ----------
    faces : DataFrame
        From `probekit.nominal.list_faces`.
    pictures : sequence of FacePicture
        From `probekit.scene.face_pictures`.
    title : str
    to : str or Path
        The file.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    labelled = {name for one in pictures for name, _, _ in one.labels}
    hidden = [name for name in faces["face"] if name not in labelled]
    unseen = f"{mark('faces.unseen')} {escape(', '.join(hidden))}." if hidden else ""
    drawn = faces_svg(pictures, link=True).replace(">seen from ", f">{mark('seen', 'tspan')} ")
    heads = "".join(
        f'<th scope="col"{NUMERIC_HEAD if k in _NUMBERS else ""}>{mark(f"col.{name}")}</th>'
        for k, name in enumerate(_HEADS)
    )
    script, style = asset("faces.js"), asset("page.css") + asset("faces.css")
    text = Template(asset("faces.html")).substitute(
        policy=f"default-src 'none'; script-src '{checksum(script)}'; style-src '{checksum(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'",
        style=style,
        script=script,
        title=escape(title),
        count=len(faces),
        unseen=unseen,
        pictures=drawn,
        heads=heads,
        words=_words(),
        rows="".join(_row(one) for one in faces.itertuples()),
    )
    store(to, text.encode("utf-8"))
    return Path(to)


def _words() -> str:
    """The words that the page may show, in every language, as a piece of JSON in HTML."""
    told = {
        language: {key: words[key] for key in words if key.startswith(_KEYS)} for language, words in table().items()
    }
    return json.dumps(told, ensure_ascii=False).replace("<", "\\u003c").replace("&", "\\u0026")


def _row(one: object) -> str:
    name = escape(one.face)  # type: ignore[attr-defined]
    size = "" if one.diameter != one.diameter else f"{one.diameter:.4g}"  # type: ignore[attr-defined]
    point = ", ".join(f"{round(v, 3) + 0.0:g}" for v in (one.x, one.y, one.z))  # type: ignore[attr-defined]
    normal = ", ".join(f"{round(v, 3) + 0.0:g}" for v in (one.i, one.j, one.k))  # type: ignore[attr-defined]
    axis = _AXIS.sub(lambda word: mark(f"faces.{word[0]}"), escape(one.axis))  # type: ignore[attr-defined]
    kind = mark(f"kind.{one.kind}")  # type: ignore[attr-defined]
    cells = (kind, f"{one.area:.1f}", size, f"[{point}]", f"({normal})", axis)  # type: ignore[attr-defined]
    return (
        f'<tr data-face="{name}"><th scope="row"><button type="button" aria-pressed="false">{name}</button></th>'
        + "".join(f"<td{NUMERIC_HEAD if k + 1 in _NUMBERS else ''}>{text}</td>" for k, text in enumerate(cells))
        + "</tr>"
    )
