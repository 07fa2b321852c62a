"""Rules that tell a signal on a chart, each named in words and each a function of its own.

Every rule takes deviations from the centre ``dev`` (runs, points) and ``sigma`` and returns the
points of the chart at which the pattern is completed, ``(runs, points)`` bool. A pattern lies
within one span and does not reach across a missing value. A value exactly on the centre is on
neither side, a value exactly on a limit is not beyond it, and equal neighbours neither rise nor
fall.

References
----------
.. [1] Western Electric Company (1956). Statistical Quality Control Handbook, 23-28.
.. [2] Nelson, L. S. (1984). The Shewhart control chart: tests for special causes. Journal of
       Quality Technology 16, 237-239.
.. [3] ISO 23952:2020 (QIF), control methods of the Statistics model: trend, skew, one-third and
       two-thirds grouping, oscillation, stratification.
.. [4] Champ, C. W. and Woodall, W. H. (1987). Exact results for Shewhart control charts with
       supplementary runs rules. Technometrics 29, 393-399.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from spc.charts import arrays
from spc.charts.arrays import Bools, Floats, Ints


def beyond(dev: Floats, sigma: Floats, ages: Ints, *, width: float = 3.0) -> Bools:
    """Find values beyond a limit, ``width`` sigma from the centre."""
    return _outside(dev, width * sigma)


def one_side(dev: Floats, sigma: Floats, ages: Ints, *, length: int) -> Bools:
    """Find ``length`` values in a row on one side of the centre."""
    above = _in_a_row(dev > 0, length)
    return _aged(above | _in_a_row(dev < 0, length), ages, length)


def grouped(
    dev: Floats, sigma: Floats, ages: Ints, *, hits: int, of: int, zone: float, width: float = 3.0
) -> Bools:
    """Find ``hits`` of ``of`` values in a row beyond a ``zone`` of the way to one limit.

    The last value must lie there itself, so that a pattern is counted when it is completed [4]_.
    """
    edge = zone * width * sigma
    present = ~np.isnan(dev)
    upper = _hits(dev > edge, present, ages, hits, of)
    return upper | _hits(dev < -edge, present, ages, hits, of)


def trend(dev: Floats, sigma: Floats, ages: Ints, *, length: int) -> Bools:
    """Find ``length`` values in a row, each above the one before, or each below it.

    Found to do little against a steady drift [5]_: take an EWMA or a slope for that.
    """
    rises, falls = _steps(dev)
    found = _in_a_row(rises, length - 1)
    return _aged(found | _in_a_row(falls, length - 1), ages, length)


def oscillation(dev: Floats, sigma: Floats, ages: Ints, *, length: int) -> Bools:
    """Find ``length`` values in a row that go up and down by turns."""
    rises, falls = _steps(dev)
    turns = np.zeros_like(rises)
    turns[1:] = (rises[1:] & falls[:-1]) | (falls[1:] & rises[:-1])
    return _aged(_in_a_row(turns, length - 2), ages, length)


def stratification(
    dev: Floats, sigma: Floats, ages: Ints, *, length: int, zone: float, width: float = 3.0
) -> Bools:
    """Find ``length`` values in a row within a ``zone`` of the way to the limits."""
    return _aged(_in_a_row(np.abs(dev) < zone * width * sigma, length), ages, length)


def mixture(
    dev: Floats, sigma: Floats, ages: Ints, *, length: int, zone: float, width: float = 3.0
) -> Bools:
    """Find ``length`` values in a row, none within a ``zone`` of the way to the limits."""
    return _aged(_in_a_row(_outside(dev, zone * width * sigma), length), ages, length)


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRule:
    """One rule with the words and the source that belong to it.

    Parameters
    ----------
    name
        Its name, in words.
    text
        What it finds, one plain sentence without a full stop.
    runs
        Number of neighbouring runs that it looks at.
    needs_sigma
        False where it needs only the centre, or not even that.
    source
        Where it was published, or that it is common practice.
    kind
        Which function of this module finds it, a key of `KINDS`.
    numbers
        What that function is given beside the chart, for example ``length``.
    """

    name: str
    text: str
    runs: int
    needs_sigma: bool
    source: str
    kind: str
    numbers: Mapping[str, float]

    def find(self, dev: Floats, sigma: Floats, ages: Ints) -> Bools:
        """Return where the rule is completed, ``(runs, points)``."""
        return KINDS[self.kind](dev, sigma, ages, **self.numbers)


def _in_a_row(flags: Bools, length: int) -> Bools:
    """Return true where this and the ``length`` − 1 runs before are all true."""
    out, reach = flags.copy(), 1
    while reach < length:
        step = min(reach, length - reach)
        later = out[step:] & out[:-step]
        out[:step] = False
        out[step:] = later
        reach += step
    return out


def _aged(found: Bools, ages: Ints, length: int) -> Bools:
    found[ages < length - 1] = False
    return found


def _hits(flags: Bools, present: Bools, ages: Ints, hits: int, of: int) -> Bools:
    count = flags.astype(np.int8)
    linked = present.copy()
    for lag in range(1, min(of, len(flags))):
        # a run counts only while every value between it and this one is there, in one span
        linked[lag:] &= present[:-lag]
        linked[:lag] = False
        linked[ages < lag] = False
        count[lag:] += flags[:-lag] & linked[lag:]
    return flags & (count >= hits)


def _steps(dev: Floats) -> tuple[Bools, Bools]:
    rises, falls = np.zeros(dev.shape, dtype=bool), np.zeros(dev.shape, dtype=bool)
    np.greater(dev[1:], dev[:-1], out=rises[1:])
    np.less(dev[1:], dev[:-1], out=falls[1:])
    return rises, falls


def _outside(dev: Floats, edge: Floats) -> Bools:
    return (dev > edge) | (dev < -edge)


KINDS: Mapping[str, Callable[..., Bools]] = MappingProxyType({
    "beyond": beyond, "one side": one_side, "grouped": grouped, "trend": trend,
    "oscillation": oscillation, "stratification": stratification, "mixture": mixture,
})  # fmt: skip
"""The patterns, by name; a rule is a pattern with its numbers."""


def _rule(
    name: str, text: str, source: str, kind: str, *, runs: int = 0, **numbers: float
) -> NamedRule:
    needs_sigma = kind not in ("one side", "trend", "oscillation")
    return NamedRule(
        name=name, text=text, runs=runs or int(numbers["length"]), source=source, kind=kind,
        numbers=MappingProxyType(numbers), needs_sigma=needs_sigma,
    )  # fmt: skip


def _registry() -> dict[str, NamedRule]:
    handbook, tests, qif = "Western Electric 1956", "Nelson 1984", "ISO 23952"
    third, two_thirds = 1 / 3, 2 / 3
    rules = (
        _rule("beyond limit", "a value beyond a limit", f"{handbook}; {tests}; {qif}",
              "beyond", runs=1),
        _rule("nine on one side", "nine values in a row on one side of the centre", tests,
              "one side", length=9),
        _rule("eight on one side", "eight values in a row on one side of the centre",
              f"{handbook}; {qif} skew", "one side", length=8),
        _rule("two of three far out",
              "two of three values in a row beyond two thirds of the way to one limit",
              f"{handbook}; {tests}; {qif} two-thirds grouping",
              "grouped", runs=3, hits=2, of=3, zone=two_thirds),
        _rule("four of five off centre",
              "four of five values in a row beyond one third of the way to one limit",
              f"{handbook}; {tests}; {qif} one-third grouping",
              "grouped", runs=5, hits=4, of=5, zone=third),
        _rule("six in one direction",
              "six values in a row, each above the last or each below it",
              f"{tests}; {qif} trend", "trend", length=6),
        _rule("fourteen up and down",
              "fourteen values in a row that go up and down by turns",
              f"{tests}; {qif} oscillation (which gives no count)", "oscillation", length=14),
        _rule("fifteen near the centre",
              "fifteen values in a row within one third of the way to the limits",
              f"{handbook}; {tests}; {qif} stratification (which gives no count)",
              "stratification", length=15, zone=third),
        _rule("eight away from the centre",
              "eight values in a row with none within one third of the way to the limits",
              f"{handbook}; {tests}", "mixture", length=8, zone=third),
    )  # fmt: skip
    return {rule.name: rule for rule in rules}


RULES: Mapping[str, NamedRule] = MappingProxyType(_registry())
"""Every rule by its name in words."""

DEFAULT = ("beyond limit", "nine on one side")
"""What is looked for unless someone asks for more: quick on jumps, with few false alarms."""
ZONES_1956 = (
    "beyond limit", "two of three far out", "four of five off centre", "eight on one side",
)  # fmt: skip
"""The four zone rules of the Western Electric handbook [1]_."""
TESTS_1984 = (
    "beyond limit", "nine on one side", "six in one direction", "fourteen up and down",
    "two of three far out", "four of five off centre", "fifteen near the centre",
    "eight away from the centre",
)  # fmt: skip
"""Nelson's set of 1984 [2]_."""
QIF_METHODS = (
    "beyond limit", "six in one direction", "eight on one side", "four of five off centre",
    "two of three far out", "fourteen up and down", "fifteen near the centre",
)  # fmt: skip
"""The control methods that ISO 23952 names [3]_."""


