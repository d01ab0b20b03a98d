"""The command that puts two parts side by side."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .console import say

if TYPE_CHECKING:
    from .report import Side
    from .study.model import Study

__all__ = ["add_command"]


def add_command(commands: Any) -> None:
    """Add the command to those of the command line."""
    told = commands.add_parser(
        "compare",
        help="two parts of the same model side by side, with linked cameras",
        description="Inspect two parts and write one page that shows both: views that turn together, one scale of "
        "colours, and the touches of both in one table. Parts of different models are refused. Nothing is archived.",
    )
    told.add_argument("study", type=Path, help="the study file (TOML)")
    told.add_argument(
        "other", type=Path, help="results file of the other part, or another study file of the same model"
    )
    told.add_argument("--touches", type=Path, metavar="FILE", help="results file of the first part, if not the study's")
    told.add_argument("--to", type=Path, default=Path("compare.html"), metavar="PATH", help="default: compare.html")
    told.set_defaults(run=_compare)


def _compare(options: argparse.Namespace) -> int:
    from . import study
    from .files import refuse_overwriting
    from .report import compare_page
    from .study.places import inputs_of

    first = study.load(options.study)
    if options.touches is not None:
        first = first.with_touches(options.touches)
    is_study = options.other.suffix.lower() == ".toml"
    second = study.load(options.other) if is_study else study.load(options.study).with_touches(options.other)
    for one in (first, second):
        refuse_overwriting([options.to], inputs_of(one))
    models: dict[Any, Any] = {}
    left, right = (_side(one, models) for one in (first, second))
    say(f"left: {left.verdict.part}; right: {right.verdict.part}")
    say(f"written: {compare_page(left, right, to=options.to)}")
    return 0


def _side(wanted: Study, models: dict[Any, Any]) -> Side:
    from . import study
    from .report import Side
    from .study.about import words

    found = study.run(wanted, models=models)
    told = dict(words(found.about))
    named = [f"serial {told['serial']}"] if "serial" in told else []
    named += [told["date"].replace("T", " ")] if "date" in told else []
    file = Path(str(found.measured.attrs.get("source", ""))).name
    return Side(found.scene, found.verdict, found.part.sha256, "; ".join([*named, file, found.stamp]))
