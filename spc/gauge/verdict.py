"""Three plain verdicts on a gauge, each aware of its interval, and what to improve first.

A gauge that may not sort good from bad can still watch a process drift, so one percentage cannot
answer for all uses: watching by the intraclass correlation, sorting by the share of the tolerance,
guiding an improvement by the number of categories of pieces it tells apart.

References
----------
.. [1] AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter II section D and chapter III
   (bands of 10 % and 30 %, five distinct categories). From memory: check before quoting.
.. [2] D. J. Wheeler, EMP III: Evaluating the Measurement Process and Using Imperfect Data, 2006
   (classes by intraclass correlation 0.8, 0.5, 0.2; probable error). From memory.
.. [3] ISO 14253-1:2017 (guard band of 1.65 standard uncertainties a side at 95 %). From memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import floor, isnan

from spc.gauge.band import Band
from spc.gauge.improve import Improve, improve_first
from spc.gauge.quantities import Quantities
from spc.interval import Estimate, Interval

SHOWN, NOT_SHOWN, CANNOT_TELL = "shown", "not shown", "cannot tell from this study"
#: Standard uncertainties a side that keep 95 % of passed pieces inside a limit [3].
GUARD_FACTOR = 1.645
#: Probable error over standard deviation: half of all readings err by more [2].
PROBABLE = 0.6745


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One verdict at one point.

    Parameters
    ----------
    state
        ``shown``: the whole interval is on the good side of the bound; ``not shown``: the whole
        interval is on the other side; ``cannot tell from this study``: it holds the bound, or
        there is no figure.
    figure
        The figure that it rests on, with its interval.
    bound
        What the figure is held against.
    sentence
        The verdict in words, without figures of the study.
    rule
        Where the bound comes from.
    """

    state: str
    figure: Estimate
    bound: float
    sentence: str
    rule: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the gauge is good for at one point.

    Parameters
    ----------
    watch
        Fit to watch a process drift (intraclass correlation, higher is better).
    sort
        Fit to sort pieces to the tolerance (share of tolerance, lower is better).
    guide
        Fit to guide an improvement (distinct categories, higher is better).
    watch_class
        Class of the intraclass correlation, ``first`` to ``fourth``; empty without one.
    study_band, tolerance_band
        The AIAG's band of the share of study variation and of tolerance; empty without one.
    categories
        Distinct categories cut to a whole number; None without one.
    clash
        Where the AIAG's own criteria disagree at this point, in words; empty where they agree.
    guard
        Guard band for each side of the tolerance, mm: pieces nearer to a limit are not proven.
    probable_error
        Half of all reported values err by more than this, mm; write them to between a fifth of it
        and twice it.
    first
        What to improve first.
    """

    watch: Finding
    sort: Finding
    guide: Finding
    watch_class: str
    study_band: str
    tolerance_band: str
    categories: int | None
    clash: str
    guard: Estimate
    probable_error: Estimate
    first: Improve


def judge(
    quantities: Quantities,
    *,
    rows: int = 0,
    watch_least: float = 0.5,
    tolerance_most: float = 0.3,
    categories_least: float = 5.0,
) -> tuple[Verdict, ...]:
    """Return the verdict of each point.

    Parameters
    ----------
    quantities
        Answers of a study.
    rows
        Number of rows that they stand on, passed on to the figures.
    watch_least
        Least intraclass correlation for watching drift: 0.5, the lower end of the second class
        [2]_.
    tolerance_most
        Most share of the tolerance for sorting: 0.3 [1]_.
    categories_least
        Least number of distinct categories for guiding an improvement: 5 [1]_.

    Returns
    -------
    tuple of Verdict
        One a point.
    """
    bounds = (watch_least, tolerance_most, categories_least)
    return tuple(_at(quantities, k, rows, bounds) for k in range(quantities.gauge.value.size))


def aiag_band(share: float) -> str:
    """Return the AIAG's band of a share of study variation or of tolerance [1]_."""
    if isnan(share):
        return ""
    if share < 0.1:
        return "below 10 %: generally acceptable"
    return "10 % to 30 %: may be acceptable" if share <= 0.3 else "above 30 %: not acceptable"


