"""The sections of the page, rendered so that they can be read without any script."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np

from ..fit import FREEDOMS
from ..scene import glyphs, pictures
from ..tolerance.unjudged import Unjudged
from ..verdict.rules import MEANINGS, Rule
from ..verdict.words import NOT_JUDGED, TOLERANCE_WORDS, WORST_FIRST, counted, interval
from .language import mark
from .proofs import alignment_line, lines
from .words import NUMERIC_HEAD, captioned, frame, known, length, number, symbol

if TYPE_CHECKING:
    from ..action.suggest import Action
    from ..fit.alignment import Alignment
    from ..scene.model import Scene
    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["ROWS_AT_MOST", "ROWS_LISTED", "worst_rows"]

#: Rows of the table of touches in the page, and how many are written if there are more: the worst. The script then
#: lists all of them, from the numbers of the view.
ROWS_AT_MOST, ROWS_LISTED = 500, 200

_BOUNDS = {"low": "at least", "high": "at most"}  # of what is predicted; elsewhere these words are verdicts
_SUGGESTIONS_OPEN = 12
_NUMERIC = ("deviation", "lower", "upper", "p")
_PART_SIGNS = {
    "conforms": ("good", "M4 12.5 9.5 18.5 20.5 5.5"),
    "does not conform": ("bad", "M5 8.5H19M5 15.5H19M16.5 3.5 7.5 20.5"),
    "undecided": ("open", "M5 9Q8.5 5 12 8.5T19 8M5 16Q8.5 12 12 15.5T19 15"),
}


def symbols(scene: Scene) -> str:
    """Return the flat symbols of the words, defined once for the page."""
    defined = "".join(glyphs.symbol(entry.word, f"s-{glyphs.name_of(entry.word)}") for entry in scene.legend.verdicts)
    return f'<svg width="0" height="0" class="defs" aria-hidden="true"><defs>{defined}</defs></svg>'


def about(attrs: Mapping[Any, Any], known: Iterable[tuple[str, str]], missing: str, stamp: str) -> str:
    """Return who, what, when and which run, under the title; of the touches' own headers where nothing is given."""
    dot = " \N{MIDDLE DOT} "
    said = [f"{escape(label)} <b>{escape(value)}</b>" for label, value in known]
    own = ("part", "program") if said or missing else ("part", "program", "machine", "time")
    head = [escape(str(attrs[name])) for name in own if attrs.get(name) not in (None, "")]
    lines = [dot.join(head), dot.join(said), escape(missing), escape(stamp)]
    return "".join(f'<p class="small">{line}</p>' for line in lines if line)


def head(scene: Scene, verdict: Verdict, known: Iterable[tuple[str, str]]) -> str:
    """Return the head of the page: the verdict, how bad, who and when, in three lines."""
    kind, path = _PART_SIGNS[verdict.part]
    bad = [(one, row) for one, row in verdict.pairs if row.word == verdict.part] or verdict.pairs
    judged = [pair for pair in bad if np.isfinite(pair[1].actual)]
    how = ""
    if judged:
        one, _ = max(judged, key=lambda pair: pair[1].actual / pair[1].width if pair[1].width > 0 else np.inf)
        how = (
            f'<span class="what">{escape(one.name)}</span> <span class="much"><b>{length(one.actual, "a")}</b> '
            f'{mark("of")} {length(one.width, "a")}<span class="in"> <span class="unit">mm</span></span>'
        )
        more = sum(row.word == verdict.part for _, row in verdict.pairs) - 1
        how += (f", +{more}" if more > 0 and verdict.part != "conforms" else "") + "</span>"
    elif bad:
        how = f'<span class="what">{escape(bad[0][0].name)}</span>'
    attrs = verdict.table.attrs
    told = dict(known)
    first = ("serial", "date", "operator")  # on a narrow screen the rest is cut off
    order = [name for name in first if name in told] + [name for name in told if name not in first]
    bare = ("date", "operator", "machine", "temperature")
    said = [
        told[name].replace("T", " ") if name == "date" else told[name] if name in bare else f"{name} {told[name]}"
        for name in order
    ]
    if not said:
        said = [str(attrs[name]) for name in ("part", "machine", "time") if attrs.get(name) not in (None, "")]
    who = " \N{MIDDLE DOT} ".join(escape(text) for text in said)
    return (
        f'<header class="head {kind}"><svg class="sign" viewBox="0 0 24 24" aria-hidden="true"><path d="{path}"/></svg>'
        f'<div>{mark(f"part.{verdict.part}", "h1")}<p class="how">{how}</p>'
        f'<p class="who"><b class="name">{escape(scene.title)}</b>{f" {chr(183)} {who}" if who else ""}</p></div>'
        '<button type="button" id="unit" class="js-only" aria-label="Unit: mm">mm</button></header>'
    )


