"""The target picker: a part to click on, a list of what was made, the targets and their text."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import traitlets
from ipywidgets import HTML, BoundedIntText, Button, Checkbox, Dropdown, HBox, Layout, Select, Text, Textarea, VBox

from .. import plan
from ..columns import NORMAL, TARGET, array
from ..errors import ProbekitError
from . import picked_text, picking, state, still
from .signed import SignedPart
from .stage import Met, beside

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..plan import Probe
    from ..plan.targets.regions import Region

__all__ = ["TargetPicker"]

_WIDE = {"description_width": "initial"}


class TargetPicker(VBox):
    """Targets placed by clicks. Made by `probekit.widgets.pick`.

    Parameters
    ----------
    nominal : Nominal
    probe : Probe, optional
        Tells the ball's radius, and whether each target can be touched.
    regions : iterable of Region
        Where nothing may be touched.
    width, height : int
        Size of the picture in CSS pixels.
    reaching : dict
        Further arguments of `probekit.plan.reach`.

    Attributes
    ----------
    targets : DataFrame
        The targets table, as the functions of `probekit.plan` make it.
    plan_text : str
        The tables ``[[plan]]`` that make the same targets in a study; can be observed.
    reached : DataFrame or None
        The targets with what `probekit.plan.reach` says of them; None without a probe.
    """

    plan_text = traitlets.Unicode("", help="the tables [[plan]] that make the same targets")

    def __init__(
        self,
        nominal: Nominal,
        *,
        probe: Probe | None,
        regions: Iterable[Region],
        width: int,
        height: int,
        reaching: dict[str, Any],
    ) -> None:
        state.checked_size(width, height)
        self._nominal, self._probe, self._regions = nominal, probe, tuple(regions)
        self._reaching = dict(reaching)
        if probe is not None and "obstacles" not in self._reaching:
            solids = self._reaching.get("fixtures", ()), self._reaching.get("stock")
            self._reaching["obstacles"] = plan.Obstacles(nominal, tuple(solids[0]), solids[1])
        self._picked = picking.Picked()
        self._known: dict[str, pd.DataFrame] = {}
        self._judged: dict[bytes, pd.DataFrame] = {}
        self._made = picking.made(self._picked, nominal, self._known)
        self._chosen: int | None = None
        self._press: Met | None = None
        self._listing = False
        self._part = SignedPart(nominal, width, height)
        self._sign_row = np.zeros(0, dtype=int)
        self._part.stage.observe(self._pressed, self._clicked)
        self._make_controls()
        self._set(self._picked)
        side = VBox(
            [self._said, self._list, self._table, self._text],
            layout=Layout(flex="1 1 300px", min_width="260px", max_width="460px"),
        )
        picture = [self._head, self._part.stage.renderer, self._controls, self._caution]
        super().__init__([beside(picture, side, width)])

    @property
    def targets(self) -> pd.DataFrame:
        """The targets table."""
        return self._made.targets

    @property
    def reached(self) -> pd.DataFrame | None:
        """The targets with what reach says of them; None without a probe."""
        if self._probe is None:
            return None
        return plan.reach(self.targets, self._nominal, self._probe, **self._reaching)

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        rows = len(self._made.all)
        text = f"<pre>{escape(self.plan_text)}</pre>" if rows else ""
        html = f"{self._head.value}{text}{self._caution.value}"
        return still.bundle(
            super()._repr_mimebundle_(**kwargs), f"TargetPicker {self._nominal.name}: {rows} targets", html
        )

    # -- the picture -----------------------------------------------------------------------------------------------

    def _draw(self, words: list[str]) -> None:
        """The signs of all targets anew, those of the chosen table larger."""
        table = self._made.all
        large = self._made.owner == (-1 if self._chosen is None else self._chosen)
        mesh = picked_text.signs(array(table, TARGET), array(table, NORMAL), words, self._part.size, large)
        self._sign_row = mesh.facet_touch
        self._part.draw(mesh)

    def _pressed(self, met: Met) -> None:
        self._press = met

    def _clicked(self, met: Met) -> None:
        press, self._press = self._press, None
        if press is None or press.thing is not met.thing or not state.stood_still(press.eye, met.eye):
            return
        if met.thing is self._part.signs and met.facet is not None:
            self._choose(int(self._made.owner[self._sign_row[met.facet]]))
        elif met.thing is self._part.surface and met.facet is not None:
            face = self._nominal.face_names[int(self._nominal.facet_face[met.facet])]
            self._make(met.point, face)

    # -- what buttons and clicks do --------------------------------------------------------------------------------

    def _make(self, point: Iterable[float], face: str) -> None:
        """One more table at a point of a face, or the chosen single target taken there."""
        point, n, feature = list(point), self._number.value, self._feature.value.strip()
        what = self._what.value
        if self._move.value:
            if self._chosen is None:
                self._say("Choose a single target to move: click its sign, or choose it from the list.")
                return
            self._try(lambda: picking.moved(self._picked, self._number_of_chosen(), point, face), self._chosen)
            self._move.value = False
            return

        def table() -> picking.Table:
            if what == "single target":
                return picking.single(self._snapped(point, face), face, feature)
            if what.startswith("section"):
                normal = np.eye(3)["xyz".index(what[-1])]
                return picking.plane(point, normal, n, face=face if self._only.value else None, feature=feature)
            if what.startswith("edge"):
                return picking.edge(self._nominal, point, face, n, feature)
            if what.startswith("parameter"):
                return picking.iso(self._nominal, point, face, what.split()[2], n, feature)
            return picking.spread(face, n, margin=self._ball, feature=feature)

        self._try(lambda: picking.added(self._picked, table()), len(self._picked.tables))

    def _number_of_chosen(self) -> int:
        return 0 if self._chosen is None else self._chosen

    def _snapped(self, point: list[float], face: str) -> list[float]:
        return array(plan.place(self._nominal, np.array([point]), faces=face), TARGET)[0].tolist()

    @property
    def _ball(self) -> float:
        return 0.0 if self._probe is None else float(self._probe.radius)

    def _try(self, change: Callable[[], picking.Picked], chosen: int | None) -> None:
        """Make a change, or say why it cannot be made and leave everything as it is."""
        try:
            self._set(change(), chosen)
        except ProbekitError as error:
            self._say(str(error))

    def _at_text(self) -> None:
        try:
            point = [float(one) for one in self._at.value.replace(";", ",").split(",")]
            if len(point) != 3:
                raise ValueError
        except ValueError:
            self._say(f"three numbers are wanted, such as 10, 20.5, 3; found: {self._at.value}")
            return
        try:
            face = str(plan.place(self._nominal, np.array([point]))["face"].iloc[0])
        except ProbekitError as error:
            self._say(str(error))
            return
        self._make(point, face)

    def _choose(self, number: int | None) -> None:
        self._chosen = number
        self._show()

    def _delete(self) -> None:
        if self._chosen is None:
            self._say("Choose what to delete: click its sign, or choose it from the list.")
        else:
            self._set(picking.without(self._picked, self._chosen))

    def _break_up(self) -> None:
        if self._chosen is None:
            self._say("Choose a curve or a spread first.")
        else:
            own = self._made.all[self._made.owner == self._chosen]
            self._set(picking.broken_up(self._picked, self._chosen, own), self._chosen)

    def _renumber(self, n: int) -> None:
        if self._chosen is not None and "n" in self._picked.tables[self._chosen]:
            chosen = self._chosen
            self._try(lambda: picking.with_number(self._picked, chosen, n), chosen)

    # -- controls --------------------------------------------------------------------------------------------------

    def _make_controls(self) -> None:
        row = Layout(flex_flow="row wrap", align_items="center")
        self._what = Dropdown(options=list(picking.MAKERS), description="A click makes", style=_WIDE)
        self._number = BoundedIntText(
            value=8, min=1, max=1000, description="Number", style=_WIDE, layout=Layout(width="120px")
        )
        self._only = Checkbox(value=True, description="on this face only", indent=False, layout=Layout(width="auto"))
        self._feature = Text(
            description="Feature", placeholder="name of the face", style=_WIDE, layout=Layout(width="210px")
        )
        self._at = Text(description="At", placeholder="x, y, z in mm", style=_WIDE, layout=Layout(width="200px"))
        self._move = Checkbox(
            value=False, description="next click moves the chosen target", indent=False, layout=Layout(width="auto")
        )
        place, undo, delete, break_up, renew, reset = (
            Button(description=words, layout=Layout(width="auto"))
            for words in ("Make it there", "Undo", "Delete", "Break into single targets", "Redistribute", "Reset view")
        )
        self._list = Select(options=[], rows=7, description="Made", style=_WIDE, layout=Layout(width="auto"))
        self._head, self._said, self._table = HTML(), HTML(), HTML()
        self._text = Textarea(description="Text", disabled=True, rows=8, style=_WIDE, layout=Layout(width="auto"))
        self._caution = HTML(picked_text.caution_html(self._probe), layout=Layout(width="auto"))
        place.on_click(lambda _: self._at_text())
        undo.on_click(lambda _: self._set(picking.undone(self._picked)))
        delete.on_click(lambda _: self._delete())
        break_up.on_click(lambda _: self._break_up())
        renew.on_click(lambda _: self._renumber(self._number.value))
        reset.on_click(lambda _: self._part.stage.go(self._part.overview))
        self._list.observe(lambda c: None if self._listing else self._choose(c["new"]), "value")
        self._what.observe(lambda _: self._fit_controls(), "value")
        self._controls = VBox(
            [
                HBox([self._what, self._number, self._only, self._feature], layout=row),
                HBox([self._at, place, self._move], layout=row),
                HBox([undo, delete, break_up, renew, reset], layout=row),
            ]
        )
        self._fit_controls()

    def _fit_controls(self) -> None:
        self._number.disabled = not picking.MAKERS[self._what.value]
        self._only.disabled = not self._what.value.startswith("section")

    # -- one way in: what was picked -------------------------------------------------------------------------------

    def _set(self, picked: picking.Picked, chosen: int | None = None) -> None:
        found = picking.made(picked, self._nominal, self._known, ball_radius=self._ball, regions=self._regions)
        self._picked, self._made, self._chosen = picked, found, chosen
        self.plan_text = picking.plan_text(picked)
        self._text.value = self.plan_text
        self._say("")
        self._show()

    def _show(self) -> None:
        """Signs and words; where reach is not known yet they are shown before it is looked for."""
        tables = self._picked.tables
        self._listing = True
        self._list.options = [(f"{k + 1}. {picking.sentence(one)}", k) for k, one in enumerate(tables)]
        self._list.value = self._chosen
        self._listing = False
        if self._chosen is not None and "n" in tables[self._chosen]:
            self._number.value = tables[self._chosen]["n"]
            self._number.disabled = False
        self._tell()
        if self._reach():
            self._tell()

    def _tell(self) -> None:
        rows = picked_text.rows_of(self._made, self._judged if self._probe is not None else None, keys(self._made.all))
        self._draw([row.state for row in rows])
        self._head.value = picked_text.head_html(self._nominal.name, rows)
        own = [row for row, owner in zip(rows, self._made.owner, strict=True) if owner == self._chosen]
        self._table.value = picked_text.table_html(own or rows, chosen=bool(own))

    def _reach(self) -> bool:
        """Look for the reach of those targets of which it is not known; whether there were any."""
        if self._probe is None:
            return False
        table = self._made.targets
        new = [key not in self._judged for key in keys(table)]
        if not any(new):
            return False
        wanted = table[new].reset_index(drop=True)
        found = plan.reach(wanted, self._nominal, self._probe, **self._reaching)
        for key, (_, row) in zip(keys(wanted), found.iterrows(), strict=True):
            self._judged[key] = row
        return True

    def _say(self, words: str) -> None:
        self._said.value = picked_text.said_html(words)


def keys(targets: pd.DataFrame) -> list[bytes]:
    """Place and normal of each target, to know it again."""
    return [row.tobytes() for row in np.ascontiguousarray(array(targets, (*TARGET, *NORMAL)))]