def signals(
    x: ArrayLike,
    center: ArrayLike,
    sigma: ArrayLike,
    *,
    rules: Sequence[str] = DEFAULT,
    spans: ArrayLike | None = None,
    width: float = 3.0,
) -> dict[str, Bools]:
    """Find where each of ``rules`` is completed.

    Parameters
    ----------
    x
        Values, ``(runs, points)``, NaN where missing.
    center, sigma
        Centre line and standard deviation, a number, ``(points,)``, or one a run ``(runs,
        points)``. Where sigma is NaN or not above 0, the rules that need it find nothing.
    rules
        Names from `RULES`.
    spans
        Label of each run; no pattern reaches across a change of label.
    width
        Distance of the limits from the centre in sigma; the zones are thirds of it.

    Returns
    -------
    dict
        Name of the rule → bool ``(runs, points)``, true where the pattern is completed.

    Examples
    --------
    >>> found = signals([0.1, 0.4, 3.2, -0.3], 0.0, 1.0)
    >>> found["beyond limit"][:, 0]
    array([False, False,  True, False])
    """
    a = arrays.matrix(x)
    shape = (a.shape[0], a.shape[1])
    for name in rules:
        arrays.require(name in RULES, "rule", repr(name), f"one of {', '.join(RULES)}")
    arrays.require(width > 0, "width", width, "above 0")
    middle = arrays.per_point(center, shape, "center")
    scale = arrays.per_point(sigma, shape, "sigma") * (width / 3.0)
    scale = np.where(scale > 0, scale, np.nan)
    ages = arrays.span_ages(spans, shape[0])
    out = {name: np.empty(shape, dtype=bool) for name in rules}
    overlap = max((RULES[name].runs for name in rules), default=1) - 1
    for rows, before in arrays.row_blocks(shape, overlap):
        # the overlap lets a pattern that began in the block before be completed in this one
        dev, own = a[rows] - arrays.rows_of(middle, rows), arrays.rows_of(scale, rows)
        for name, found in out.items():
            found[rows.start + before : rows.stop] = RULES[name].find(dev, own, ages[rows])[before:]
    return out