def doubts(verdict: Verdict) -> str:
    """Return what leaves the part undecided whatever its numbers say, for the first screen; the whole stands below."""
    if not verdict.reasons:
        return ""
    lines = "".join(f"<li>{escape(reason.split('; ')[0])}</li>" for reason in verdict.reasons)
    whole = f'<a href="#verdict">{mark("first.whole")}</a>'
    return f'<section id="doubts">{mark("first", "h2")}<ul>{lines}</ul><p class="small">{whole}</p></section>'


def headline(scene: Scene, verdict: Verdict) -> str:
    """Return the verdict on the part in words, with a sign."""
    kind, path = _PART_SIGNS[verdict.part]
    counts = verdict.touch_counts
    said = [counts[word] for word in WORST_FIRST if word != "within" and word in counts]
    words = verdict.tolerances["word"].tolist()
    of_tolerances = [counted(words.count(word), word) for word in TOLERANCE_WORDS if word in words]
    verb = "is " if verdict.part == "undecided" else ""
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in verdict.reasons)
    return (
        f'<div class="verdict {kind}"><svg width="44" height="44" viewBox="0 0 24 24" aria-hidden="true">'
        f'<path d="{path}"/></svg><div><p class="part">The part {verb}<strong>{escape(verdict.part)}</strong>.</p>'
        f"<p>{len(scene.touches)} touches: {', '.join(said) or 'all within'}. "
        f"Of {len(words)} tolerances: {', '.join(of_tolerances)}.</p>"
        f"{f'<p>Second look: {escape(verdict.second_look)}.</p>' if verdict.second_look else ''}"
        f"{f'<ul>{reasons}</ul>' if reasons else ''}</div></div>"
    )


def cards(verdict: Verdict) -> str:
    """Return one card per tolerance: its actual value against its width."""
    return "".join(
        _unjudged_card(one) if isinstance(one, Unjudged) else _card(one, row, lines(one, verdict))
        for one, row in verdict.pairs
    )


def _unjudged_card(one: Unjudged) -> str:
    """A tolerance without an actual value: its width, and why."""
    width = f'{mark("of")} {length(one.width, "a")} <span class="unit">mm</span>' if np.isfinite(one.width) else ""
    return (
        f'<article class="card open"><h3>{escape(one.name)}</h3><p class="big">\N{EN DASH} <span class="of">'
        f'{width}</span> <span class="word">{mark(f"word.{NOT_JUDGED}")}</span></p><p class="small">'
        f"{escape(one.kind[:1].upper() + one.kind[1:])}. On {escape(', '.join(one.features)) or 'all touches'}. "
        f"<b>Not judged</b>: {escape(one.reason)}</p></article>"
    )


