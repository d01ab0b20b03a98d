"""Where a page is answered: what it is about, as the block that answers refer to, and the form."""

from __future__ import annotations

from html import escape
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING, Any

from ..settle.answers import DISPOSITIONS
from ..settle.merging import CAUTION
from ..settle.pages import GIVEN, SUBJECT, block
from .language import mark, say, table

if TYPE_CHECKING:
    from ..action.suggest import Action
    from ..scene.model import Scene
    from ..verdict.results import Verdict

__all__ = ["DECISION", "answers_section", "subject"]

#: Place for the decision in the headline of a page, empty as long as there is none.
DECISION = '<div id="decision"></div>'

#: Words that the script of the form says later; they stand in the page, so that its switch of language finds them.
_SAID_LATER = ("answer.checked", "answer.changed", "answer.remove", "answer.told", "answer.tolerance", "answer.region")


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
    places = [("tolerance", one["name"], one["name"]) for one in about["tolerances"]]
    places += [("region", one["region"], f"{one['region']} ({one['face']})") for one in about["regions"]]
    return Template(files(__package__).joinpath("assets", "answers.html").read_text(encoding="utf-8")).substitute(
        subject=block(SUBJECT, about),
        given=block(GIVEN, []),
        caution=escape(CAUTION),
        choices="".join(
            f'<label><input type="radio" name="disposition" value="{name}"><span>{mark(f"disposition.{name}", "b")} '
            f'<span class="small">{mark(f"disposition.{name}.means")}</span></span></label>'
            for name in DISPOSITIONS
        ),
        places="".join(
            f'<option value="{on}" data-id="{escape(name)}" data-w="answer.{on}" data-w-tail="{escape(tail)}">'
            f"{say(f'answer.{on}')} {escape(tail)}</option>"
            for on, name, tail in places
        ),
        words="".join(mark(key, "li") for key in table()["en"] if key.startswith(_SAID_LATER)),
    )
