"""What should be said beside charts: what weakens their limits, and what they leave out."""

import numpy as np
import pandas as pd
from scipy.special import ndtr

from spc.capability.batches import batch_components
from spc.charts.estimated import estimated_limits
from spc.studies.history import History
from spc.studies.lines import FEWEST, Lines
from spc.studies.moments import BATCH, ChartRows

#: From so many baseline values limits are no longer provisional (ISO 7870-2 asks 20 to 25).
SETTLED = 25
#: Below so many baseline values of its own a centre is worth a word.
FEW_FOR_A_CENTRE = 4
#: More charts than this are not all named in a note.
NAMED = 6
#: Share of the spread between batches from which a chart of single pieces is warned of.
ALIKE = 0.15


def notes_of(lines: Lines, rows: ChartRows, *, budgeted: bool) -> tuple[str, ...]:
    """Return for each series why it has no limits, or what weakens them.

    Parameters
    ----------
    lines
        The limits.
    rows
        What is charted.
    budgeted
        True where limits are as wide as a budget of false alarms asks.
    """
    what, moulds = "batches" if rows.by == BATCH else "pieces", set(rows.moulds)
    notes = []
    for column, frozen in enumerate(lines.frozen_moulds):
        n, sigma = int(lines.n[:, column].max()), float(lines.baseline_sigma[column])
        if frozen:
            notes.append(_frozen_note(lines.frozen_sizes[column], what, frozen, moulds))
        elif budgeted and n >= FEWEST and sigma > 0:
            notes.append(_budget_note(n, what, bool(np.isfinite(lines.width[:, column]).any())))
        else:
            notes.append(_note(n, sigma, what))
    return tuple(notes)


def _budget_note(n: int, what: str, limited: bool) -> str:
    if not limited:
        return f"no limits: too few of the {n} baseline {what} follow one of the same mould"
    return f"limits from {n} {what}, widened for it" if n < SETTLED else ""


def _frozen_note(
    sizes: tuple[int, ...], what: str, frozen: tuple[str, ...], moulds: set[str]
) -> str:
    if not sizes:
        return "no limits: no frozen ones are in force"
    n = " or ".join(str(size) for size in sizes)
    few = ", provisional" if sizes[0] < SETTLED else ""
    others = sorted(moulds - set(frozen))
    if not others:
        return f"frozen limits from {n} {what}{few}"
    named, rest = (" and ".join(m or "unknown" for m in some) for some in (frozen, others))
    return f"frozen limits from {n} {what} for mould {named}{few}; for {rest} from the baseline"


def _note(n: int, sigma: float, what: str) -> str:
    if n < FEWEST:
        one = {"batches": "batch", "pieces": "piece"}[what] if n == 1 else what
        return f"no limits: {n} baseline {one}, {FEWEST} are needed"
    if not sigma > 0:
        return "no limits: the baseline does not vary"
    if n < SETTLED:
        cost = estimated_limits(n)
        return (
            f"provisional: limits from {n} {what}: expect a value beyond them by chance about "
            f"every {1 / cost.mean_rate:.0f}, in one shop in ten every {cost.short_gap:.0f}, where "
            "settled limits have one in 370"
        )
    return ""


def alike_in_batches(rows: ChartRows, runs: pd.DataFrame) -> str:
    """Return a warning where pieces of a batch are alike and the chart is one of pieces."""
    share = share_between_batches(rows, runs)
    if not share > ALIKE:
        return ""
    return (
        f"pieces of a batch are alike ({share:.0%} of the spread lies between "
        "batches), so limits from neighbouring pieces are too narrow: expect many false alarms, "
        "and chart by batch instead"
    )


def share_between_batches(rows: ChartRows, runs: pd.DataFrame) -> float:
    """Return which share of the spread of pieces lies between batches; NaN where none can be told.

    The median over series, on the baseline of a chart of pieces.
    """
    if rows.by == BATCH or not runs["batch"].duplicated().any():
        return np.nan
    batch = dict(zip(runs["serial"].astype(str), runs["batch"].astype(str), strict=True))
    base = np.flatnonzero(rows.baseline)
    labels = [f"{rows.moulds[k]} {batch[rows.labels[k]]}" for k in base]
    if len(set(labels)) < 2:
        return np.nan
    share = batch_components(rows.values[base], labels).share
    share = share[np.isfinite(share)]
    return float(np.median(share)) if share.size else np.nan


def _weak_centres(rows: ChartRows) -> list[str]:
    """Return which moulds or cavities have a centre of few values, and what that costs.

    A centre of n values strays by sigma over the root of n, and a steady value from it by as much
    more: beyond three sigma it then lies more often than limits promise.
    """
    moulds = np.array(rows.moulds, dtype=object)
    own = {m: int(rows.baseline[moulds == m].sum()) for m in sorted(set(rows.moulds))}
    weak = {m: n for m, n in own.items() if 0 < n < FEW_FOR_A_CENTRE}
    what = "batch" if rows.by == BATCH else "piece"
    said = []
    for n in sorted(set(weak.values())):
        named = [m or "unknown" for m, own_n in weak.items() if own_n == n]
        listed = ", ".join(named[:NAMED]) + (" and more" if len(named) > NAMED else "")
        rate = 2 * ndtr(-3 / np.sqrt(1 + 1 / n))
        many = what if n == 1 else {"batch": "batches", "piece": "pieces"}[what]
        said.append(
            f"the centre of {listed} is that of {n} baseline {many}: of steady values about "
            f"{100 * rate:.1f} in 100 lie beyond its limits, where 0.3 are promised"
        )
    return said


def remarks_of(past: History, rows: ChartRows) -> tuple[str, ...]:
    """Return what should be said of all the charts: how moulds are kept apart, what is left out."""
    alike = alike_in_batches(rows, past.runs)
    said = [alike] if alike else []
    moulds = sorted(set(rows.moulds))
    if len(moulds) > 1:
        named = ", ".join(m or "unknown" for m in moulds[:NAMED])
        more = f" and {len(moulds) - NAMED} more" if len(moulds) > NAMED else ""
        what = "moulds " if rows.moulds == rows.tools else ""
        said.append(
            f"{what}{named}{more} are charted apart, each about its own centre; the spread is "
            "common, from moving ranges within each mould"
        )
        said += _weak_centres(rows)
    for number, words in (
        (past.superseded, "of pieces measured again later"),
        (past.unaligned, "that could not be aligned"),
        (past.undated, "without a time to stand at"),
    ):
        if number:
            runs = "run" if number == 1 else "runs"
            said.append(f"left out: {number} {runs} {words}")
    return tuple(said)
