"""What a saved notebook shows where no kernel draws the widget: a sentence and a still picture. Pure functions."""

from __future__ import annotations

import base64
from html import escape
from typing import TYPE_CHECKING, Any

from ..scene import bands
from ..scene.pictures import choose_directions, draw, picture_svg

if TYPE_CHECKING:
    from ..scene.model import Scene

__all__ = ["bundle", "picture_html"]


def bundle(live: dict[str, Any], sentence: str, html: str) -> dict[str, Any]:
    """The representations of a widget: what shows it live as it is, in place of its children's names sentence and HTML.

    Parameters
    ----------
    live : dict
        What ipywidgets gives, by MIME type.
    sentence : str
        One line of plain text.
    html : str
    """
    return {**live, "text/plain": f"<{sentence}>", "text/html": html}


def picture_html(scene: Scene, width: int = 640, height: int = 440, *, banded: bool = False) -> str:
    """A scene as it stands: title and counts, one picture with its signs, and what must be said beside it.

    Parameters
    ----------
    scene : Scene
    width, height : int
        Size of the picture in CSS pixels.
    banded : bool
        Whether deviations are shown as bands of their zone.
    """
    counts = ", ".join(f"{one.count} {one.word}" for one in scene.legend.verdicts if one.count)
    picture = draw(scene, choose_directions(scene, most=1)[0], width, height, banded=banded)
    image = base64.b64encode(picture_svg(scene, picture).encode()).decode("ascii")
    said = "".join(f"<br>{escape(one)}" for one in (bands.captions(scene) if banded else scene.captions))
    return (
        f"<p><b>{escape(scene.title)}</b>: {len(scene.touches)} touches ({counts})</p>"
        f'<img width="{width}" height="{height}" alt="The part {escape(picture.title)}: {counts}" '
        f'src="data:image/svg+xml;base64,{image}">'
        f"<p>A still picture, {escape(picture.title)}; run the notebook to turn it.{said}</p>"
    )
