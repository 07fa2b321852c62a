"""Speed of the charts as ratios to references in the same run, never as seconds.

The references: one bare pass of numpy's mean and standard deviation over the same array; and the
same work with pandas, a function on each rolling window as it is first done, and rolling sums of
flags as it is done well (both timed on a few points and scaled). The full size, 1,000 points by
10,000 runs, is run where the environment says SPC_BENCH=1.
"""

import os
from collections.abc import Callable
from time import perf_counter

import numpy as np
import pandas as pd
import pytest

from spc.charts import cusum, limits, memory, rules

FULL = os.environ.get("SPC_BENCH") == "1"
RUNS, POINTS = (10_000, 1_000) if FULL else (1_000, 1_000)
ALLOWED = 20 if FULL else 60
"""Bare passes; at the small size the bare pass stays in the cache and fixed costs weigh more."""
TRIED = 4


def best(work: Callable[[], object], times: int = 3) -> float:
    """Return the shortest of a few timings, which other work on the machine disturbs least."""
    taken = []
    for _ in range(times):
        start = perf_counter()
        work()
        taken.append(perf_counter() - start)
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
    some = values[:, :TRIED]
    first = best(lambda: usual(some[:1000, :1]), 1) * len(values) / 1000
    best_of_pandas = best(lambda: tuned(some), 1) / TRIED
    print(f"a point: {first / mine:.0f} x faster than a function on each rolling window,")
    print(f"{best_of_pandas / mine:.0f} x faster than rolling sums of flags")
    assert first >= 50 * mine
    assert best_of_pandas >= 5 * mine
