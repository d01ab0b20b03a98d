"""How a study decides: its rule, and what keeps a part undecided or does not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from .. import plausibility, verdict
from ..errors import InputError

__all__ = ["accepted_flags", "decision_of", "looks_of"]


def decision_of(settings: dict[str, Any], path: Path, *, told: bool) -> tuple[float, verdict.rules.Rule]:
    """Standard uncertainty of a touch that has none of its own, and the rule; `told`: a column or a budget has more."""
    uncertainty, decision = settings.get("uncertainty", {}), settings.get("decision", {})
    u, k = uncertainty.get("u", 0.0), uncertainty.get("k", 2.0)
    kind = decision.get("rule", "proved" if u or told else "simple")
    rules = {
        "proved": lambda: verdict.proved(decision.get("level", 0.95), decision.get("looks", 1)),
        "guarded": lambda: verdict.guarded(r=decision.get("r", 1.0), k=k),
        "simple": verdict.simple,
    }
    if kind not in rules:
        raise InputError(
            "unknown decision rule", file=path, column="decision.rule", found=kind, expected=" or ".join(rules)
        )
    if kind != "simple" and "u" not in uncertainty and not told:
        raise InputError(
            f"the rule {kind} needs the uncertainty of the touches",
            file=path,
            column="uncertainty.u",
            expected="standard uncertainty in mm, or a table [budget]",
        )
    return u, rules[kind]()


def accepted_flags(settings: dict[str, Any], findings: tuple[plausibility.finding.Finding, ...]) -> list[str]:
    """Flags that leave no touch undecided: those that the study names, and "far" where it accepts that finding."""
    named = settings.get("decision", {}).get("accept_flags", [])
    far = any(one.accepted and one.name == "far from model" for one in findings)
    return [*([named] if isinstance(named, str) else named), *(["far"] if far else [])]


def looks_of(findings: tuple[plausibility.finding.Finding, ...]) -> list[str]:
    """What keeps the part undecided at best: findings that want a look, in a sentence each."""
    return [one.sentence for one in findings if one.level == "look"]
