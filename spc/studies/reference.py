"""What is usual for a mould: the runs that a new one is compared with."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.alignment.modes import ResidualModes, mode_scores
from spc.studies.arrays import Array
from spc.studies.history import History

#: Batches that say what is usual, as on the charts: the first ones of the history.
FIRST_BATCHES = 12
#: Fewest runs that say what is usual: five for each of three modes (common practice, no published
#: source, asks for more; the limits below widen as they must).
FEWEST = 15


#: A piece is compared with so many of its mould measured before it, and with no fewer than that.
NEIGHBOURS, FEWEST_NEIGHBOURS = 8, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbours:
    """How a run compares with the pieces measured before it.

    Parameters
    ----------
    n
        Pieces.
    off
        How far its check points lie from their mean, root mean square of standard deviations.
    p
        Chance of modes so far from theirs.
    """

    n: int
    off: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """Usual runs of one mould; arrays over the plan's points in mm.

    Parameters
    ----------
    words
        Which runs they are.
    n
        How many.
    mean, sd
        (points,), usual deviation and its standard deviation from piece to piece.
    scores
        (n, modes), their mode scores.
    noise
        Standard deviation of a weight-one reading about the mould's own form, from the scores.
    noise_dof
        Its degrees of freedom.
    off
        (n,), how far each run's check points lie from the mean, root mean square of standard
        deviations.
    """

    words: str
    n: int
    mean: Array
    sd: Array
    scores: Array
    noise: float
    noise_dof: int
    off: Array


def reference(
    past: History, modes: ResidualModes, mould: str, without: str
) -> tuple[Reference | None, str]:
    """Return what is usual for a mould, or None and why.

    Parameters
    ----------
    past
        Production history of the part.
    modes
        Modes of its plan.
    mould
        The mould.
    without
        Identity of the run to be judged, which says nothing about what is usual; and of its piece.
    """
    mine = np.asarray(
        (past.runs["mould"] == mould)
        & (past.runs["run_id"] != without)
        & (past.runs["omitted"] == "")
    )
    labels = (
        past.runs["batch"]
        .astype(object)
        .where(past.runs["batch"] != "", past.runs["measured_at"].dt.date)
    )
    early = pd.factorize(labels)[0] < FIRST_BATCHES
    for keep, words in ((mine & early, f"of the first {FIRST_BATCHES} batches"), (mine, "so far")):
        found = _complete(past, keep)
        if found.sum() >= FEWEST:
            name = f"mould {mould}" if mould else "no known mould"
            return _of(past.where(found), modes, f"{int(found.sum())} pieces of {name} {words}"), ""
    number = int(_complete(past, mine).sum())
    return None, f"{number} other pieces of this mould; {FEWEST} are needed to say what is usual"


def _complete(past: History, keep: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    whole = np.isfinite(past.deviations[:, past.geometry.is_fit]).all(axis=1)
    return np.asarray(keep & whole)


def _of(past: History, modes: ResidualModes, words: str) -> Reference:
    d = past.deviations
    there = np.isfinite(d)
    count = there.sum(axis=0)
    mean = np.where(count > 0, np.where(there, d, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
    squares = np.where(there, (d - mean) ** 2, 0.0).sum(axis=0)
    sd = np.where(count > 1, np.sqrt(squares / np.maximum(count - 1, 1)), np.nan)
    scores = mode_scores(modes, d)
    about = scores - scores.mean(axis=0) if scores.size else scores
    dof = (len(d) - 1) * scores.shape[1]
    return Reference(
        words=words, n=len(d), mean=mean, sd=sd, scores=scores,
        noise=float(np.sqrt((about**2).sum() / dof)) if dof else np.nan, noise_dof=dof,
        off=off_usual(d, mean, sd, ~past.geometry.is_fit),
    )  # fmt: skip


def off_usual(deviations: Array, mean: Array, sd: Array, check: npt.NDArray[np.bool_]) -> Array:
    """Return how far check points lie from usual: root mean square over them, in their sd.

    Parameters
    ----------
    deviations
        (..., points), mm.
    mean, sd
        (points,), mm.
    check
        (points,), True for the points that count.
    """
    with np.errstate(divide="ignore", invalid="ignore"):  # a point that never varied says nothing
        z = (deviations - mean) / sd
    use = np.isfinite(z) & check
    total = np.where(use, z, 0.0) ** 2
    return np.asarray(np.sqrt(total.sum(axis=-1) / np.maximum(use.sum(axis=-1), 1)))


def off_limit(known: Reference, alpha: float) -> float:
    """Return how far from usual a usual piece lies with probability ``alpha``.

    The mean square over check points is a sum of correlated squares: it is taken as a multiple of
    chi-square with the mean and variance that the reference pieces show (Satterthwaite), widened
    for mean and spread that come from the same pieces.
    """
    from scipy.special import chdtri

    squares = known.off**2
    mean, variance, n = float(squares.mean()), float(squares.var(ddof=1)), known.n
    if not variance > 0:
        return float("inf")
    dof = 2.0 * mean**2 / variance
    widened = (1.0 + 1.0 / n) * (n - 1.0) / (n - 3.0)
    return float(np.sqrt(mean / dof * chdtri(dof, alpha) * widened))


def like_its_neighbours(
    past: History, modes: ResidualModes, known: Reference, row: Any, deviations: Array
) -> Neighbours | None:
    """Compare a run with the last pieces of its mould measured before it.

    The spread is that of the reference, the centre is theirs: a piece may be unusual for the mould
    and yet like its neighbours, and then it is the moulding that has moved.
    """
    before = np.asarray(
        (past.runs["mould"] == row["mould"])
        & (past.runs["piece_id"] != row["piece_id"])
        & (past.runs["measured_at"] < row["measured_at"])
    )
    at = np.flatnonzero(_complete(past, before))[-NEIGHBOURS:]
    if len(at) < FEWEST_NEIGHBOURS:
        return None
    there = np.isfinite(past.deviations[at])
    count = there.sum(axis=0)
    total = np.where(there, past.deviations[at], 0.0).sum(axis=0)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    widened = np.sqrt(1.0 + 1.0 / len(at))
    off = float(off_usual(deviations, mean, known.sd, ~past.geometry.is_fit)) / widened
    gap = mode_scores(modes, deviations[None] - np.where(past.geometry.is_fit, mean, 0.0))[0]
    about = known.scores - known.scores.mean(axis=0)
    return Neighbours(n=len(at), off=off, p=_t2(gap / widened, about, 0.0)[1])


def like_the_others(scores: Array, known: Reference) -> tuple[float, float]:
    """Return Hotelling's T² of new mode scores against the reference, and its p-value.

    For a new piece against m reference pieces, T² m(m-p) / (p(m+1)(m-1)) follows F(p, m-p)
    (Tracy, Young and Mason 1992); the large-sample chi-square would alarm several times too often.
    """
    center = known.scores.mean(axis=0)
    return _t2(scores - center, known.scores - center, 1.0 / len(known.scores))


def _t2(gap: Array, about: Array, center_share: float) -> tuple[float, float]:
    """Return gapᵀ S⁻¹ gap and its p-value; the centre's own variance is ``center_share`` of S."""
    from scipy.special import fdtrc

    m, p = about.shape
    if p == 0 or m <= p + 1 or not np.isfinite(gap).all():
        return np.nan, np.nan
    covariance = about.T @ about / (m - 1)
    t2 = float(gap @ np.linalg.pinv(covariance) @ gap)
    return t2, float(fdtrc(p, m - p, t2 * (m - p) / (p * (m - 1) * (1.0 + center_share))))
