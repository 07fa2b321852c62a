"""Gauge studies of many points in one call, against a general library point by point.

The ratio is of one call for all points, every interval in it, to the library's time for one point
times the points. Small in everyday runs; SPC_BENCH=1 takes 500 points of a 10 x 3 x 3 x 3 study.
"""

import os
import time

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from spc.gauge.answer import crossed_factors, gauge_study
from spc.gauge.reml import reml_study

FULL = os.environ.get("SPC_BENCH") == "1"
SHAPE, POINTS = ((10, 3, 3, 3), 500) if FULL else ((10, 3, 2, 3), 60)
#: Least times faster than a loop over the library: by analysis of variance, and by likelihood.
BALANCED, UNBALANCED = (200.0, 20.0) if FULL else (40.0, 10.0)


def _study(lost, seed=4):
    (p, o, s, n), rng = SHAPE, np.random.default_rng(seed)
    y = (
        rng.normal(size=(p, 1, 1, 1, POINTS))
        + 0.5 * rng.normal(size=(1, o, 1, 1, POINTS))
        + 0.4 * rng.normal(size=(p, o, 1, 1, POINTS))
        + 0.3 * rng.normal(size=(p, o, s, 1, POINTS))
        + 0.2 * rng.normal(size=(p, o, s, n, POINTS))
    ).reshape(-1, POINTS)
    keep = rng.random(len(y)) >= lost
    return y[keep], np.indices(SHAPE).reshape(4, -1)[:3, keep]


def _timed(work, times=1):
    """Return the shortest of some runs, which other work on the machine disturbs least."""
    best = np.inf
    for _ in range(times):
        started = time.perf_counter()
        out = work()
        best = min(best, time.perf_counter() - started)
    return best, out


def test_a_balanced_study_with_every_interval_beats_one_table_a_point():
    y, (p, o, s) = _study(0.0)
    frame = pd.DataFrame({"y": y[:, 0], "p": p, "o": o, "s": s})
    model = "y ~ C(p)*C(o) + C(p):C(o):C(s)"
    one, table = _timed(lambda: anova_lm(ols(model, frame).fit()), times=3)
    took, got = _timed(lambda: gauge_study(y, p, o, s, pool="never"), times=3)
    assert got.anova is not None
    np.testing.assert_allclose(got.anova.mean_squares[4, 0], table["mean_sq"]["C(p)"])
    ratio = POINTS * one / took
    print(f"{1e3 * took:.1f} ms for {POINTS} points, {ratio:.0f} times faster than a loop")
    assert ratio > BALANCED


def test_an_unbalanced_study_beats_one_likelihood_a_point():
    y, index = _study(0.15)
    factors = crossed_factors(*index)
    frame = pd.DataFrame({**factors, "y": y[:, 0], "all": 1})
    parts = {k: f"0 + C({k})" for k in factors}
    one, fit = _timed(
        lambda: smf.mixedlm("y ~ 1", frame, groups="all", re_formula="0", vc_formula=parts).fit()
    )
    took, got = _timed(lambda: reml_study(y, factors), times=3)
    assert abs(got.criterion[0] + 2 * fit.llf) < 1e-3
    ratio = POINTS * one / took
    print(f"{1e3 * took:.0f} ms for {POINTS} points, {ratio:.0f} times faster")
    assert ratio > UNBALANCED
