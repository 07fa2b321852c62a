"""Whether moulds, or the cavities of one, could share a chart: what the baseline says."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.equality import equal_spread
from spc.charts.offsets import FEWEST, Offsets, group_offsets
from spc.studies.arrays import Array
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.series import SeriesSet
from spc.units import MILLIMETRES, spoken_length

MOULDS, CAVITIES = "moulds", "cavities"
APART, TOGETHER, STANDARDISED = "apart", "together", "standardised"
#: Level of each of the two tests, over all series and groups together (Bonferroni).
LEVEL = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """How far one mould or cavity lies from the others at a series.

    Parameters
    ----------
    series, name
        The series, and the mould or cavity.
    offset, low, high
        Its level less that of the others, with a 95 % interval, in the charted scale: mm, or the
        series' own unit.
    unit
        Unit to say it in; empty where the charted scale is no scale for people.
    """

    series: str
    name: str
    offset: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Moulds, or the cavities of a mould, compared over the baseline.

    Parameters
    ----------
    of
        ``moulds`` or ``cavities``.
    mould
        The mould of the cavities; empty where moulds are compared.
    names
        Those compared.
    batches
        Baseline batches of each.
    series
        How many series were looked at (fit points apart).
    level
        Where they differ in level, the largest difference of each series, the surest first.
    spread
        Series at which they differ in spread.
    unseen
        Half the width of the interval of a typical difference, mm or the series' own unit: less
        could not be seen; NaN where nothing could be compared.
    unit
        Unit to say it in; empty where the series have several.
    few
        Those with too few batches to be compared.
    charted
        ``apart``, ``together`` or ``standardised``.
    words
        What follows, in words.
    """

    of: str
    mould: str
    names: tuple[str, ...]
    batches: tuple[int, ...]
    series: int
    level: tuple[Difference, ...]
    spread: tuple[str, ...]
    unseen: float
    unit: str
    few: tuple[str, ...]
    charted: str
    words: str

    @property
    def differ(self) -> bool:
        """Whether the baseline tells them apart."""
        return bool(self.level or self.spread)


def compared(
    runs: pd.DataFrame, groups: npt.NDArray[np.object_], values: Array,
    inside: npt.NDArray[np.bool_], series: SeriesSet, mould: str | None, unit: str,
) -> Comparison:  # fmt: skip
    """Compare groups of runs in level and in spread, by batch means of the baseline.

    Cavities are compared within the batches that they share; moulds have batches of their own.

    Parameters
    ----------
    runs
        The runs, in the order of time.
    groups
        (runs,), mould or cavity; those without a name are left out.
    values
        (runs, series), in the charted scale.
    inside
        (runs,), the baseline.
    series
        What the columns are.
    mould
        The mould of the cavities; None where moulds are compared.
    unit
        Unit to say lengths in.
    """
    known = np.asarray(groups != "")
    names = tuple(sorted(set(groups[known])))
    named = runs[known].assign(mould=groups[known]).reset_index(drop=True)
    columns = np.flatnonzero(~series.fit_point)
    rows = chart_rows(named, values[known][:, columns], inside[known], BATCH)
    x = rows.values[rows.baseline]
    group = np.array([names.index(rows.moulds[k]) for k in np.flatnonzero(rows.baseline)], int)
    batches = np.bincount(group, minlength=len(names))
    few = tuple(n for n, size in zip(names, batches, strict=True) if size < FEWEST)
    level: tuple[Difference, ...] = ()
    spread: tuple[str, ...] = ()
    unseen = np.nan
    if len(names) - len(few) > 1:
        found = group_offsets(x, group, _batch(rows, group, mould is None))
        kept = [series.names[k] for k in columns]
        level = _levels(found, kept, names, [_unit(series, int(k), unit) for k in columns])
        within = _log_spreads(named, values[known][:, columns], inside[known])
        spread = _spreads(x, within, group, _batch(rows, group, mould is None), kept)
        unseen = _unseen(found, ~series.skewed[columns])
    units = {_unit(series, int(k), unit) for k in columns if not series.skewed[k]}
    return Comparison(
        of=MOULDS if mould is None else CAVITIES, mould=mould or "", names=names,
        batches=tuple(int(n) for n in batches), series=len(columns), level=level, spread=spread,
        unseen=unseen, unit=units.pop() if len(units) == 1 else "", few=few, charted="", words="",
    )  # fmt: skip


def _unit(series: SeriesSet, column: int, unit: str) -> str:
    """Return what a series is said in; nothing where it is charted as a power of itself."""
    if series.skewed[column]:
        return ""
    return (series.units[column] if series.units else "") or unit


def _batch(rows: ChartRows, group: npt.NDArray[np.int64], own: bool) -> npt.NDArray[np.int64]:
    """Return the number of each row's batch; with ``own``, one that no other group shares."""
    labels = [rows.labels[k] for k in np.flatnonzero(rows.baseline)]
    keys = [f"{g}\0{name}" for g, name in zip(group, labels, strict=True)] if own else labels
    return np.asarray(pd.factorize(pd.Series(keys, dtype=object))[0], dtype=np.int64)


