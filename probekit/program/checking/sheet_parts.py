"""Parts of the release sheet that tell what a program does between its moves: where it stops, where it starts again."""

from __future__ import annotations

from collections.abc import Sequence

from ...plan.kinematics import Kinematics
from ..reading.modal import WATCHED
from ..reading.source import Source
from ..reading.steps import MOVES, Recorded, Step, first_touches
from ..reading.words import parse
from .watching import before_touches

__all__ = ["confirmations", "manner", "restart_rows", "unproved_poses"]


_WATCHED = (
    f"The way to each touch is watched ({WATCHED}): at a contact the control stops there, and ends with an error at "
    "the move that follows. That the control does so is to be tried at the machine."
)
_UNWATCHED = (
    "The way to each touch is NOT watched: the control does not stop if the ball meets something before the probing "
    "move begins. Keep a hand on the feed override, and the override low, at the first part."
)


def restart_rows(steps: Sequence[Step], text: str, kinematics: Kinematics) -> list[tuple[str, ...]]:
    """A row for each place to start again: block, line, angles there, the touches up to the next one.

    Parameters
    ----------
    steps : sequence of Step
    text : str
        Of the program.
    kinematics : Kinematics
    """
    blocks = parse(Source(text))
    rows = [row for row, step in enumerate(steps) if _words(step)[:2] == ["PROBEKIT", "RESTART"]]
    found = []
    for row, following in zip(rows, [*rows, len(steps)][1:], strict=True):
        line = steps[row].line
        block = next((b for b in blocks[line:] if b.words), None)
        named = f"N{block.number}" if block is not None and block.number is not None else "no number"
        part = steps[row:following]
        touches = [s.detail.touch for s in part if s.kind == "record" and isinstance(s.detail, Recorded)]
        turned = next((s.angles_end for s in part if s.kind == "probe"), steps[row].angles_end)
        angles = " ".join(f"{a}{value:g}" for a, value in zip(kinematics.letters, turned, strict=True))
        listed = f"{len(touches)}: first {touches[0]}, last {touches[-1]}" if len(touches) > 1 else ""
        listed = listed or (f"1: {touches[0]}" if touches else "none")
        found.append((named, str(line if block is None else block.line), angles, listed))
    return found


def confirmations(steps: Sequence[Step]) -> list[str]:
    """What the program compares before it goes on, one sentence each.

    Parameters
    ----------
    steps : sequence of Step
    """
    found = []
    for step in steps:
        words = _words(step)
        if words[:2] == ["PROBEKIT", "CONFIRM"] and len(words) == 5:
            found.append(
                f"Line {step.line}: touch {words[2]} must deviate by no more than {words[4]} mm, or the program stops: "
                "wrong probe, stylus, battery, length offset, work offset, or part."
            )
        elif words[:2] == ["PROBEKIT", "AGREE"] and len(words) == 6:
            found.append(
                f"Line {step.line}: touches {words[2]} and {words[3]} are of one place in two poses; they must agree "
                f"within {words[5]} mm, or the program stops: the rotary axes are not where the kinematics has them."
            )
    return found


def unproved_poses(steps: Sequence[Step]) -> int:
    """In how many poses a program touches without proving the rotary set-up; 0 where it does, or needs not.

    Parameters
    ----------
    steps : sequence of Step
    """
    poses = {step.angles_end for step in steps if step.kind == "probe"}
    proved = any(_words(step)[:2] == ["PROBEKIT", "AGREE"] for step in steps)
    return 0 if proved or len(poses) < 2 else len(poses)


def manner(steps: Sequence[Step]) -> list[str]:
    """How the probe moves, in sentences: touches, first touches, the last move before each.

    Parameters
    ----------
    steps : sequence of Step
    """
    fast = first_touches(steps)
    moves = [(row, step) for row, step in enumerate(steps) if step.kind in MOVES]
    slow = sorted({s.feed for row, s in moves if s.kind == "probe" and row not in fast and s.feed})
    first = sorted({steps[row].feed for row in fast if steps[row].feed})
    before = before_touches(steps)
    near = sorted({step.feed for step in before if step.feed})

    def told(feeds: Sequence[float]) -> str:
        return " and ".join(f"{feed:g}" for feed in feeds)

    lines = [f"Touches are made at {told(slow)} mm/min: the feed that the probe was qualified with."] if slow else []
    if first:
        lines.append(
            f"A first, fast touch at {told(first)} mm/min finds the surface; the ball backs off from where it "
            "triggered, and the touch that counts follows."
        )
    if near:
        lines.append(f"The last move before each touch is made at {told(near)} mm/min.")
    if before:
        watched = all(step.state.motion == WATCHED for step in before)
        lines.append(_WATCHED if watched else _UNWATCHED)
    return lines


def _words(step: Step) -> list[str]:
    return str(step.detail).upper().split() if step.kind == "message" else []
