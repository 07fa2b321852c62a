"""Which components a balanced design can separate, and in words which it cannot."""

from dataclasses import dataclass

import numpy as np

from spc.gauge.arrays import FloatArray
from spc.gauge.layout import Counts
from spc.gauge.squares import TERMS, expected

#: How each component is called in a sentence.
SPOKEN = {
    "hit": "hit to hit",
    "reprobe": "re-probing",
    "setup": "re-alignment",
    "operator_piece": "operator by piece",
    "operator": "operator",
    "piece": "piece to piece",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """A component that the design cannot tell from another one.

    Parameters
    ----------
    name
        The component without an estimate of its own.
    into
        The component whose estimate holds it too; empty where the study does not see it at all.
    reason
        Why, in a sentence.
    """

    name: str
    into: str
    reason: str


def merged_terms(counts: Counts) -> tuple[Merged, ...]:
    """Return what the counts of a balanced study leave together.

    Two components are one to the data where their columns of the expected mean squares are equal
    in every row that has degrees of freedom; a column of zeros is not seen at all.
    """
    size = (counts.pieces, counts.operators, counts.setups, counts.hits)
    seen = expected(*size)[counts.dof() > 0]
    found = []
    for i, name in enumerate(TERMS):
        into = _twin(seen, i)
        if into != name:
            found.append(Merged(name=name, into=into, reason=_reason(name, into, counts)))
    return tuple(found)


def _twin(seen: FloatArray, i: int) -> str:
    """Return the outermost component with the same column, or nothing for a column of zeros."""
    column = seen[:, i]
    if not column.any():
        return ""
    same = [k for k in range(len(TERMS)) if np.array_equal(seen[:, k], column)]
    return TERMS[same[-1]]


def _reason(name: str, into: str, counts: Counts) -> str:
    why = _why(name, counts)
    if not into:
        return f"{why}: variation '{SPOKEN[name]}' is not seen by this study"
    return f"{why}: variation '{SPOKEN[name]}' is inside '{SPOKEN[into]}'"


def _why(name: str, counts: Counts) -> str:
    single = {
        "hit": "one hit a set-up",
        "setup": "one set-up for each piece and operator",
        "operator": "one operator",
        "piece": "one piece",
    }
    if name == "operator_piece":
        return single["operator"] if counts.operators == 1 else single["piece"]
    return single[name]
