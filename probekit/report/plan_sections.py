"""The sections of the page of a plan, rendered so that they can be read without any script."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import quote

import pandas as pd

from ..columns import TARGET
from ..show import minutes_and_seconds
from . import sections
from .words import NUMERIC_HEAD, captioned, frame, known, length, number, symbol

if TYPE_CHECKING:
    from ..plan.route.pace import CycleTime
    from ..plan.route.route import Route
    from ..scene.model import Lines, Scene

__all__: list[str] = []

_NUMERIC = ("no.", "x", "y", "z", "angle", "clearance")
_ALL, _SOME, _NONE = (
    "M4 12.5 9.5 18.5 20.5 5.5",
    "M5 9Q8.5 5 12 8.5T19 8M5 16Q8.5 12 12 15.5T19 15",
    "M5 8.5H19M5 15.5H19",
)


def _count(scene: Scene, word: str) -> int:
    return next(entry.count for entry in scene.legend.verdicts if entry.word == word)


def _plural(count: int, one: str, many: str = "") -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"


def headline(scene: Scene) -> str:
    """Return how many targets can be touched, with a sign."""
    total, left = len(scene.touches), _count(scene, "left out")
    kind, path = ("good", _ALL) if not left else ("bad", _NONE) if left == total else ("open", _SOME)
    critical = _count(scene, "critical")
    looked = any("reach" in entry.text for entry in scene.legend.verdicts)
    said = [f"{_plural(critical, 'of them is', 'of them are')} critical"] if critical else []
    said += [f"{left} left out: the reasons are below"] if left else []
    lost = int((scene.touches["critical"].to_numpy(bool) & (scene.words == "left out")).sum()) if left else 0
    said += [f"{_plural(lost, 'of those was', 'of those were')} named critical"] if lost else []
    verb = "are planned; their reach has not been checked yet" if looked else "can be touched"
    return (
        f'<div class="verdict {kind}"><svg width="44" height="44" viewBox="0 0 24 24" aria-hidden="true">'
        f'<path d="{path}"/></svg><div><p class="part"><strong>{total - left} of {_plural(total, "target")}</strong> '
        f"{verb}.</p><p>{'; '.join(said) or 'None is left out'}.</p></div></div>"
    )


def layers(scene: Scene) -> str:
    """Return the switches of what is drawn beside part and targets."""
    found = [("ways", "Ways")] if scene.lines else []
    found += [("probe", "Probe")] if any(one.motions is not None for one in scene.solids) else []
    found += [("fixtures", "Fixtures")] if any(one.motions is None for one in scene.solids) else []
    return "".join(
        f'<label class="gl-only"><input type="checkbox" data-layer="{name}" checked>{word}</label>'
        for name, word in found
    )


def _turns(scene: Scene) -> list[tuple[str, int, int]]:
    """Pose, first and last number of each run of touches in one pose."""
    planned = scene.touches[scene.touches["order"].notna()].sort_values("order")
    run = (planned["pose"] != planned["pose"].shift()).cumsum()
    return [
        (str(part["pose"].iloc[0]), int(part["order"].min()), int(part["order"].max()))
        for _, part in planned.groupby(run)
    ]


def cards(scene: Scene, route: Route | None, time: CycleTime | None = None) -> str:
    """Return the estimated time, and the probe."""
    found = []
    if route is not None:
        time = time or route.time
        minutes, seconds = minutes_and_seconds(time.total)
        shares = (
            ("touching", time.touching),
            ("positioning", time.positioning),
            ("rapid", time.rapid),
            ("indexing", time.indexing),
        )
        rows = "".join(f"<dt>{name}</dt><dd>{value:.0f} s</dd>" for name, value in shares)
        found.append(
            f'<article class="card"><h3>Estimated time</h3><p class="big">{minutes} min {seconds:02d} s</p>'
            f'<dl class="pairs">{rows}</dl><p class="small">{_plural(len(route.targets), "touch", "touches")} in '
            f"{_plural(int(route.indexed.sum()), 'pose')}. The time excludes acceleration and the tool change; "
            "a real cycle takes longer.</p></article>"
        )
    found += [
        f'<article class="card"><h3>{escape(one.name.capitalize())}</h3>'
        f'<p class="small">{escape(one.text)}.</p></article>'
        for one in scene.solids
    ]
    return f'<section aria-label="Set-up" class="cards">{"".join(found)}</section>' if found else ""


def cautions_box(cautions: Iterable[str]) -> str:
    """Return the cautions."""
    items = "".join(f"<p>{escape(text[:1].upper() + text[1:])}</p>" for text in cautions)
    box = f'<div class="caution" role="note"><h2>Caution</h2>{items}</div>'
    return f'<section id="cautions">{box}</section>' if items else ""


def poses_filter(scene: Scene) -> str:
    """Return the choice of a pose, if there is one."""
    if len(set(scene.touches["pose"])) < 2:
        return ""
    choices = sections.options(scene, "pose", "no pose")
    return f'<label>Pose <select id="pose"><option value="">all</option>{choices}</select></label> '


def lines(scene: Scene) -> str:
    """Return what each style of line means."""
    items = "".join(
        f'<li class="{"long" if len(one.text) > 30 else "short"}">{_stroke(one)}<b>{escape(one.name)}</b>'
        f'<span class="small">{escape(one.text)}</span></li>'
        for one in scene.lines
    )
    return f'<section id="ways"><h3>Lines: paths, by pose</h3><ul class="lines">{items}</ul></section>' if items else ""


def _stroke(line: Lines) -> str:
    dash = f' stroke-dasharray="{" ".join(f"{18 * part:g}" for part in line.dash)}"' if line.dash else ""
    return (
        '<svg width="44" height="12" aria-hidden="true"><line x1="1" x2="43" y1="6" y2="6" stroke-width="2.5" '
        f'stroke="{line.colour}"{dash}/></svg>'
    )


def left_out(scene: Scene) -> str:
    """Return the targets that cannot be touched, by reason."""
    table = scene.touches[scene.words == "left out"]
    if table.empty:
        return ""
    reasons = table["reason"].map(known) if "reason" in table else pd.Series("", index=table.index)
    rows = [
        {
            "reason": reason or "no reason was given",
            "targets": len(part),
            "touches": ", ".join(str(t) for t in part["touch"]),
        }
        for reason, part in table.groupby(reasons, sort=False)
    ]
    said = frame(pd.DataFrame(rows), "Targets that cannot be touched with this set-up; none of them is in the route.")
    return f'<section id="left-out"><h2>Left out, and why</h2>{said}</section>'


def touches(scene: Scene) -> str:
    """Return the table of targets in the order of touching, those left out last."""
    table = scene.touches
    heads = ("no.", "touch", "state", "feature", "x", "y", "z", "pose", "angle", "clearance", "reason")
    head = "".join(
        f'<th scope="col" aria-sort="none"{NUMERIC_HEAD if h in _NUMERIC else ""}>'
        f'<button type="button" class="sort" data-column="{k}">{h}</button><span class="paper">{h}</span></th>'
        for k, h in enumerate(heads)
    )
    shown = table.head(sections.ROWS_AT_MOST)
    more = len(table) - len(shown)
    note = f" Only the first {len(shown)} are listed here; the plan's own file has all." if more else ""
    body = "".join(_target(row, values) for row, values in enumerate(shown.to_dict("records")))
    return captioned(
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody>",
        f'Position and least clearance in <span class="unit">mm</span>; angle between outward normal and tool axis in '
        f"degrees: 0 is straight down the tool, 90 sideways.{note}",
        'class="scroll tall" id="touches"',
    )


def _target(row: int, values: dict) -> str:
    name = str(values["touch"])
    link = escape(quote(name, safe=""))
    order, angle = values["order"], values.get("approach_angle")
    none = '<span class="none">\N{EN DASH}</span>'
    position = "".join(f'<td class="n">{length(values[c], "p")}</td>' for c in TARGET)
    return (
        f'<tr id="touch={link}" data-row="{row}"><td class="n">{none if order != order else int(order)}</td>'
        f'<th scope="row"><a href="#touch={link}">{escape(name)}</a></th>'
        f'<td class="v">{symbol(values["state"])} {escape(values["state"])}</td>'
        f'<td>{escape(known(values["feature"]))}</td>{position}<td class="v">{escape(values["pose"])}</td>'
        f'<td class="n">{none if angle is None or angle != angle else number(angle, 1)}</td>'
        f'<td class="n">{length(values.get("clearance"), "p")}</td><td>{escape(known(values.get("reason")))}</td></tr>'
    )


def features(scene: Scene) -> str:
    """Return how many targets of each feature can be touched."""
    words = pd.Series(scene.words, index=scene.touches.index)
    rows = [
        {
            "feature": known(name) or "(no feature)",
            "targets": len(part),
            "can be touched": int((words[part.index] != "left out").sum()),
            "critical": int((words[part.index] == "critical").sum()),
            "left out": int((words[part.index] == "left out").sum()),
        }
        for name, part in scene.touches.groupby("feature", sort=False, dropna=False)
    ]
    return frame(pd.DataFrame(rows), "Number of targets of each feature.")


def route_section(scene: Scene, route: Route | None) -> str:
    """Return the poses in their order, and the heights that the ways keep."""
    if route is None:
        return ""
    rows = [
        {"pose": pose or "\N{EN DASH}", "from no.": first, "to no.": last, "touches": last - first + 1}
        for pose, first, last in _turns(scene)
    ]
    height = f'{length(route.height, "p")} <span class="unit">mm</span>'
    heights = f"<p>The rotary axes turn with the ball at program Z {height}.</p>" if len(rows) > 1 else ""
    table = (
        frame(pd.DataFrame(rows), "Poses in the order in which they are taken.") if rows else "<p>No touch is left.</p>"
    )
    return f'<section id="route"><h2>Route</h2>{heights}{table}</section>'
