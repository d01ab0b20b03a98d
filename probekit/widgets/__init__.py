"""The notebook view of a scene: turn it, pick a touch, read its numbers. Needs the extra `notebook`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..errors import ProbekitError, how_to_install

if TYPE_CHECKING:
    from ..scene.model import Scene
    from .notebook import DeviationView

__all__ = ["view"]


def view(scene: Scene, *, width: int = 640, height: int = 440) -> DeviationView:
    """Show a scene in a notebook.

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
        chooses one.

    Raises
    ------
    ProbekitError
        If ipywidgets or pythreejs is not installed.
    InputError
        If `width` or `height` is not a positive whole number.
    """
    try:
        from .notebook import DeviationView
    except ModuleNotFoundError as error:
        if error.name is None or error.name.split(".")[0] not in {"ipywidgets", "pythreejs", "traitlets"}:
            raise
        raise ProbekitError(
            f"the view in a notebook needs {error.name}, which is not installed. {how_to_install('notebook')}"
        ) from error
    return DeviationView(scene, width=width, height=height)
