"""How wide a study's intervals will be, before it is run: by formula and by simulation.

References
----------
.. [1] R. K. Burdick, C. M. Borror, D. C. Montgomery, Design and Analysis of Gauge R&R Studies,
   SIAM/ASA 2005, chapter on design.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from spc.errors import DataError
from spc.gauge.anova import from_squares
from spc.gauge.arrays import FloatArray, counted, level_of
from spc.gauge.band import Band
from spc.gauge.intervals import anova_quantities
from spc.gauge.layout import Counts
from spc.gauge.quantities import Quantities
from spc.gauge.squares import TERMS, expected


@dataclass(frozen=True, slots=True, kw_only=True)
class Width:
    """What to expect of one figure of a study.

    Parameters
    ----------
    name
        ``hit``, ``setup``, ``operator_piece``, ``operator``, ``piece`` or ``gauge`` (standard
        deviations, mm), ``of_study`` or ``of_tolerance`` (fractions).
    truth
        Its value under the assumed components; NaN where the design does not see it.
    formula_low, formula_high
        Interval of a study whose mean squares come out exactly as expected.
    low, high
        Median ends of the interval over simulated studies.
    estimate_low, estimate_high
        Between these lie 90 % of simulated estimates.
    zero
        Share of simulated studies with an estimate of exactly zero.
    """

    name: str
    truth: float
    formula_low: float
    formula_high: float
    low: float
    high: float
    estimate_low: float
    estimate_high: float
    zero: float

    @property
    def factor(self) -> float:
        """High end over low end of the median interval; infinite where the low end is zero."""
        return self.high / self.low if self.low > 0 else float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a design can be expected to show.

    Parameters
    ----------
    counts
        The design.
    widths
        One a figure.
    sort_shown, sort_not_shown
        Share of simulated studies whose interval of the share of tolerance lies wholly at or below
        the asked bound, and wholly above it; NaN without a tolerance.
    studies
        Number of simulated studies.
    level
        Confidence level of the intervals.
    """

    counts: Counts
    widths: tuple[Width, ...]
    sort_shown: float
    sort_not_shown: float
    studies: int
    level: float

    def width(self, name: str) -> Width:
        """Return what to expect of the figure of that name."""
        return next(w for w in self.widths if w.name == name)


def balanced_counts(pieces: int, operators: int, setups: int, hits: int) -> Counts:
    """Return the counts of a balanced design."""
    sizes = {"pieces": pieces, "operators": operators, "setups": setups, "hits": hits}
    for name, size in sizes.items():
        counted(size, name=name, least=1)
    cells = pieces * operators
    return Counts(
        **sizes, cells=cells, runs=cells * setups, rows=cells * setups * hits, balanced=True
    )


def expected_widths(
    counts: Counts,
    sd: Mapping[str, float],
    *,
    rng: np.random.Generator,
    reported_hits: int | None = None,
    tolerance: float | None = None,
    tolerance_most: float = 0.3,
    studies: int = 2000,
    level: float = 0.95,
) -> Expected:
    """Return what a balanced design can be expected to show under assumed components.

    Mean squares of simulated studies are drawn as E[MS] χ²(ν)/ν, which is exact for normal
    sources, and go through the very intervals that a real study gets.

    Parameters
    ----------
    counts
        The design, from `balanced_counts`.
    sd
        Assumed standard deviation of each source in mm: hit, setup, operator_piece, operator,
        piece; one that is not named is zero.
    rng
        Source of the simulated studies.
    reported_hits
        Hits that a reported value is the mean of; those of the design where None.
    tolerance
        Width of the tolerance in mm, or None.
    tolerance_most
        Bound of the share of tolerance that the study is to show.
    studies
        Number of simulated studies.
    level
        Confidence level of the intervals.
    """
    level, variances = level_of(level), _variances(sd)
    studies = counted(studies, name="studies", least=100)
    size = (counts.pieces, counts.operators, counts.setups, counts.hits)
    mean_squares, dof = expected(*size) @ variances, counts.dof()
    drawn = np.where(dof > 0, dof, 1.0)[:, None]
    drawn = np.where(dof[:, None] > 0, rng.chisquare(drawn, (5, studies)), 0.0)
    exact = _answers(counts, (mean_squares * dof)[:, None], reported_hits, tolerance, level)
    seen = _answers(counts, mean_squares[:, None] * drawn, reported_hits, tolerance, level)
    truth = _truth(counts, variances, reported_hits, tolerance)
    names = [*TERMS, "gauge", "of_study", "of_tolerance"]
    share = _band(seen, "of_tolerance")
    sorts = not np.isnan(share.value).any()
    return Expected(
        counts=counts,
        widths=tuple(_width(n, truth[n], _band(exact, n), _band(seen, n)) for n in names),
        sort_shown=float((share.high <= tolerance_most).mean()) if sorts else float("nan"),
        sort_not_shown=float((share.low > tolerance_most).mean()) if sorts else float("nan"),
        studies=studies,
        level=level,
    )


def _variances(sd: Mapping[str, float]) -> FloatArray:
    unknown = set(sd) - set(TERMS)
    if unknown:
        raise DataError(f"unknown source {', '.join(sorted(unknown))}: use {', '.join(TERMS)}")
    variances = np.array([float(sd.get(name, 0.0)) ** 2 for name in TERMS])
    if not np.isfinite(variances).all() or variances.sum() <= 0:
        raise DataError("assumed standard deviations must be finite and not all zero")
    return variances


def _answers(
    counts: Counts, squares: FloatArray, hits: int | None, tolerance: float | None, level: float
) -> Quantities:
    points = squares.shape[1]
    study = from_squares(squares, counts, np.zeros(points), pool="never")
    limits = None
    if tolerance is not None:
        limits = np.tile([-tolerance / 2.0, tolerance / 2.0], (points, 1))
    return anova_quantities(study, hits=hits, tolerance=limits, level=level)


def _truth(
    counts: Counts, variances: FloatArray, hits: int | None, tolerance: float | None
) -> dict[str, float]:
    """Return the true figures as the design would see them, merged sources added up."""
    size = (counts.pieces, counts.operators, counts.setups, counts.hits)
    table, dof = expected(*size), counts.dof()
    mean_squares = np.where(dof > 0, table @ variances, 0.0)
    exact = _answers(counts, (mean_squares * dof)[:, None], hits, tolerance, 0.95)
    return {
        n: float(_band(exact, n).value[0]) for n in (*TERMS, "gauge", "of_study", "of_tolerance")
    }


def _band(answers: Quantities, name: str) -> Band:
    if name in answers.sd:
        return answers.sd[name]
    named = {"gauge": answers.gauge, "of_study": answers.of_study}
    return named.get(name, answers.of_tolerance)


def _width(name: str, truth: float, exact: Band, seen: Band) -> Width:
    if np.isnan(seen.value).any():
        nan = float("nan")
        return Width(
            name=name,
            truth=nan,
            formula_low=nan,
            formula_high=nan,
            low=nan,
            high=nan,
            estimate_low=nan,
            estimate_high=nan,
            zero=nan,
        )
    low, high = np.quantile(seen.value, [0.05, 0.95])
    return Width(
        name=name,
        truth=truth,
        formula_low=float(exact.low[0]),
        formula_high=float(exact.high[0]),
        low=float(np.median(seen.low)),
        high=float(np.median(seen.high)),
        estimate_low=float(low),
        estimate_high=float(high),
        zero=float((seen.value == 0).mean()),
    )