def watch_class(correlation: float) -> str:
    """Return the class of an intraclass correlation [2]_."""
    if isnan(correlation):
        return ""
    bounds = ((0.8, "first"), (0.5, "second"), (0.2, "third"))
    return next((name for least, name in bounds if correlation >= least), "fourth")


def _at(q: Quantities, point: int, rows: int, bounds: tuple[float, float, float]) -> Verdict:
    study, part = (b.at(point, rows) for b in (q.of_study, q.of_tolerance))
    distinct, gauge = q.distinct.at(point, rows), q.gauge.at(point, rows)
    correlation = q.correlation.at(point, rows)
    count = (
        None if isnan(distinct.value) or distinct.value == float("inf") else floor(distinct.value)
    )
    return Verdict(
        watch=_finding(correlation, bounds[0], True, _WATCH, "class bound of the correlation"),
        sort=_finding(part, bounds[1], False, _SORT, q.tolerance_rule[point] or "no tolerance"),
        guide=_finding(distinct, bounds[2], True, _GUIDE, "AIAG's number of categories"),
        watch_class=watch_class(correlation.value),
        study_band=aiag_band(study.value),
        tolerance_band=aiag_band(part.value),
        categories=count,
        clash=clash(study.value, part.value, count),
        guard=_times(gauge, GUARD_FACTOR),
        probable_error=_times(gauge, PROBABLE),
        first=improve_first(_gauge_parts(q), point, q.hits),
    )


def clash(study: float, tolerance: float, categories: int | None) -> str:
    """Return where the AIAG's criteria disagree, in words; empty where they do not."""
    said = []
    if not isnan(study) and categories is not None and (study <= 0.3) != (categories >= 5):
        side = "passes" if study <= 0.3 else "fails"
        other = "five or more" if categories >= 5 else "fewer than five"
        said.append(
            f"the share of study variation {side} 30 % while the categories are {other}: the two "
            "AIAG criteria do not meet (five categories need about 27 %)"
        )
    if not isnan(study) and not isnan(tolerance) and aiag_band(study) != aiag_band(tolerance):
        said.append(
            "share of study variation and share of tolerance fall in different AIAG bands: the "
            "first asks whether pieces can be told apart, the second whether limits can be kept"
        )
    return "; ".join(said)


_WATCH = (
    "fit to watch drift: most of what it reads comes from the pieces",
    "not fit to watch drift: most of what it reads is its own noise",
    "whether it can watch drift",
)
_SORT = (
    "fit to sort pieces to this tolerance",
    "not fit to sort pieces to this tolerance: use a guard band or improve it first",
    "whether it can sort pieces to this tolerance",
)
_GUIDE = (
    "fit to guide an improvement: it tells enough groups of pieces apart",
    "not fit to guide an improvement: it tells too few groups of pieces apart",
    "whether it can guide an improvement",
)


def _finding(
    figure: Estimate, bound: float, more_is_better: bool, words: tuple[str, str, str], rule: str
) -> Finding:
    state = _state(figure, bound, more_is_better)
    sentence = {SHOWN: words[0], NOT_SHOWN: words[1]}.get(state, "")
    if state == CANNOT_TELL:
        why = figure.note if isnan(figure.value) else "its interval reaches over the bound"
        sentence = f"this study cannot tell {words[2]}: {why}"
    return Finding(state=state, figure=figure, bound=bound, sentence=sentence, rule=rule)


def _state(figure: Estimate, bound: float, more_is_better: bool) -> str:
    if isnan(figure.value) or figure.interval is None:
        return CANNOT_TELL
    low, high = figure.interval.low, figure.interval.high
    if more_is_better:
        return SHOWN if low >= bound else NOT_SHOWN if high < bound else CANNOT_TELL
    return SHOWN if high <= bound else NOT_SHOWN if low > bound else CANNOT_TELL


def _times(figure: Estimate, factor: float) -> Estimate:
    interval: Interval | None = figure.interval
    return Estimate(
        value=figure.value * factor,
        interval=None if interval is None else interval.scaled(factor),
        n=figure.n,
        note=figure.note,
    )


def _gauge_parts(q: Quantities) -> Mapping[str, Band]:
    return {name: band for name, band in q.sd.items() if name not in ("piece", "batch")}
