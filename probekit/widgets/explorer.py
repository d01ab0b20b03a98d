"""The explorers: one choice of a fit, or of a tolerance, at once in numbers and on the part."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np
import traitlets
from ipywidgets import HTML, BoundedFloatText, Button, Checkbox, Dropdown, HBox, Layout, SelectMultiple, VBox

from ..deviation.projection import projection_on
from ..errors import ProbekitError
from ..fit import FREEDOMS
from ..fit.rigid import METHODS
from . import fitting, judging, state, still
from .signed import SignedPart
from .stage import beside

if TYPE_CHECKING:
    import pandas as pd

    from ..deviation import Projection
    from ..fit.alignment import Alignment
    from ..nominal import Nominal
    from ..verdict.results import Verdict

__all__ = ["FitExplorer", "ToleranceExplorer"]

_WIDE = {"description_width": "initial"}
_ROW = Layout(flex_flow="row wrap", align_items="center")


class FitExplorer(VBox):
    """Fits to try. Made by `probekit.widgets.fits`.

    Parameters
    ----------
    deviations : DataFrame
    how : Nominal or Projection
    width, height : int
        Size of the picture in CSS pixels.

    Attributes
    ----------
    alignment : Alignment or None
        The fit of the present choice; None if there is none. Can be observed.
    """

    alignment: Alignment | None = traitlets.Any(None, allow_none=True, help="the fit of the present choice, or None")

    def __init__(
        self, deviations: pd.DataFrame, how: Nominal | Projection, *, width: int = 640, height: int = 440
    ) -> None:
        state.checked_size(width, height)
        self._deviations, self._how = deviations, how
        self._part = SignedPart(projection_on(how).nominal, width, height)
        self._span: float | None = None  # of the colours [mm]; that of the first fit, so that the others compare
        self._cones = fitting.cones(deviations, 0.8 * self._part.size)
        self._found: fitting.Tried | None = None
        self._free = {
            name: Checkbox(value=True, description=name, indent=False, layout=Layout(width="auto")) for name in FREEDOMS
        }
        self._method = Dropdown(
            options=[(name.replace("_", " "), name) for name in METHODS], description="Method", style=_WIDE
        )
        names = fitting.features_of(deviations)
        self._features = SelectMultiple(
            options=names, value=tuple(names), rows=min(len(names), 6), description="Features", style=_WIDE
        )
        reset = Button(description="Reset view", layout=Layout(width="auto"))
        reset.on_click(lambda _: self._part.stage.go(self._part.overview))
        self._said = HTML()
        for control in (*self._free.values(), self._method, self._features):
            control.observe(lambda _: self._fit(), "value")
        controls = VBox(
            [
                HBox([HTML("Free"), *self._free.values()], layout=_ROW),
                HBox([self._method, self._features, reset], layout=_ROW),
            ]
        )
        side = VBox([self._said], layout=Layout(flex="1 1 280px", min_width="260px", max_width="420px"))
        super().__init__([beside([self._part.stage.renderer, controls], side, width)])
        self._fit()

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        said = "no fit" if self.alignment is None else self.alignment.sentence
        return still.bundle(super()._repr_mimebundle_(**kwargs), f"FitExplorer {said}", self._said.value)

    def _fit(self) -> None:
        choice = fitting.Choice(
            tuple(name for name, box in self._free.items() if box.value), self._method.value, self._features.value
        )
        start, error = time.perf_counter(), ""
        try:
            self._found = fitting.tried(self._deviations, self._how, choice)
            self._span = self._span or fitting.span_of(self._found.deviation)
            self._part.draw(fitting.signs(self._cones, self._found, self._span))
        except ProbekitError as refused:
            error = str(refused)
        self._said.value = fitting.tried_html(self._found, error, self._span or np.nan, time.perf_counter() - start)
        self.alignment = None if error or self._found is None else self._found.alignment


class ToleranceExplorer(VBox):
    """Tolerances to try. Made by `probekit.widgets.zone`.

    Parameters
    ----------
    deviations : DataFrame
    nominal : Nominal
    asked : Asked
        What is asked at first.
    width, height : int
        Size of the picture in CSS pixels.

    Attributes
    ----------
    verdict : Verdict or None
        On what is asked now; None if that cannot be judged. Can be observed.
    """

    verdict: Verdict | None = traitlets.Any(None, allow_none=True, help="the verdict on what is asked, or None")

    def __init__(
        self, deviations: pd.DataFrame, nominal: Nominal, asked: judging.Asked, *, width: int = 640, height: int = 440
    ) -> None:
        state.checked_size(width, height)
        self._deviations = deviations
        self._found: Verdict | None = None
        self._asked: judging.Asked | None = None
        self._part = SignedPart(nominal, width, height)
        number = {"style": _WIDE, "layout": Layout(width="170px")}
        self._width = BoundedFloatText(value=asked.width, min=1e-4, max=100, step=0.01, description="Width", **number)
        self._outside = BoundedFloatText(
            value=asked.outside, min=-100, max=100, step=0.005, description="of it outside", **number
        )
        self._u = BoundedFloatText(value=asked.u, min=0, max=10, step=0.001, description="u of a touch", **number)
        self._rule = Dropdown(options=list(judging.RULES), value=asked.rule, description="Rule", **number)
        names = fitting.features_of(deviations)
        self._features = SelectMultiple(
            options=names, value=tuple(names), rows=min(len(names), 5), description="Features", style=_WIDE
        )
        equal, reset = (Button(description=one, layout=Layout(width="auto")) for one in ("Half outside", "Reset view"))
        equal.on_click(lambda _: setattr(self._outside, "value", self._width.value / 2))
        reset.on_click(lambda _: self._part.stage.go(self._part.overview))
        self._said = HTML()
        self._width.observe(self._keep_disposition, "value")
        for control in (self._width, self._outside, self._u, self._rule, self._features):
            control.observe(lambda _: self._judge(), "value")
        controls = VBox(
            [
                HBox([self._width, self._outside, HTML("mm"), equal], layout=_ROW),
                HBox([self._rule, self._u, HTML("mm"), reset], layout=_ROW),
                self._features,
            ]
        )
        side = VBox([self._said], layout=Layout(flex="1 1 280px", min_width="260px", max_width="420px"))
        super().__init__([beside([self._part.stage.renderer, controls], side, width)])
        self._judge()

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        said = "no verdict" if self.verdict is None else self.verdict.sentence
        return still.bundle(super()._repr_mimebundle_(**kwargs), f"ToleranceExplorer {said}", self._said.value)

    def _keep_disposition(self, change: dict) -> None:
        """A wider zone grows on both sides as it was disposed."""
        self._outside.value = round(self._outside.value * change["new"] / change["old"], 6)

    def _judge(self) -> None:
        asked = judging.Asked(
            self._width.value, self._outside.value, self._rule.value, self._u.value, self._features.value
        )
        if asked == self._asked:
            return
        self._asked, error = asked, ""
        try:
            self._found = judging.judged(self._deviations, asked)
            self._part.draw(judging.signs(self._found, 0.8 * self._part.size))
        except ProbekitError as refused:
            error = str(refused)
        self._said.value = judging.judged_html(self._found, asked, error)
        self.verdict = None if error else self._found