def _card(evaluation: Evaluation, judged: Any, proved: str) -> str:
    share = evaluation.actual / evaluation.width if evaluation.width > 0 else np.inf
    end = max(1.25, min(share * 1.05, 4.0)) if np.isfinite(share) else 1.25
    filled = min(share / end, 1.0) if np.isfinite(share) else 0.0
    missed = f" and {evaluation.missed} missed" if evaluation.missed else ""
    free = f"; best placement over {', '.join(evaluation.free)}" if evaluation.free else ""
    said = f"{escape(evaluation.kind[:1].upper() + evaluation.kind[1:])}."
    if evaluation.judges_touches:
        said += f' Zone {length(evaluation.lower)} to {length(evaluation.upper)} <span class="unit">mm</span>.'
    fixed = f", value fixed by {escape(', '.join(str(t) for t in evaluation.ruling))}" if evaluation.ruling else ""
    notes = "".join(f'<p class="small">{escape(note)}</p>' for note in judged.notes)
    where, noise = interval(judged.low, judged.high, judged.noise_alone, lambda value: str(length(value, "a")))
    noise = f" {noise[0].upper()}{noise[1:]}." if noise else ""
    return (
        f'<article class="card {_PART_SIGNS[judged.word][0]}"><h3>{escape(evaluation.name)}</h3>'
        f'<p class="big">{length(evaluation.actual, "a")} <span class="of">{mark("of")} '
        f'{length(evaluation.width, "a")} <span class="unit">mm</span></span> '
        f'<span class="word">{mark(f"word.{judged.word}")}</span></p>'
        '<svg class="bullet" width="100%" height="14" aria-hidden="true">'
        f'<rect class="room" width="{100 / end:.2f}%" height="14"/>'
        f'<rect class="fill" y="4" width="{100 * filled:.2f}%" height="6"/>'
        f'<line class="limit" x1="{100 / end:.2f}%" x2="{100 / end:.2f}%" y1="0" y2="14"/></svg>'
        f'<p class="small">{said} On {escape(", ".join(evaluation.features)) or "all touches"}: '
        f"{evaluation.touches} touches{missed}{fixed}{free}. {where[0].upper()}{where[1:]}.{noise}</p>"
        f"{proved}{notes}</article>"
    )


def key(scene: Scene) -> str:
    """Return the glyph key; with the script running each entry is also a filter."""
    return "".join(
        f'<li><label><input type="checkbox" class="js-only" data-verdict="{e.word}" checked>{symbol(e.word, 18)}'
        f'<b>{mark(f"word.{e.word}") if scene.measured else e.word}</b> <span class="count">{e.count}</span>'
        f'<span class="small">{escape(e.text)}</span></label></li>'
        for e in scene.legend.verdicts
    )


def options(scene: Scene, column: str, empty: str = "") -> str:
    """Return the choices of a filter; the value is the position among what the column holds."""
    names = dict.fromkeys(known(name) for name in scene.touches[column])
    return "".join(f'<option value="{k}">{escape(name or empty)}</option>' for k, name in enumerate(names))


def worst_rows(scene: Scene) -> np.ndarray:
    """Rows of touches that are written out one by one, in their order: all of them, or the worst of too many."""
    table = scene.touches
    if len(table) <= ROWS_AT_MOST or not scene.measured:
        return np.arange(len(table))
    rank = table["verdict"].map({word: k for k, word in enumerate(WORST_FIRST)}).to_numpy()
    share = np.nan_to_num(table["share"].to_numpy(dtype=float, na_value=np.nan))
    return np.sort(np.lexsort((-share, rank))[:ROWS_LISTED])


def stills(scene: Scene, seen_from: np.ndarray | None = None, name: str = "v") -> str:
    """Return the still pictures: for browsers without WebGL, without script, and for print.

    `seen_from` (m, 3) are directions to the viewer in place of those that suit the scene; `name` starts the ids.
    """
    directions = pictures.choose_directions(scene) if seen_from is None else seen_from
    rows, drawn = worst_rows(scene), tuple(pictures.draw(scene, direction) for direction in directions)
    few = len(rows) < len(scene.touches)
    told = f", with the {len(rows)} worst touches" if few else ""
    if few:
        drawn = tuple(
            replace(one, rows=one.rows[keep], places=one.places[keep])
            for one in drawn
            for keep in [np.isin(one.rows, rows)]
        )
    return "".join(
        f"<figure>{pictures.picture_svg(scene, picture, name=f'{name}{k}', link=True)}"
        f"<figcaption>{mark('seen')} {picture.title.removeprefix('seen from ')}{told}</figcaption></figure>"
        for k, picture in enumerate(drawn)
    )


