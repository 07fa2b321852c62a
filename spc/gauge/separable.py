"""Which sources of variation a set of rows can tell apart, from their incidence alone.

A variance component can be estimated where its matrix Z Z' (centred) is no combination of those of
the others. Factors are looked at from the outermost inwards, so that a source which cannot be told
from a wider one is said to be inside it.

References
----------
.. [1] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, Wiley 1992, chapter 11
   (estimability by quadratic forms).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.errors import DataError
from spc.gauge.arrays import FloatArray, IntArray, codes
from spc.gauge.separation import SPOKEN, Merged

#: What one row alone brings; every study has it.
HIT = "hit"
#: A squared length below this share of its own is no direction of its own.
_NOTHING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Separable:
    """What a study's rows can tell apart.

    Parameters
    ----------
    kept
        Sources with an estimate of their own, outermost first; the residual last.
    residual
        Name of the source that each row brings anew: ``hit``, or the innermost factor where each
        of its levels has one row.
    merged
        Sources without an estimate of their own, where they went, and why.
    levels
        Number of levels of each kept factor, the residual's being the rows.
    """

    kept: tuple[str, ...]
    residual: str
    merged: tuple[Merged, ...]
    levels: Mapping[str, int]


def nested(inner: ArrayLike, *outer: ArrayLike) -> IntArray:
    """Return codes of a factor that is nested in others: unique over all of them, from 0.

    Parameters
    ----------
    inner, outer
        Whole-number codes, shape (rows,).
    """
    rows = np.asarray(inner).size
    table = np.stack([codes(f, rows, name="factor") for f in (*outer, inner)], axis=1)
    return np.unique(table, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int64)


def separable(factors: Mapping[str, ArrayLike]) -> Separable:
    """Return which of the factors' variances the rows can tell apart.

    Parameters
    ----------
    factors
        Codes of each factor (rows,), outermost first (for example piece, operator, operator_piece,
        day, station, setup, reprobe). A nested factor's codes must be unique over what it is nested
        in; see `nested`. The residual ``hit`` is always there and need not be given.

    Returns
    -------
    Separable

    Raises
    ------
    DataError
        Where there is no factor, or its codes do not fit.
    """
    table = numbered(factors)
    rows = next(iter(table.values())).size
    single = [name for name, code in table.items() if code.max() + 1 == rows]
    residual = single[0] if single else HIT
    merged = [_same(name, residual, "each of its levels has one row") for name in single[1:]]
    if single:
        merged.append(_same(HIT, residual, "one row for each level"))
    kept, more = _independent({k: c for k, c in table.items() if k not in single}, residual, rows)
    sizes = {name: int(table[name].max()) + 1 for name in kept}
    return Separable(
        kept=(*kept, residual),
        residual=residual,
        merged=(*merged, *more),
        levels={**sizes, residual: rows},
    )


def numbered(factors: Mapping[str, ArrayLike]) -> dict[str, IntArray]:
    """Return each factor's levels numbered from 0 after checking that they belong together."""
    if not factors:
        raise DataError("a study needs at least one factor besides its hits")
    if HIT in factors:
        raise DataError("'hit' is what each row brings and is not given as a factor")
    rows = np.asarray(next(iter(factors.values()))).size
    if rows < 2:
        raise DataError(f"a study needs at least 2 rows, not {rows}")
    return {name: codes(factor, rows, name=name) for name, factor in factors.items()}


def _independent(
    table: Mapping[str, IntArray], residual: str, rows: int
) -> tuple[list[str], list[Merged]]:
    names = [residual, *table]
    gram = _gram([np.arange(rows), *table.values()])
    kept, merged = [0], list[Merged]()
    for i in range(1, len(names)):
        inside = gram[np.ix_(kept, kept)]
        share = np.linalg.solve(inside, gram[kept, i])
        left = gram[i, i] - share @ gram[kept, i]
        if gram[i, i] <= _NOTHING * rows:
            merged.append(_unseen(names[i]))
        elif left <= _NOTHING * gram[i, i]:
            into = [names[k] for k, s in zip(kept, share, strict=True) if abs(s) > 1e-6]
            merged.append(_same(names[i], " and ".join(into), "the rows do not tell them apart"))
        else:
            kept.append(i)
    return [names[k] for k in kept[1:]], merged


def _gram(factors: list[IntArray]) -> FloatArray:
    """Return tr(M V_k M V_l) of centred V = Z Z' of each pair, from contingency counts."""
    rows = factors[0].size
    sizes = [np.bincount(f) for f in factors]
    of_row = [size[f].astype(np.float64) for size, f in zip(sizes, factors, strict=True)]
    total = [float(np.square(size, dtype=np.float64).sum()) for size in sizes]
    gram = np.empty((len(factors), len(factors)))
    for k, a in enumerate(factors):
        for m, b in enumerate(factors[: k + 1]):
            pair = np.unique(a * (b.max() + 1) + b, return_counts=True)[1]
            both = float(np.square(pair, dtype=np.float64).sum())
            gram[k, m] = both - 2.0 * of_row[k] @ of_row[m] / rows + total[k] * total[m] / rows**2
            gram[m, k] = gram[k, m]
    return gram


def _same(name: str, into: str, why: str) -> Merged:
    told = " and ".join(f"'{SPOKEN.get(i, i)}'" for i in into.split(" and "))
    reason = f"variation '{SPOKEN.get(name, name)}' is inside {told}: {why}"
    return Merged(name=name, into=into, reason=reason)


def _unseen(name: str) -> Merged:
    said = SPOKEN.get(name, name)
    return Merged(
        name=name, into="", reason=f"variation '{said}' is not seen by this study: one level only"
    )
