"""How many false alarms a month to expect from many points, and limits that keep to a budget.

A hundred pieces at nine points are nine hundred chances a month to be wrong. The expected number
of false alarms does not care whether the points move together; the chance that a month has any
does, and is told as bounds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spc.charts import arrays
from spc.charts.estimated import estimated_limits, width_for_rate
from spc.charts.rules import DEFAULT
from spc.charts.runlength import rules_run_length, rules_width
from spc.charts.tails import normal_isf

ALONE = ("beyond limit",)


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseAlarms:
    """False alarms to expect in a month in which nothing is wrong.

    Parameters
    ----------
    expected
        Expected number over all points, each chart starting afresh after an alarm.
    any_low, any_independent, any_high
        Probability that the month has any: if all points move as one, if they are independent,
        and at most, whatever they do.
    points, pieces
        Charts, and pieces a month on each.
    run_length
        Mean number of pieces between false alarms of one chart.
    m
        Pieces that the limits stand on; None where taken as known.
    note
        What to beware of; empty where nothing.
    """

    expected: float
    any_low: float
    any_independent: float
    any_high: float
    points: int
    pieces: float
    run_length: float
    m: int | None
    note: str


def false_alarms(
    points: int,
    pieces: float,
    *,
    rules: Sequence[str] = DEFAULT,
    width: float = 3.0,
    m: int | None = None,
) -> FalseAlarms:
    """Tell how many false alarms a month brings when nothing is wrong.

    Parameters
    ----------
    points
        Charts watched.
    pieces
        Pieces a month on each of them.
    rules
        Rules watched on each chart.
    width
        Distance of the limits from the centre in sigma.
    m
        Pieces that the limits stand on, for limits estimated by moving ranges; None takes them as
        known. For more rules than the limits alone the known-limit figure is scaled by what
        estimation does to the limits alone, and the note says so.

    Examples
    --------
    Nine charts of 100 pieces a month by limits alone.

    >>> round(false_alarms(9, 100, rules=["beyond limit"]).expected, 1)
    2.4
    """
    arrays.require(points >= 1, "points", points, "1 or more")
    arrays.require(pieces > 0, "pieces", pieces, "above 0")
    run_length = rules_run_length(rules, width=width).mean
    note = ""
    if m is not None:
        known = rules_run_length(ALONE, width=width).mean
        run_length /= estimated_limits(m, width=width).mean_rate * known
        if tuple(rules) != ALONE:
            note = "what few pieces do to the run rules is taken to be what they do to the limits"
    expected = points * pieces / run_length
    return FalseAlarms(
        expected=expected, any_low=float(-np.expm1(-expected / points)),
        any_independent=float(-np.expm1(-expected)), any_high=min(1.0, expected), points=points,
        pieces=pieces, run_length=run_length, m=m, note=note,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Limits that keep to a number of false alarms over all points.

    Parameters
    ----------
    width
        Distance of the limits from the centre in sigma.
    rate
        False-alarm rate of one piece at one point.
    run_length
        Mean number of pieces between false alarms of one chart.
    piece_low, piece_independent, piece_high
        Probability that a piece raises a false alarm at any point: if all points move as one, if
        they are independent, and at most, whatever they do.
    points, pieces, months, alarms
        What was asked: ``alarms`` false alarms expected in ``months`` of ``pieces`` at ``points``.
    m
        Pieces that the limits stand on; None where taken as known.
    """

    width: float
    rate: float
    run_length: float
    piece_low: float
    piece_independent: float
    piece_high: float
    points: int
    pieces: float
    months: float
    alarms: float
    m: int | None


def budget(
    points: int,
    pieces: float,
    *,
    months: float = 1.0,
    alarms: float = 1.0,
    rules: Sequence[str] = ALONE,
    m: int | None = None,
) -> Budget:
    """Find limits with no more than ``alarms`` false alarms expected in ``months`` over all points.

    Parameters
    ----------
    points, pieces
        Charts watched, and pieces a month on each of them.
    months, alarms
        The budget.
    rules
        Rules watched on each chart; the zones widen with the limits.
    m
        Pieces that the limits stand on, by moving ranges; only for limits alone.

    Raises
    ------
    DataError
        Where the rules cannot keep to the budget however wide the limits.

    Examples
    --------
    >>> round(budget(9, 1 / 0.0027).width, 2)
    3.62
    """
    for name, value in (
        ("points", points),
        ("pieces", pieces),
        ("months", months),
        ("alarms", alarms),
    ):
        arrays.require(value > 0, name, value, "above 0")
    rate = alarms / (months * points * pieces)
    arrays.require(rate < 0.5, "alarms", alarms, f"below {0.5 * months * points * pieces:g}")
    alone = tuple(rules) == ALONE
    arrays.require(alone or m is None, "m", m, "left out where run rules are watched")
    if not alone:
        width = rules_width(rules, 1 / rate)
    else:
        width = float(normal_isf(rate / 2)) if m is None else width_for_rate(m, rate)
    return Budget(
        width=width, rate=rate, run_length=1 / rate, piece_low=rate,
        piece_independent=float(-np.expm1(points * np.log1p(-rate))),
        piece_high=min(1.0, points * rate), points=points, pieces=pieces, months=months,
        alarms=alarms, m=m,
    )  # fmt: skip