def touches(scene: Scene, results: str = "") -> str:
    """Return the table of touches; `results` names the file that has all of them."""
    table, rows, note = scene.touches, worst_rows(scene), ""
    if len(rows) < len(table):
        where = escape(results) or "the results file"
        note = f"Only the {len(rows)} worst of {len(table)} touches are listed here; {where} has all."
        note = f' <span id="listed">{note}</span>'
    heads = ("touch", "verdict", "deviation", "lower", "upper", "feature", "face", "judged by", "p", "remarks")
    head = "".join(
        f'<th scope="col" aria-sort="none"{NUMERIC_HEAD if h in _NUMERIC else ""}>'
        f'<button type="button" class="sort" data-column="{k}" data-w="col.{h}">{h}</button>'
        f'<span class="paper" data-w="col.{h}">{h}</span></th>'  # a head that is printed again shows no button
        for k, h in enumerate(heads)
    )
    body = "".join(_touch(row, table.iloc[row].to_dict()) for row in rows.tolist())
    return captioned(
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody>",
        'Deviations and limits in <span class="unit">mm</span>; p: probability that the place of this touch, by '
        f"itself, conforms.{note}",
        'class="scroll tall" id="touches"',
    )


def _touch(row: int, values: dict) -> str:
    name = str(values["touch"])
    link = quote(name, safe="")
    probability = values.get("p_conform", np.nan)
    remarks = " ".join(str(values.get(c) or "") for c in ("flag", "doubt", "reason")).strip()
    shown = number(probability, 3) if probability == probability else "\N{EN DASH}"
    text = "".join(f"<td>{escape(known(values.get(c)))}</td>" for c in ("feature", "face", "tolerance"))
    lengths = "".join(f'<td class="n">{length(values.get(c))}</td>' for c in ("deviation", "lower", "upper"))
    return (
        f'<tr id="touch={escape(link)}" data-row="{row}"><th scope="row">'
        f'<a href="#touch={escape(link)}">{escape(name)}</a></th>'
        f'<td class="v">{symbol(values["verdict"])} {mark("word." + values["verdict"])}</td>{lengths}{text}'
        f'<td class="n">{shown}</td><td>{escape(remarks)}</td></tr>'
    )


def rules(rule: Rule) -> str:
    """Return the decision rule used, and what each of the rules means."""
    said = "".join(f"<li><b>{name}</b>: {escape(meaning)}</li>" for name, meaning in MEANINGS.items())
    return (
        f'<p class="small rule">Decision rule: {escape(rule.sentence)}</p>'
        f'<details class="small">{mark("rules.mean", "summary")}<ul>{said}</ul></details>'
    )


def features(verdict: Verdict) -> str:
    """Return the table of features."""
    return frame(
        verdict.features, 'Verdict by feature; worst deviation in <span class="unit">mm</span>.', {"worst": "d"}
    )


def next_steps(action: Action | None) -> str:
    """Return what could be done next, with its caution."""
    if action is None:
        return ""
    items = "".join(f"<li>{escape(s)}</li>" for s in action.suggestions)
    suggested = f"<ol>{items}</ol>" if items else "<p>There is no correction to suggest.</p>"
    if len(action.suggestions) > _SUGGESTIONS_OPEN:
        suggested = f'<div class="scroll tall" tabindex="0" role="region" aria-label="Suggestions">{suggested}</div>'
    told = "".join(f"<li>{escape(s)}</li>" for s in action.promises)
    suggested += f"{mark('bring', 'h3')}<ul>{told}</ul>" if told else ""
    unit = 'lengths in <span class="unit">mm</span>'
    offered = action.table.iloc[:0] if action.candidates is None else action.candidates.rename(columns=_BOUNDS)
    kinds = {
        "share": "%",
        "p_conform": "%",
        "moran": "i",
        "p": "i",
        "x": "p",
        "y": "p",
        "z": "p",
        "reach": "p",
        "deviation": "d",
    }
    found = [
        (
            offered.rename(columns=_BOUNDS),
            f"What could be done about each tolerance that does not conform, and what it would give; {unit}.",
        ),
        (
            action.table,
            "Effect of each correction: predicted actual value of each tolerance. Set-up, offset and move are "
            "arithmetic on these touches, whatever they make of the part; a re-cut cuts anew, so its row adds the "
            f"scatter of the cutter. A row is no advice; {unit}.",
        ),
        (
            action.table.iloc[:0] if action.left is None else action.left,
            f"What an offset and a move of its faces leave of each tolerance, and whether it is systematic; {unit}.",
        ),
        (action.shares, f"How much of the deviations each correction explains; {unit}."),
        (action.regions, f"Regions outside their limits; {unit}."),
    ]
    return (
        f'<section id="next">{mark("next", "h2")}<div class="caution" role="note">{mark("caution", "h3")}'
        f"<p>{escape(action.caution)}</p></div>{suggested}"
        f"{''.join(frame(table, caption, kinds) for table, caption in found if len(table))}{_recut(action)}</section>"
    )


