"""Speed of the charts as ratios to references in the same run, never as seconds.

The references: one bare pass of numpy's mean and standard deviation over the same array; and the
same work with pandas in three ways, each timed on a few points and scaled: a function on each
rolling window, as it is first done; a long table grouped by point with rolling sums of flags, as an
analyst keeps such data; and rolling sums on a wide frame, all points side by side, as it is done
best. The full size, 1,000 points by 10,000 runs, is run where the environment says SPC_BENCH=1.
"""

import os
from collections.abc import Callable
from time import process_time

import numpy as np
import pandas as pd
import pytest

from spc.charts import cusum, limits, memory, rules

FULL = os.environ.get("SPC_BENCH") == "1"
RUNS, POINTS = (10_000, 1_000) if FULL else (1_000, 1_000)
ALLOWED = 20 if FULL else 60
"""Bare passes; at the small size the bare pass stays in the cache and fixed costs weigh more."""
TRIED = 4


def best(work: Callable[[], object], times: int = 6) -> float:
    """Return the least processor time of a few tries, which other work disturbs least."""
    taken = []
    for _ in range(times):
        start = process_time()
        work()
        taken.append(process_time() - start)
    return min(taken)


@pytest.fixture(scope="module")
def values():
    x = np.random.default_rng(2).normal(size=(RUNS, POINTS))
    x[np.random.default_rng(3).random(x.shape) < 0.001] = np.nan
    return x


def ours(x):
    found = limits.individuals_limits(x)
    signals = rules.signals(x, found.center, found.sigma, rules=tuple(rules.RULES))
    average = memory.ewma(x, found.center, found.sigma)
    sums = cusum.cusum(x, found.center, found.sigma)
    return found, signals, average, sums


def sums_of(z):
    up, down, total = [], [], [0.0, 0.0]
    for v in z:
        total = [max(0.0, total[0] + v - 0.5), max(0.0, total[1] - v - 0.5)]
        up.append(total[0])
        down.append(total[1])
    return up, down


def by_window(z, length, test):
    return z.rolling(length).apply(test, raw=True)


def usual(x):
    """Chart every point with pandas, each rule a function of a rolling window."""
    frame = pd.DataFrame(x).melt(var_name="point", value_name="value")
    out = []
    for _, v in frame.groupby("point")["value"]:
        sigma = v.diff().abs().mean() / 1.128
        z = (v - v.mean()) / sigma
        out.append((
            z.abs() > 3,
            by_window(z, 9, lambda w: (w > 0).all() or (w < 0).all()),
            by_window(z, 8, lambda w: (w > 0).all() or (w < 0).all()),
            by_window(z, 3, lambda w: (w > 2).sum() >= 2 or (w < -2).sum() >= 2),
            by_window(z, 5, lambda w: (w > 1).sum() >= 4 or (w < -1).sum() >= 4),
            by_window(z, 6, lambda w: (np.diff(w) > 0).all() or (np.diff(w) < 0).all()),
            by_window(z, 14, lambda w: (np.diff(w)[1:] * np.diff(w)[:-1] < 0).all()),
            by_window(z, 15, lambda w: (np.abs(w) < 1).all()),
            by_window(z, 8, lambda w: (np.abs(w) > 1).all()),
            v.ewm(alpha=0.2, adjust=False).mean(), sums_of(z),
        ))  # fmt: skip
    return out


def rolled(flags, point, length, **more):
    """Return rolling sums within each point, in the order of the table."""
    return flags.groupby(point).rolling(length, **more).sum().reset_index(level=0, drop=True)


def side(flags, point, length):
    return rolled(flags, point, length) == length


def some(flags, point, hits, of):
    return flags & (rolled(flags, point, of, min_periods=1) >= hits)


def by_point(x):
    """Chart a long table with pandas, grouped by point: rolling sums of flags, exact limits."""
    frame = pd.DataFrame(x).melt(var_name="point", value_name="value")
    point, value = frame["point"], frame.groupby("point")["value"]
    sigma = point.map(value.apply(lambda v: v.diff().abs().mean() / 1.128))
    z = (frame["value"] - value.transform("mean")) / sigma
    step = z.groupby(point).diff()
    turn = step * step.groupby(point).shift() < 0
    average = z.groupby(point).ewm(alpha=0.2, adjust=False).mean().reset_index(level=0, drop=True)
    seen = value.cumcount() + 1
    sums = z.groupby(point, group_keys=False).apply(
        lambda v: pd.DataFrame(np.column_stack(sums_of(v)), index=v.index)
    )
    return (
        z.abs() > 3, side(z > 0, point, 9) | side(z < 0, point, 9),
        side(z > 0, point, 8) | side(z < 0, point, 8),
        some(z > 2, point, 2, 3) | some(z < -2, point, 2, 3),
        some(z > 1, point, 4, 5) | some(z < -1, point, 4, 5),
        side(step > 0, point, 5) | side(step < 0, point, 5), side(turn, point, 12),
        side(z.abs() < 1, point, 15), side(z.abs() > 1, point, 8),
        average.abs() > 2.86 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * seen))),
        (sums > 4.774).any(axis=1),
    )  # fmt: skip


def in_a_row(flags, length):
    return flags.rolling(length).sum() == length


def grouped(z, hits, of, edge):
    up = (z > edge) & ((z > edge).rolling(of, min_periods=1).sum() >= hits)
    return up | ((z < -edge) & ((z < -edge).rolling(of, min_periods=1).sum() >= hits))


def tuned(x):
    """Chart all points with pandas at its best: rolling sums of flags, all points in one frame."""
    v = pd.DataFrame(x)
    z = (v - v.mean()) / (v.diff().abs().mean() / 1.128)
    step = z.diff()
    return (
        z.abs() > 3, in_a_row(z > 0, 9) | in_a_row(z < 0, 9),
        in_a_row(z > 0, 8) | in_a_row(z < 0, 8),
        grouped(z, 2, 3, 2), grouped(z, 4, 5, 1), in_a_row(step > 0, 5) | in_a_row(step < 0, 5),
        in_a_row(step * step.shift() < 0, 12), in_a_row(z.abs() < 1, 15), in_a_row(z.abs() > 1, 8),
        v.ewm(alpha=0.2, adjust=False).mean(), [sums_of(z[j]) for j in z],
    )  # fmt: skip


def bare(x):
    return x.mean(axis=0), x.std(axis=0)


def test_all_charts_against_bare_passes(values):
    ratio = best(lambda: ours(values)) / best(lambda: bare(values))
    print(f"limits, all rules, EWMA and CUSUM: {ratio:.1f} x a bare mean-and-std pass")
    assert ratio <= ALLOWED


def test_all_charts_against_rolling_windows(values):
    mine = best(lambda: ours(values)) / POINTS
    few = values[:, :TRIED]
    first = best(lambda: usual(few[:1000, :1]), 1) * len(values) / 1000
    grouped_by_point = best(lambda: by_point(few), 1) / TRIED
    best_of_pandas = best(lambda: tuned(few), 1) / TRIED
    print(f"a point: {first / mine:.0f} x faster than a function on each rolling window,")
    print(f"{grouped_by_point / mine:.0f} x faster than rolling sums grouped by point,")
    print(f"{best_of_pandas / mine:.0f} x faster than rolling sums on a wide frame")
    assert first >= 50 * mine
    assert grouped_by_point >= 20 * mine
    assert best_of_pandas >= 8 * mine
