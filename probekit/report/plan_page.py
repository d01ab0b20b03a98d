"""The page of a plan: one HTML file that shows what is to be touched, from where, and in which order."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from . import plan_sections, sections
from .page import write

if TYPE_CHECKING:
    from ..plan.route.pace import CycleTime
    from ..plan.route.route import Route
    from ..scene.model import Scene

__all__ = ["plan_page"]


def plan_page(
    scene: Scene,
    *,
    route: Route | None = None,
    time: CycleTime | None = None,
    cautions: Iterable[str] = (),
    provenance: Iterable[tuple[str, str]] = (),
    notes: Iterable[str] = (),
    stamp: str = "",
    to: str | Path,
) -> Path:
    """Write the page of a plan.

    Parameters
    ----------
    scene : Scene
        What to draw, from `probekit.scene.plan_scene`.
    route : Route, optional
        The route that the scene was made with: poses, height for turning.
    time : CycleTime, optional
        Of its program; that of the route if not given.
    cautions : iterable of str
        What someone who is about to act on the plan must know.
    provenance : iterable of (str, str)
        Label and value of what the plan rests on: files, checksums, versions, settings.
    notes : iterable of str
        Remarks, for instance what was noticed while planning.
    stamp : str
        Which study and which model this is the plan of.
    to : str or Path
        The file to write; replaced if it exists, never left half written.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the scene is not that of a plan, or the file cannot be written.

    Notes
    -----
    As `probekit.report.page`, it makes no request and escapes all text from files.
    """
    if scene.sign != "state":
        raise InputError("the scene is not that of a plan", todo="Make it with probekit.scene.plan_scene.")
    return write(
        to,
        scene,
        "plan.html",
        ("overlay.js", "plan.js", "play.js", "framed.js", "saying.js", "page.js"),
        title=escape(scene.title),
        stamp=escape(stamp),
        symbols=sections.symbols(scene),
        headline=plan_sections.headline(scene),
        layers=plan_sections.layers(scene),
        stills=sections.stills(scene),
        cards=plan_sections.cards(scene, route, time),
        cautions=plan_sections.cautions_box(cautions),
        key=sections.key(scene),
        features_filter=sections.options(scene, "feature"),
        poses_filter=plan_sections.poses_filter(scene),
        lines=plan_sections.lines(scene),
        captions="".join(f"<li>{escape(line)}</li>" for line in scene.captions),
        left_out=plan_sections.left_out(scene),
        touches=plan_sections.touches(scene),
        features=plan_sections.features(scene),
        route=plan_sections.route_section(scene, route),
        provenance=sections.provenance_section(provenance, notes),
    )
