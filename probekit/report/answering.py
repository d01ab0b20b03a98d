"""Where a page is answered: what it is about, as the block that answers refer to, and the form."""

from __future__ import annotations

from html import escape
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING, Any

from ..settle.answers import DISPOSITIONS
from ..settle.merging import CAUTION
from ..settle.pages import GIVEN, SUBJECT, block

if TYPE_CHECKING:
    from ..action.suggest import Action
    from ..scene.model import Scene
    from ..verdict.results import Verdict

__all__ = ["DECISION", "answers_section", "subject"]

#: Place for the decision in the headline of a page, empty as long as there is none.
DECISION = '<div id="decision"></div>'

_MEANINGS = {
    "accept": "use it as it is",
    "re-cut": "take off what is left on",
    "touch again": "measure before deciding",
    "concession": "release it although it does not conform",
    "scrap": "do not use it",
}


def subject(scene: Scene, verdict: Verdict, action: Action | None = None, stamp: str = "") -> dict[str, Any]:
    """What the page is about, as plain data: it is part of what an answer names by its checksum.

    Parameters
    ----------
    scene : Scene
    verdict : Verdict
    action : Action, optional
        Names the regions.
    stamp : str
        Which study and which touches.
    """
    regions = [] if action is None else action.regions
    return {
        "title": scene.title,
        "stamp": stamp,
        "verdict": verdict.part,
        "reasons": list(verdict.reasons),
        "tolerances": [
            {"name": str(name), "word": str(word)} for name, word in verdict.tolerances[["name", "word"]].to_numpy()
        ],
        "regions": [{"region": str(r), "face": str(f)} for r, f in regions[["region", "face"]].to_numpy()]
        if len(regions)
        else [],
    }


def answers_section(about: dict[str, Any]) -> str:
    """The section of a page where answers stand and are given; `probekit.settle.pages.sealed` completes it.

    Parameters
    ----------
    about : dict
        From `subject`.
    """
    places = [("tolerance", one["name"], f"tolerance {one['name']}") for one in about["tolerances"]]
    places += [("region", one["region"], f"region {one['region']} on {one['face']}") for one in about["regions"]]
    return Template(files(__package__).joinpath("assets", "answers.html").read_text(encoding="utf-8")).substitute(
        subject=block(SUBJECT, about),
        given=block(GIVEN, []),
        caution=escape(CAUTION),
        choices="".join(
            f'<label><input type="radio" name="disposition" value="{name}"><span><b>{name}</b> '
            f'<span class="small">{_MEANINGS[name]}</span></span></label>'
            for name in DISPOSITIONS
        ),
        places="".join(
            f'<option value="{on}" data-id="{escape(name)}">{escape(said)}</option>' for on, name, said in places
        ),
    )
