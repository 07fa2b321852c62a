"""A stretch judged by its own charts: the rate holds whatever its length, make-up and gaps."""

import numpy as np
import pytest

from spc.charts.limits import individuals_limits
from spc.charts.memory import ewma
from spc.charts.steady import steadiness

#: Points simulated; three standard errors of 5 % are 1.2 %, and the widths' own are 0.8 %.
POINTS = 3000


def shown(found):
    return (found.values_beyond | found.average_beyond).any(axis=0)


@pytest.mark.parametrize(("n", "moulds"), [(8, 1), (12, 1), (12, 2), (20, 2), (35, 3), (60, 1)])
def test_a_steady_stretch_is_called_unsteady_at_the_stated_rate(n, moulds):
    labels = np.sort(np.arange(n) % moulds)
    x = np.random.default_rng(n + moulds).normal(3.0, 0.2, (n, POINTS)) + labels[:, None]
    found = steadiness(x, spans=labels)
    assert shown(found).mean() == pytest.approx(0.05, abs=0.015)
    # Both charts have a share in it.
    assert found.values_beyond.any(axis=0).mean() > 0.02
    assert found.average_beyond.any(axis=0).mean() > 0.02


def test_usual_limits_do_not_hold_it():
    """The reason for these: three sigma from sixty values is passed by one stretch in eight."""
    x = np.random.default_rng(1).normal(size=(60, POINTS))
    usual = individuals_limits(x)
    beyond = ((x < usual.lower) | (x > usual.upper)).any(axis=0).mean()
    assert beyond > 0.1


def test_gaps_and_another_rate():
    rng = np.random.default_rng(2)
    x = rng.normal(size=(30, POINTS))
    x[5, :] = x[17, :] = np.nan
    assert shown(steadiness(x)).mean() == pytest.approx(0.05, abs=0.015)
    assert shown(steadiness(x, rate=0.2)).mean() == pytest.approx(0.2, abs=0.03)
    assert (steadiness(x).n == 28).all()


@pytest.mark.parametrize("n", [12, 30, 60])
def test_a_lasting_shift_is_found_the_surer_the_longer(n):
    x = np.random.default_rng(3).normal(size=(n, 1000))
    x[n // 2 :] += 3.0
    low = {12: 0.35, 30: 0.95, 60: 0.99}[n]
    assert shown(steadiness(x)).mean() > low


def test_it_flags_what_its_widths_say():
    rng = np.random.default_rng(4)
    x = rng.normal(size=(25, 40))
    x[20] += 3.0
    found = steadiness(x)
    ranges = np.abs(np.diff(x, axis=0)).mean(axis=0) / (2.0 / np.sqrt(np.pi))
    z = (x - x.mean(axis=0)) / ranges
    np.testing.assert_array_equal(found.values_beyond, np.abs(z) > found.width)
    follow = ewma(x, x.mean(axis=0), ranges, lam=0.2, width=float(found.average_width[0]))
    np.testing.assert_array_equal(found.average_beyond, follow.beyond)


def test_what_does_not_vary_or_is_alone_is_not_judged():
    x = np.zeros((20, 3))
    x[:, 1] = np.nan
    x[:, 2] = np.random.default_rng(5).normal(size=20)
    found = steadiness(x)
    assert np.isnan(found.width).tolist() == [True, True, False]
    assert not shown(found)[:2].any()
    each = steadiness(x, spans=np.arange(20))  # one value a span: no moving range at all
    assert np.isnan(each.width).all()
    assert steadiness(np.empty((0, 2))).n.tolist() == [0, 0]


def test_the_same_question_has_the_same_answer():
    x = np.random.default_rng(6).normal(size=(17, 5))
    alone, among = steadiness(x[:, 2:3]), steadiness(x)
    assert alone.width[0] == among.width[2]
    np.testing.assert_array_equal(alone.values_beyond[:, 0], among.values_beyond[:, 2])
