"""Notebook views: scenes to read, targets to place, fits and zones to try. Needs the extra `notebook`."""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from typing import TYPE_CHECKING, Any

from ..errors import ProbekitError, how_to_install

if TYPE_CHECKING:
    import pandas as pd

    from ..deviation import Projection
    from ..nominal import Nominal
    from ..plan import Probe
    from ..plan.targets.regions import Region
    from ..scene.model import Scene
    from ..verdict.results import Verdict
    from .explorer import FitExplorer, ToleranceExplorer
    from .framed import PageView
    from .notebook import DeviationView
    from .picker import TargetPicker

_NEEDED = {"anywidget", "ipywidgets", "pythreejs", "traitlets"}  # what draws, of the extra

__all__ = ["fits", "page_view", "pick", "view", "zone"]


def view(scene: Scene, *, width: int = 640, height: int = 440) -> DeviationView:
    """Show a scene in a notebook.

    It reads out what is under the pointer: a touch, or a place on the surface with what is interpolated between the
    touches near by. At each movement a browser tries all facets of the part, so with more than 150 000 of them this is
    switched off at first; `page_view` reads out parts of any size.

    Parameters
    ----------
    scene : Scene
        What `probekit.scene.build` or `probekit.scene.plan_scene` made.
    width, height : int
        Size of the picture in CSS pixels.

    Returns
    -------
    DeviationView
        A widget; `selected` is the id of the chosen touch or None and can be observed or linked, `select(touch)`
        chooses one, `save(file)` writes a picture, SVG or PNG.

    Raises
    ------
    ProbekitError
        If ipywidgets or pythreejs is not installed.
    InputError
        If `width` or `height` is not a positive whole number.

    Notes
    -----
    A saved notebook holds a still picture with the verdict as well. ``nbconvert --execute`` puts the state of the
    widget in its place, which shows nothing offline: give it ``--ExecutePreprocessor.store_widget_state=False``.
    """
    return _drawn("notebook").DeviationView(scene, width=width, height=height)


def page_view(scene: Scene, verdict: Verdict | None = None, *, height: int = 680, **parts: Any) -> PageView:
    """Show the page itself in a notebook: labels, needles, cut, doubt and comparison, as whoever receives it sees them.

    Parameters
    ----------
    scene : Scene
        What `probekit.scene.build` or `probekit.scene.plan_scene` made.
    verdict : Verdict, optional
        That the scene was built from; none for a plan.
    height : int
        Of the frame, in CSS pixels; it is as wide as the cell.
    **parts
        Further arguments of `probekit.report.page` or `probekit.report.plan_page`: alignment, action, notes, ...

    Returns
    -------
    PageView
        A widget; `chosen` is the id of the chosen touch or None and can be set, observed and linked.

    Raises
    ------
    ProbekitError
        If anywidget is not installed.
    InputError
        If `height` is not a positive whole number, or the scene is that of a verdict that is missing.

    Notes
    -----
    A saved notebook holds a still picture with the verdict as well. ``nbconvert --execute`` puts the state of the
    widget in its place, which shows nothing offline: give it ``--ExecutePreprocessor.store_widget_state=False``.
    """
    return _drawn("framed").PageView(scene, verdict, height=height, parts=parts)


def pick(
    nominal: Nominal,
    *,
    probe: Probe | None = None,
    regions: Iterable[Region] = (),
    width: int = 640,
    height: int = 440,
    **reaching: Any,
) -> TargetPicker:
    """Place targets by clicks on the part: single ones, along sections, edges and parameter lines, spread over a face.

    Parameters
    ----------
    nominal : Nominal
    probe : Probe, optional
        Then each target says whether it can be touched and why not, and those nearer to an edge of their face than the
        ball's radius are kept out, as in a study.
    regions : iterable of Region
        Where nothing may be touched: clamps.
    width, height : int
        Size of the picture in CSS pixels.
    **reaching
        Further arguments of `probekit.plan.reach`: kinematics, poses, fixtures, margin, ...

    Returns
    -------
    TargetPicker
        A widget; `targets` is the targets table, `plan_text` the tables ``[[plan]]`` that make the same targets in a
        study, `reached` the targets with what reach says of them.

    Raises
    ------
    ProbekitError
        If ipywidgets or pythreejs is not installed.
    InputError
        If `width` or `height` is not a positive whole number, or reach cannot be looked for with these arguments.
    """
    return _drawn("picker").TargetPicker(
        nominal, probe=probe, regions=regions, width=width, height=height, reaching=reaching
    )


def fits(deviations: pd.DataFrame, how: Nominal | Projection, *, width: int = 640, height: int = 440) -> FitExplorer:
    """Try fits: which freedoms, which method, whose touches; the sentence, the rms and the part follow at once.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table of `probekit.deviation.project`.
    how : Nominal or Projection
        What it was projected on.
    width, height : int
        Size of the picture in CSS pixels.

    Returns
    -------
    FitExplorer
        A widget; `alignment` is what `probekit.fit.rigid` makes of the present choice, and can be observed.

    Raises
    ------
    ProbekitError
        If ipywidgets or pythreejs is not installed.
    InputError
        If `width` or `height` is not a positive whole number.
    """
    return _drawn("explorer").FitExplorer(deviations, how, width=width, height=height)


def zone(
    deviations: pd.DataFrame,
    nominal: Nominal,
    zone_width: float,
    *,
    u: float | None = None,
    width: int = 640,
    height: int = 440,
) -> ToleranceExplorer:
    """Try a profile tolerance: width and disposition of its zone, decision rule, u; the verdict follows at once.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table of `probekit.deviation.project`, where it is to be judged.
    nominal : Nominal
    zone_width : float
        Width of the zone at first [mm].
    u : float, optional
        Standard uncertainty of a touch at first [mm]; by default the middle one of the column `u`, if there is one.
    width, height : int
        Size of the picture in CSS pixels.

    Returns
    -------
    ToleranceExplorer
        A widget; `verdict` is what `probekit.verdict.classify` makes of what is asked, and can be observed.

    Raises
    ------
    ProbekitError
        If ipywidgets or pythreejs is not installed.
    InputError
        If `width` or `height` is not a positive whole number.
    """
    from .judging import start

    asked = start(deviations, zone_width, u)
    return _drawn("explorer").ToleranceExplorer(deviations, nominal, asked, width=width, height=height)


def _drawn(module: str) -> Any:
    """A module that draws, which needs what not everybody has installed."""
    try:
        return import_module(f".{module}", __name__)
    except ModuleNotFoundError as error:
        if error.name is None or error.name.split(".")[0] not in _NEEDED:
            raise
        raise ProbekitError(
            f"the view in a notebook needs {error.name}, which is not installed. {how_to_install('notebook')}"
        ) from error