def _recut(action: Action) -> str:
    """Return the re-cut map by face, and what it rests on."""
    if action.recut is None:
        return ""
    notes = "".join(f"<li>{escape(note)}</li>" for note in action.recut.notes)
    caption = (
        'Stock to remove, and what stays because no named tool reaches it; lengths in <span class="unit">mm</span>.'
    )
    return (
        f"{mark('recut.map', 'h3')}<p>{escape(action.recut.sentence)}. The files recut.csv (touched places), "
        "recut_field.csv (close places, smoothed) and recut.ply (a mesh in colour) stand beside this page; none is a "
        f'program.</p>{frame(action.recut.by_face, caption)}<ul class="small">{notes}</ul>'
    )


def alignment_section(alignment: Alignment | None, verdict: Verdict) -> str:
    """Return the alignment found."""
    if alignment is None:
        return ""
    rows = ""
    values = (*alignment.translation, *alignment.rotation_deg)
    for name, value, u in zip(FREEDOMS, values, alignment.uncertainty, strict=True):
        if name not in alignment.free:
            rows += f'<tr><th scope="row">{name}</th><td>held</td><td></td><td></td></tr>'
        elif name.startswith("t"):
            rows += (
                f'<tr><th scope="row">{name}</th><td class="n">{length(float(value))}</td>'
                f'<td class="n">{length(float(u), "a")}</td><td class="unit">mm</td></tr>'
            )
        else:
            doubt = number(float(u), 4) if np.isfinite(u) else "\N{EN DASH}"
            rows += (
                f'<tr><th scope="row">{name}</th><td class="n">{number(float(value), 4, signed=True)}</td>'
                f'<td class="n">{doubt}</td><td>\N{DEGREE SIGN}</td></tr>'
            )
    head = (
        f'<thead><tr><th scope="col">{mark("col.freedom")}</th><th scope="col"{NUMERIC_HEAD}>{mark("col.value")}</th>'
    )
    head += f'<th scope="col"{NUMERIC_HEAD}>u</th><th scope="col">{mark("col.unit")}</th></tr>'
    caption = (
        "Motion from the measured part to the nominal: shifts, and turns about the pivot; u: standard uncertainty."
    )
    table = captioned(f"{head}</thead><tbody>{rows}</tbody>", caption, 'class="scroll narrow"')
    proved = alignment_line(alignment, verdict)
    return (
        f'<section id="alignment">{mark("alignment", "h2")}<p>{escape(alignment.sentence)}</p>{proved}{table}</section>'
    )


def provenance_section(provenance: Iterable[tuple[str, str]], notes: Iterable[str]) -> str:
    """Return what the results rest on."""
    items = "".join(f"<dt>{escape(str(label))}</dt><dd>{escape(str(value))}</dd>" for label, value in provenance)
    remarks = "".join(f"<li>{escape(note)}</li>" for note in notes)
    return (f'<dl class="wide">{items}</dl>' if items else "<p>Nothing was recorded.</p>") + (
        f"{mark('notes', 'h3')}<ul>{remarks}</ul>" if remarks else ""
    )
