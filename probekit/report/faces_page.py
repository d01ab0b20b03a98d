"""The page of a model's faces: pictures with their names, a table, and the lines for a study to copy."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from ..files import store
from ..scene.face_pictures import FacePicture, faces_svg
from .page import asset, checksum
from .words import NUMERIC_HEAD

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["faces_page"]


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
    unseen = f"Seen in none of the pictures: {', '.join(hidden)}." if hidden else ""
    script, style = asset("faces.js"), asset("page.css") + asset("faces.css")
    text = Template(asset("faces.html")).substitute(
        policy=f"default-src 'none'; script-src '{checksum(script)}'; style-src '{checksum(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'",
        style=style,
        script=script,
        title=escape(title),
        count=len(faces),
        unseen=escape(unseen),
        pictures=faces_svg(pictures, link=True),
        rows="".join(_row(one) for one in faces.itertuples()),
    )
    store(to, text.encode("utf-8"))
    return Path(to)


def _row(one: object) -> str:
    name = escape(one.face)  # type: ignore[attr-defined]
    size = "" if one.diameter != one.diameter else f"{one.diameter:.4g}"  # type: ignore[attr-defined]
    point = ", ".join(f"{round(v, 3) + 0.0:g}" for v in (one.x, one.y, one.z))  # type: ignore[attr-defined]
    normal = ", ".join(f"{round(v, 3) + 0.0:g}" for v in (one.i, one.j, one.k))  # type: ignore[attr-defined]
    cells = (one.kind, f"{one.area:.1f}", size, f"[{point}]", f"({normal})", one.axis)  # type: ignore[attr-defined]
    return (
        f'<tr data-face="{name}"><th scope="row"><button type="button" aria-pressed="false">{name}</button></th>'
        + "".join(f"<td{NUMERIC_HEAD if k in (1, 2) else ''}>{escape(text)}</td>" for k, text in enumerate(cells))
        + "</tr>"
    )
