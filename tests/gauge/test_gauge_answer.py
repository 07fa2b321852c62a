"""The front door: which method answered, and that both speak of the same things."""

import numpy as np
import pytest

from spc.errors import DataError
from spc.gauge.answer import ANOVA, REML, gauge_study
from spc.gauge.history import History
from spc.gauge.verdict import judge


def study(shape=(8, 3, 2, 3), points=4, seed=1):
    (p, o, s, n), rng = shape, np.random.default_rng(seed)
    y = (
        rng.normal(size=(p, 1, 1, 1, points))
        + 0.3 * rng.normal(size=(1, o, 1, 1, points))
        + 0.2 * rng.normal(size=(p, o, 1, 1, points))
        + 0.3 * rng.normal(size=(p, o, s, 1, points))
        + 0.1 * rng.normal(size=(p, o, s, n, points))
    ).reshape(-1, points)
    return y, *np.indices((p, o, s, n)).reshape(4, -1)[:3]


def test_a_missing_value_sends_only_its_point_to_the_likelihood():
    y, p, o, s = study()
    whole = gauge_study(y, p, o, s, tolerance=[[-2, 2]] * 4, pool="never")
    y[5, 2] = np.nan
    got = gauge_study(y, p, o, s, tolerance=[[-2, 2]] * 4, pool="never")
    assert got.method == (ANOVA, ANOVA, REML, ANOVA)
    assert "values are missing at 1 of 4 points" in got.notes[0]
    others = [0, 1, 3]
    np.testing.assert_array_equal(
        got.quantities.gauge.high[others], whole.quantities.gauge.high[others]
    )
    # One hit of 144 lost: the two methods must nearly agree.
    for name in ("gauge", "of_study", "of_tolerance", "correlation", "distinct", "total"):
        a, b = getattr(got.quantities, name), getattr(whole.quantities, name)
        assert a.value[2] == pytest.approx(b.value[2], rel=0.03)
        assert a.low[2] < a.value[2] < a.high[2]
    assert got.quantities.tolerance_rule[2] == got.quantities.tolerance_rule[1]


def test_an_unbalanced_study_is_answered_and_says_how():
    y, p, o, s = study()
    keep = np.arange(len(y)) % 7 != 0
    got = gauge_study(y[keep], p[keep], o[keep], s[keep])
    assert set(got.method) == {REML}
    assert got.notes[0] == "the study is unbalanced: answered by restricted maximum likelihood"
    assert got.quantities.hits == 3
    assert got.anova is None
    assert np.isfinite(got.quantities.of_study.high).all()
    assert np.isnan(got.quantities.of_tolerance.value).all()


def test_history_reaches_both_methods():
    y, p, o, s = study()
    y[0, 0] = np.nan
    sd = np.array([1.0, 1.1, 1.2, 1.3])
    got = gauge_study(y, p, o, s, history=History(sd=sd, dof=80))
    np.testing.assert_allclose(got.quantities.total.value, sd)
    assert (got.quantities.of_study.low > 0).all()
    assert sum("production" in note for note in got.notes) == 1


def test_one_operator_unbalanced_says_what_was_not_tested():
    y, p, o, s = study((6, 1, 3, 2))
    got = gauge_study(y[1:], p[1:], o[1:], s[1:])
    assert np.isfinite(got.quantities.gauge.value).all()
    assert any("'operator' is not seen" in note for note in got.notes)


def test_settings_out_of_range_are_refused():
    y, p, o, s = study()
    with pytest.raises(DataError, match="tolerance must have shape"):
        gauge_study(y, p, o, s, tolerance=[[-1, 1]])
    with pytest.raises(DataError, match="level"):
        gauge_study(y, p, o, s, level=95)
    with pytest.raises(DataError, match="pool"):
        gauge_study(y, p, o, s, pool="sometimes")
    with pytest.raises(DataError, match="hits"):
        gauge_study(y, p, o, s, hits=0)


@pytest.mark.parametrize("seed", range(40))
def test_whatever_the_layout_every_point_has_a_figure_inside_its_interval_or_words(seed):
    rng = np.random.default_rng(seed)
    rows, points = int(rng.integers(2, 40)), 3
    codes = [rng.integers(0, rng.integers(1, 5), rows) for _ in range(3)]
    y = np.round(rng.normal(size=(rows, points)) * 10.0 ** rng.integers(-3, 3), int(seed % 4))
    y[rng.random(y.shape) < 0.2 * (seed % 3)] = np.nan
    y[:, 0] = 3.3 if seed % 2 else np.nan
    got = gauge_study(y, *codes, tolerance=np.tile([-1.0, 1.0], (points, 1))).quantities
    bands = [*got.sd.values(), got.gauge, got.pieces, got.total, got.of_study, got.correlation]
    for band in bands:
        given = ~np.isnan(band.value)
        ends = given & ~np.isnan(band.low)
        assert ((band.low <= band.value) & (band.value <= band.high))[ends].all()
        assert band.note or given.all()
    assert len(judge(got)) == points
