"""Rules that tell a signal on a chart, each named in words and each a function of its own.

Every rule takes the `Marks` of a block of runs and marks the points of the chart at which its
pattern is completed. A pattern lies within one span and does not reach across a missing value. A
value exactly on the centre is on neither side, a value exactly on a limit is not beyond it, and
equal neighbours neither rise nor fall.

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
from spc.charts.arrays import Bools
from spc.charts.marks import Bits, Marks, in_a_row, unpacked


def beyond(marks: Marks, *, width: float = 3.0) -> Bits:
    """Find values beyond a limit, ``width`` sigma from the centre."""
    return marks.above(width) | marks.below(width)


def one_side(marks: Marks, *, length: int) -> Bits:
    """Find ``length`` values in a row on one side of the centre."""
    return _all_of(marks, (marks.above(0.0), marks.below(0.0)), length)


def grouped(marks: Marks, *, hits: int, of: int, zone: float, width: float = 3.0) -> Bits:
    """Find ``hits`` of ``of`` values in a row beyond a ``zone`` of the way to one limit.

    The last value must lie there itself, so that a pattern is counted when it is completed [4]_.
    """
    edge, misses = zone * width, of - hits
    upper = _hits(marks, marks.above(edge), hits, misses)
    return upper | _hits(marks, marks.below(edge), hits, misses)


def trend(marks: Marks, *, length: int) -> Bits:
    """Find ``length`` values in a row, each above the one before, or each below it.

    Found to do little against a steady drift [5]_: take an EWMA or a slope for that.
    """
    rising = in_a_row(marks.rises(), length - 1)
    return marks.aged(rising | in_a_row(marks.falls(), length - 1), length)


def oscillation(marks: Marks, *, length: int) -> Bits:
    """Find ``length`` values in a row that go up and down by turns."""
    rises, falls = marks.rises(), marks.falls()
    turns = (rises & marks.before(falls)) | (falls & marks.before(rises))
    return marks.aged(in_a_row(turns, length - 2), length)


def stratification(marks: Marks, *, length: int, zone: float, width: float = 3.0) -> Bits:
    """Find ``length`` values in a row within a ``zone`` of the way to the limits."""
    return _all_of(marks, (marks.inside(zone * width),), length)


def mixture(marks: Marks, *, length: int, zone: float, width: float = 3.0) -> Bits:
    """Find ``length`` values in a row, none within a ``zone`` of the way to the limits."""
    return _all_of(marks, (beyond(marks, width=zone * width),), length)


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

    def find(self, marks: Marks) -> Bits:
        """Return where the rule is completed."""
        return KINDS[self.kind](marks, **self.numbers)


def _all_of(marks: Marks, sides: Sequence[Bits], length: int) -> Bits:
    """Find where one of ``sides`` is marked ``length`` times in a row within a span."""
    found = in_a_row(sides[0], length)
    for side in sides[1:]:
        found |= in_a_row(side, length)
    return marks.aged(found, length)


def _hits(marks: Marks, flags: Bits, hits: int, misses: int) -> Bits:
    """Find flags that complete ``hits`` (two or more) with at most ``misses`` others between.

    ``reached[m]`` marks the runs from which, looking back, the hits counted so far come first to
    last with at most ``m`` others after the first of them, none missing and all of one span.
    """
    reached = _passing(marks, [flags] * (misses + 1))
    for _ in range(hits - 2):
        reached = _passing(marks, [flags & marks.before(some) for some in reached])
    return flags & marks.before(reached[-1])


def _passing(marks: Marks, ends: Sequence[Bits]) -> list[Bits]:
    """Let each mark stand for further runs, as many as its place in ``ends`` allows misses."""
    out = [ends[0]]
    for end in ends[1:]:
        out.append(end | (marks.present() & marks.before(out[-1])))
    return out


KINDS: Mapping[str, Callable[..., Bits]] = MappingProxyType({
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
        marks = Marks(dev, own, ages[rows])
        for name, found in out.items():
            bits = RULES[name].find(marks)[before:]
            found[rows.start + before : rows.stop] = unpacked(bits, shape[1])
    return out
