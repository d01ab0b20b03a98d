"""The report page: one HTML file that needs nothing but a browser."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

from ..files import store
from ..settle.pages import sealed
from . import answering, gate, proofs, sections
from .earlier import EarlierParts, earlier_section
from .payload import payload
from .places import find, labels, section
from .ruler import ruler
from .section_figures import section_figures
from .sure import artefact_section, between_section, uncertainty_section

if TYPE_CHECKING:
    from ..action.suggest import Action
    from ..field.artefact import Artefact
    from ..fit.alignment import Alignment
    from ..plausibility.finding import Finding
    from ..plausibility.residuals import Residuals
    from ..scene.model import Scene
    from ..uncertainty import Budget
    from ..uncertainty.shares import Shares
    from ..verdict.influence import Influence
    from ..verdict.results import Verdict

__all__ = ["VIEW", "asset", "checksum", "page", "shipped_scripts", "write"]

#: The scripts of the 3D view, which any page or notebook cell can hold.
VIEW = (
    *("three.bundle.js", "unpack.js", "bvh.js", "ribbons.js", "surface.js", "glyphs.js"),
    *("extras.js", "view.js"),
)

_VIEW_CAPTIONS = (
    "In the 3D view a dark line on the surface runs where the interpolated deviation crosses a limit of its face.",
    "An exaggerated shape tears open at sharp edges, because each face moves along its own normals.",
)


def page(
    scene: Scene,
    verdict: Verdict,
    *,
    alignment: Alignment | None = None,
    action: Action | None = None,
    provenance: Iterable[tuple[str, str]] = (),
    to: str | Path,
    notes: Iterable[str] = (),
    findings: Iterable[Finding] = (),
    residuals: Residuals | None = None,
    influence: Influence | None = None,
    about: Iterable[tuple[str, str]] = (),
    missing: str = "",
    stamp: str = "",
    budget: Budget | None = None,
    shares: Sequence[Shares] = (),
    between: Sequence[str] = (),
    artefact: Artefact | None = None,
    results: str = "",
    earlier: EarlierParts | None = None,
) -> Path:
    """Write the report page.

    Many parameters: a page shows what it is given: each optional part of it is one argument.

    Parameters
    ----------
    scene : Scene
        What to draw, from `probekit.scene.build`.
    verdict : Verdict
        The judged touches the scene was built from.
    alignment : Alignment, optional
        The alignment that was used.
    action : Action, optional
        What could be done next.
    provenance : iterable of (str, str)
        Label and value of what the results rest on: files, checksums, versions, settings.
    to : str or Path
        The file to write; replaced if it exists, never left half written.
    notes : iterable of str
        Remarks, for instance warnings met on the way.
    findings : iterable of Finding
        What the gate found; what the study accepts of it stands beside the verdict.
    residuals : Residuals, optional
        Of the touches that the alignment rests on.
    influence : Influence, optional
        What set-up and verdict would be without each of them.
    about : iterable of (str, str)
        Who, what, when: label and value, for the headline.
    missing : str
        A quiet line on what is not known of that.
    stamp : str
        Which study and which touches this is the page of, and when it was made.
    budget : Budget, optional
        What makes the touches uncertain.
    shares : sequence of Shares
        Who matters, for each tolerance.
    between : sequence of str
        What may be said of the surface between its touches.
    artefact : Artefact, optional
        What touches in several poses tell of the machine.
    results : str
        Name of the file that has every touch, for a page that cannot list them all.
    earlier : EarlierParts, optional
        What an archive knows of the parts before this one.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the file cannot be written.

    Notes
    -----
    The page makes no request: its Content-Security-Policy forbids every source but its own inline parts, each named
    by its SHA-256 [1]_. All text from files is escaped.

    References
    ----------
    .. [1] W3C, Content Security Policy Level 3.
    """
    about, places = tuple(about), find(verdict, action)
    return write(
        to,
        scene,
        "page.html",
        (
            "overlay.js",
            "section.js",
            "plot.js",
            "reading.js",
            "proof.js",
            "framed.js",
            "saying.js",
            "page.js",
            "verdict.js",
        ),
        labels=labels(verdict, places),
        results=results,
        proved=proofs.proof_data(verdict, alignment),
        title=escape(scene.title),
        about=sections.about(verdict.table.attrs, about, missing, stamp),
        symbols=sections.symbols(scene),
        head=sections.head(scene, verdict, about),
        doubts=sections.doubts(verdict),
        places=section(verdict, places, action),
        headline=sections.headline(scene, verdict) + gate.accepted(findings),
        decision=answering.DECISION,
        cards=sections.cards(verdict),
        rule=sections.rules(verdict.rule),
        key=sections.key(scene),
        features_filter=sections.options(scene, "feature"),
        ruler=ruler(scene),
        sections=section_figures(scene),
        earlier=earlier_section(earlier, verdict),
        captions="".join(f"<li>{escape(line)}</li>" for line in (*scene.captions, *_VIEW_CAPTIONS)),
        stills=sections.stills(scene),
        next=sections.next_steps(action),
        answers=answering.answers_section(answering.subject(scene, verdict, action, stamp)),
        touches=sections.touches(scene, results),
        features=sections.features(verdict),
        alignment=sections.alignment_section(alignment, verdict)
        + gate.residuals_section(residuals, influence)
        + between_section(between)
        + artefact_section(artefact)
        + uncertainty_section(budget, shares),
        provenance=sections.provenance_section(provenance, notes),
    )


def write(
    to: str | Path,
    scene: Scene,
    template: str,
    scripts: Sequence[str],
    *,
    labels: Sequence[int] = (),
    results: str = "",
    proved: Sequence[Mapping[str, Any]] = (),
    **parts: str,
) -> Path:
    """Fill a template and write it.

    Parameters
    ----------
    to : str or Path
        The file.
    scene : Scene
        Whose numbers the view needs.
    template : str
        The page, one of the assets.
    scripts : sequence of str
        The assets that come after the view.
    labels : sequence of int
        Rows of touches that the picture names, the worst first.
    results : str
        Name of the file that has every touch.
    proved : sequence of mapping
        What the browser adds up.
    **parts : str
        What the template names, as HTML.
    """
    names = [*VIEW, *scripts]
    if "answers" in parts:
        names = ["pristine.js", *names, "answers.js"]
    texts = [asset(name) for name in names]
    style = asset("page.css") + (asset("answers.css") if "answers" in parts else "")
    hashes = " ".join(f"'{checksum(text)}'" for text in texts)
    text = Template(asset(template)).substitute(
        parts,
        policy=(
            f"default-src 'none'; script-src {hashes}; style-src '{checksum(style)}'; img-src data:; "
            "base-uri 'none'; form-action 'none'"
        ),
        style=style,
        data=payload(scene, labels, results, proved),
        scripts="".join(f"<script>{script}</script>\n" for script in texts),
    )
    store(to, sealed(text).encode("utf-8"))
    return Path(to)


def asset(name: str) -> str:
    """Text of a file shipped with the package."""
    return files(__package__).joinpath("assets", name).read_text(encoding="utf-8")


@cache
def shipped_scripts() -> frozenset[str]:
    """The checksums of all scripts that pages of this version may run, as `checksum` gives them."""
    folder = files(__package__).joinpath("assets")
    return frozenset(checksum(asset(one.name)) for one in folder.iterdir() if one.name.endswith(".js"))


def checksum(text: str) -> str:
    """`sha256-...` of an inline script or style, as a Content-Security-Policy names it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
