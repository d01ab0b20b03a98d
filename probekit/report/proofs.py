"""What proves values that touches place, on the page: in words, and as numbers that the browser adds up itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from ..tolerance.proving import proof_of, proof_of_alignment, proofs_of

if TYPE_CHECKING:
    from ..fit.alignment import Alignment
    from ..tolerance import Evaluation
    from ..tolerance.envelopes import Envelope
    from ..tolerance.proving import Proof
    from ..verdict.results import Verdict

__all__ = ["alignment_line", "lines", "proof_data"]

_AT_MOST = 2000  # touches a proof, those furthest out
_DIGITS = 8  # of a length [mm]


def lines(evaluation: Evaluation, verdict: Verdict) -> str:
    """Return one paragraph for each proof of an evaluation; the browser writes into it what it has added up."""
    return "".join(_line(proof) for proof, _ in _proofs(evaluation, verdict))


def alignment_line(alignment: Alignment, verdict: Verdict) -> str:
    """Return the same for a placement by minimax; nothing for others."""
    proof = proof_of_alignment(alignment, verdict.table)
    return "" if proof is None else _line(proof)


def proof_data(verdict: Verdict, alignment: Alignment | None = None) -> list[dict[str, Any]]:
    """Numbers of all proofs in the order in which the page shows them: those of the cards, then the alignment.

    Each has `rows` of the touches in contact and their `weight`. An envelope has the `points` of its touches [mm] and
    what it is, so that nothing but the weights has to be believed; another has `slope`, signed, for those in contact,
    and for each touch its `level` [mm], of which the largest is `value`: half the actual value of a zone, whose
    `times` is 2.
    """
    told = [data for one in verdict.evaluations for _, data in _proofs(one, verdict)]
    proof = None if alignment is None else proof_of_alignment(alignment, verdict.table)
    if alignment is not None and proof is not None:
        told.append(_placed(proof, np.abs(alignment.residuals) * np.sqrt(alignment.weights), alignment.objective, 1))
    return told


def _proofs(evaluation: Evaluation, verdict: Verdict) -> Iterator[tuple[Proof, Mapping[str, Any]]]:
    proof = proof_of(evaluation, verdict.table)
    if proof is not None:
        share = 1.0 if evaluation.touch_limits is None else evaluation.width / (evaluation.uppers - evaluation.lowers)
        off = np.abs(share * (evaluation.deviations - evaluation.middles))
        yield proof, _placed(proof, off, 0.5 * evaluation.actual, 2)
    for one, held in proofs_of(evaluation):
        yield held, _enveloped(held, one)


def _line(proof: Proof) -> str:
    said = proof.claim
    return f'<p class="small proof">{escape(said[:1].upper() + said[1:])}. <span class="js-only"></span></p>'


def _placed(proof: Proof, level: np.ndarray, value: float, times: int) -> dict[str, Any]:
    kept, rows = _furthest(level, proof.rows)
    slope = np.array(proof.side)[:, None] * proof.slope
    return {
        "rows": rows,
        "weight": list(proof.multiplier),
        "slope": slope.round(12).tolist(),
        "level": level[kept].round(_DIGITS).tolist(),
        "value": round(value, _DIGITS),
        "times": times,
    }


def _enveloped(proof: Proof, one: Envelope) -> dict[str, Any]:
    reach = one.reach()[0]
    kept, rows = _furthest(reach if one.circumscribed else -reach, proof.rows)
    known, kind = one.element.parameters, one.element.kind
    return {
        "rows": rows,
        "weight": list(proof.multiplier),
        "points": one.points[kept].round(_DIGITS).tolist(),
        "kind": kind,
        "at": np.asarray(known["centre" if kind == "sphere" else "point"]).tolist(),
        "direction": None if kind == "sphere" else np.asarray(known["direction"]).tolist(),
        "radius": 0.5 * one.size + one.ball,
        "ball": one.ball,
        "outside": one.circumscribed,
        "turns": one.turns,
    }


def _furthest(level: np.ndarray, rows: tuple[int, ...]) -> tuple[np.ndarray, list[int]]:
    """Touches that are told, those in contact among them, and where the latter are in the list."""
    kept = np.unique(np.concatenate([np.argsort(-level, kind="stable")[:_AT_MOST], rows])).astype(int)
    return kept, np.searchsorted(kept, rows).tolist()