def _levels(
    found: Offsets, series: list[str], names: tuple[str, ...], units: list[str]
) -> tuple[Difference, ...]:  # fmt: skip
    p = np.where(np.isfinite(found.p), found.p, np.inf)
    # Of two groups the one lies as far above as the other lies below: that is one test.
    tests = max(1, int(np.isfinite(found.p).sum()) // (2 if len(names) == 2 else 1))
    surest = p.min(axis=0, initial=np.inf)
    at = [k for k in np.argsort(surest, kind="stable") if surest[k] * tests < LEVEL]
    return tuple(
        Difference(series=series[k], name=names[g], offset=float(found.offset[g, k]),
                   low=float(found.low[g, k]), high=float(found.high[g, k]), unit=units[k])
        for k in at
        for g in [int(p[:, k].argmin())]
    )  # fmt: skip


def _spreads(
    x: Array, within: Array, group: npt.NDArray[np.int64], batch: npt.NDArray[np.int64],
    series: list[str],
) -> tuple[str, ...]:  # fmt: skip
    """Return where spread differs, between batches or within them."""
    inner = group_offsets(within, group, batch).p
    inner = np.where(np.isfinite(inner), inner, np.inf).min(axis=0)
    groups = int(group.max()) + 1
    p = np.stack([equal_spread(x, group).p, inner * (1 if groups == 2 else groups)])
    tests = max(1, int(np.isfinite(p).sum()))
    p = np.where(np.isfinite(p), p, np.inf).min(axis=0)
    return tuple(name for name, one in zip(series, p, strict=True) if one * tests < LEVEL)


def _log_spreads(runs: pd.DataFrame, values: Array, inside: npt.NDArray[np.bool_]) -> Array:
    """Return the logarithm of the spread within each baseline batch, NaN below two pieces.

    Less what a batch of so many normal values lacks on average, so that batches may be unequal.
    """
    from scipy.special import digamma

    there = np.isfinite(values)
    off = values - np.where(there, values, 0.0).sum(axis=0) / np.maximum(there.sum(axis=0), 1)
    mean, square, share = (
        chart_rows(runs, x, inside, BATCH) for x in (off, off**2, there.astype(np.float64))
    )
    n = (share.values * share.pieces[:, None])[share.baseline]
    spare = np.maximum(square.values - mean.values**2, 0.0)[share.baseline]
    df = np.maximum(n - 1, 1)
    with np.errstate(divide="ignore"):  # pieces all alike: no logarithm
        logs = 0.5 * (np.log(spare * n / df) - digamma(df / 2) + np.log(df / 2))
    return np.where((n > 1) & np.isfinite(logs), logs, np.nan)


def _unseen(found: Offsets, plain: npt.NDArray[np.bool_]) -> float:
    half = ((found.high - found.low) / 2)[:, plain]
    there = half[np.isfinite(half)]
    return float(np.median(there)) if there.size else np.nan


def words_of(one: Comparison, charted: str, frozen: bool) -> str:
    """Return what the comparison says of the way in which they are charted."""
    named = _named(one)
    option = f"--{one.of}"
    kept = "; so they were frozen" if frozen else ""
    if charted == STANDARDISED:
        head = (
            f"{named} share one chart: each piece as its distance from its own centre, in its own "
            "standard deviations"
        )
        tail = _finding(one, "they", "plain values would do too", "in plain values they could not")
        return f"{head}; {tail}{kept}"
    if charted == APART:
        could = f"they could share a chart with {option} together"
        should = f"they belong apart, or on one chart with {option} standardised"
    else:
        could = "they share a chart"
        should = (
            "a chart of them together shows the mix as well as the process; use "
            f"{option} apart or {option} standardised"
        )
    return _finding(one, named, could, should) + kept


def _finding(one: Comparison, named: str, could: str, should: str) -> str:
    if one.differ:
        most = f" ({_most(one)})" if one.level else ""
        return (
            f"{named} differ in level at {len(one.level) or 'none'} of {one.series} series{most}, "
            f"in spread at {len(one.spread) or 'none'}: {should}"
        )
    if len(one.names) - len(one.few) < 2 or np.isnan(one.unseen):
        sizes = dict(zip(one.names, one.batches, strict=True))
        lacking = ", ".join(f"{_noun(one)} {n} has {sizes[n]}" for n in one.few) or "no spread"
        return (
            f"whether {named} could share a chart cannot be said: {lacking} baseline batches, "
            f"{FEWEST} are needed"
        )
    left = f", {in_words(one.few)} too short to be compared" if one.few else ""
    them = "them" if named == "they" else named
    return (
        f"nothing in the baseline tells {them} apart ({_sizes(one)} batches{left}"
        f"{unseen_words(one)}): {could}"
    )


def unseen_words(one: Comparison) -> str:
    """Return how small a difference would go unseen, to go on with a sentence in brackets."""
    if not one.unit:
        return ""
    return f"; a difference in level below some {_said(one.unseen, one.unit)} would not be seen"


def _said(value: float, unit: str) -> str:
    return spoken_length(value, unit) if unit in MILLIMETRES else f"{value:.2f} {unit}"


def _noun(one: Comparison) -> str:
    return "mould" if one.of == MOULDS else "cavity"


def _named(one: Comparison) -> str:
    listed = in_words(one.names)
    of = f" of mould {one.mould or 'unknown'}" if one.of == CAVITIES else ""
    return f"{one.of} {listed}{of}"


def in_words(names: Sequence[str]) -> str:
    """Return names for a sentence: 'K1', 'K1 and K2', 'K1, K2 and K3'."""
    return " and ".join([", ".join(names[:-1]), *names[-1:]] if len(names) > 1 else names)


def _sizes(one: Comparison) -> str:
    return in_words([str(n) for n in one.batches])


def _most(one: Comparison) -> str:
    top = one.level[0]
    side = "above" if top.offset > 0 else "below"
    low, high = sorted((abs(top.low), abs(top.high)))
    others = "the other" if len(one.names) == 2 else "the others"
    where = f"most surely at {top.series}: {_noun(one)} {top.name} lies"
    if not top.unit:
        return f"{where} {side} {others}"
    ends = f"{_said(low, top.unit).split()[0]} to {_said(high, top.unit).split()[0]}"
    return f"{where} {_said(abs(top.offset), top.unit)} {side} {others}, {ends}"
