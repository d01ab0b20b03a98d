"""The page itself in a notebook cell, by anywidget: what it shows and how is written once, in `report/assets`.

Notes
-----
The page stands in a frame that is shut off from the notebook: style and ids of several views do not meet, its
Content-Security-Policy holds, and text from files in it cannot run in the notebook. All that crosses the frame is the
id of the chosen touch.
"""

from __future__ import annotations

from html import escape
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import anywidget
import traitlets

from .. import report
from ..errors import InputError
from . import state, still

if TYPE_CHECKING:
    from ..scene.model import Scene
    from ..verdict.results import Verdict

__all__ = ["PageView"]


class PageView(anywidget.AnyWidget):  # type: ignore[misc]
    """The page of a report or of a plan, to turn and to pick from. Made by `probekit.widgets.page_view`.

    Parameters
    ----------
    scene : Scene
    verdict : Verdict or None
        None for a plan.
    height : int
        Of the frame, in CSS pixels; it is as wide as the cell.
    parts : dict
        Further arguments of the page.

    Attributes
    ----------
    chosen : int, str or None
        Id of the chosen touch; can be set, observed and linked.
    """

    _esm = files(__package__).joinpath("framing.js").read_text(encoding="utf-8")
    page = traitlets.Unicode(help="the page, as HTML").tag(sync=True)
    title = traitlets.Unicode(help="name of the frame").tag(sync=True)
    height = traitlets.Int(help="of the frame [CSS px]").tag(sync=True)
    chosen = traitlets.Any(None, allow_none=True, help="id of the chosen touch, or None").tag(sync=True)

    def __init__(self, scene: Scene, verdict: Verdict | None, *, height: int, parts: dict[str, Any]) -> None:
        state.checked_size(1, height)
        self._scene, self._verdict = scene, verdict
        # a browser knows an id as text
        self._ids = {str(one): one for one in scene.touches["touch"].tolist()}
        super().__init__(page=_written(scene, verdict, parts), title=f"Page: {scene.title}", height=height)

    @traitlets.validate("chosen")
    def _known(self, proposal: dict) -> object:
        touch = self._ids.get(str(proposal["value"]), proposal["value"])
        if touch is not None:
            state.row_of(self._scene, touch)
        return touch

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        live, about = super()._repr_mimebundle_(**kwargs)
        said = "" if self._verdict is None else f"<p>{escape(self._verdict.sentence)}</p>"
        sentence = self._scene.sentence if self._verdict is None else self._verdict.sentence
        return still.bundle(live, f"PageView {sentence}", said + still.picture_html(self._scene)), about


def _written(scene: Scene, verdict: Verdict | None, parts: dict[str, Any]) -> str:
    if verdict is None and scene.measured:
        raise InputError("the scene is that of a verdict, which is missing", todo="Call page_view(scene, verdict).")
    with TemporaryDirectory() as folder:
        to = Path(folder) / "page.html"
        if verdict is None:
            report.plan_page(scene, to=to, **parts)
        else:
            report.page(scene, verdict, to=to, **parts)
        return to.read_text(encoding="utf-8")
