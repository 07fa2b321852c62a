"""Rehearsals keep what the theory promises, and tell what the trade notes warn of."""

import numpy as np
import pytest

from spc.alignment.rehearse import (
    OVERALL,
    POINT,
    bad_touch,
    bad_touches,
    face_twist,
    nothing_wrong,
    rehearse,
    size_change,
)
from spc.alignment.reliability import noncentrality, reliability
from spc.errors import DataError

TRIALS = 4000


@pytest.fixture(scope="module")
def seen(tied):
    found = reliability(tied.p, tied.n, tied.w, alpha=0.01, power=0.8)
    faults = (
        nothing_wrong(12),
        bad_touch(12, 4, 0.05 * found.detectable[4]),
        bad_touch(12, 5, 0.05 * found.detectable[5]),
        bad_touches(12, {0: 0.5, 4: 0.5}),
        size_change(tied.p, tied.n, -0.1),
        face_twist(tied.p, tied.n, "+z", 0.3),
    )
    runs = rehearse(
        tied.p,
        tied.n,
        tied.w,
        faults,
        sigma=0.05,
        alpha=0.01,
        trials=TRIALS,
        rng=np.random.default_rng(11),
    )
    names = ("nothing", "middle", "side", "two", "size", "twist")
    return dict(zip(names, runs, strict=True))


def _rate(run, figure):
    return run.rates[run.figures.index(figure)]


def test_false_alarms_are_at_alpha(seen):
    """SE 0.0016 at 1 %, and the worst-point test is a bound."""
    run = seen["nothing"]
    for figure, rate in zip(run.figures, run.rates, strict=True):
        if figure == POINT:
            assert rate < 0.01 + 0.005
        else:
            assert rate == pytest.approx(0.01, abs=0.006), figure
    assert np.isnan(run.right)
    assert (run.median_shift == 0.0).all()
    np.testing.assert_allclose(run.errors, np.sqrt(run.rates * (1 - run.rates) / TRIALS))


def test_the_overall_test_has_the_power_of_the_noncentral_distribution(seen, tied):
    from scipy.stats import chi2, ncx2

    delta = noncentrality(0.01, 0.8)
    expected = ncx2.sf(chi2.isf(0.01, 3), 3, delta**2)
    assert _rate(seen["middle"], OVERALL) == pytest.approx(expected, abs=0.03)
    assert _rate(seen["side"], OVERALL) == pytest.approx(expected, abs=0.03)


def test_the_middle_is_named_and_the_side_only_with_its_set(seen):
    assert seen["middle"].right > 0.9 * _rate(seen["middle"], POINT)
    assert seen["middle"].exact == pytest.approx(seen["middle"].right)
    assert seen["side"].right > 0.9 * _rate(seen["side"], POINT)
    assert seen["side"].exact == 0.0
    for run in seen.values():
        rate = _rate(run, POINT)
        parts = run.wrong + (0.0 if np.isnan(run.right) else run.right)
        assert parts == pytest.approx(rate)


def test_a_hidden_side_error_moves_the_check_patch_by_half(seen, tied):
    run = seen["side"]
    size = run.fault.displacement[5]
    assert run.median_shift[9] == pytest.approx(0.5 * size, rel=0.02)
    assert _rate(run, "check patch: point 9") > 0.9


def test_shrink_shows_in_no_residual_figure_and_in_every_opposite_patch(seen):
    run = seen["size"]
    for figure, rate in zip(run.figures, run.rates, strict=True):
        if figure in (OVERALL, POINT) or figure.startswith("mode"):
            assert rate == pytest.approx(0.01, abs=0.006), figure
    assert _rate(run, "shape: size") > 0.99
    for patch in (9, 10, 11):
        assert _rate(run, f"check patch: point {patch}") > 0.99


def test_a_twist_is_seen_by_its_mode_and_blamed_on_a_point(seen):
    run = seen["twist"]
    assert _rate(run, "mode: twist of the +z face") > 0.99
    assert _rate(run, "mode: bow of the +z face") == pytest.approx(0.01, abs=0.006)
    assert run.wrong > 0.9
    np.testing.assert_allclose(run.median_shift[:4], [0.3, -0.3, 0.3, -0.3], atol=0.01)


def test_two_bad_points_at_once_may_accuse_a_third(seen):
    run = seen["two"]
    assert _rate(run, OVERALL) > 0.95
    assert run.wrong > 0.3


def test_the_seed_decides(tied):
    def once(seed):
        (run,) = rehearse(
            tied.p,
            tied.n,
            tied.w,
            (bad_touch(12, 4, 0.2),),
            sigma=0.05,
            trials=300,
            rng=np.random.default_rng(seed),
        )
        return run.rates

    np.testing.assert_array_equal(once(1), once(1))
    assert (once(1) != once(2)).any()


def test_what_cannot_be_rehearsed_is_refused(tied):
    rng = np.random.default_rng(0)
    with pytest.raises(DataError, match="do not hold the part"):
        rehearse(
            tied.p, np.tile([0.0, 0, 1], (12, 1)), tied.w, (nothing_wrong(12),), sigma=0.05, rng=rng
        )
    with pytest.raises(DataError, match="point 12"):
        bad_touch(12, 12, 1.0)
    with pytest.raises(DataError, match="no face"):
        face_twist(tied.p, tied.n, "roof", 1.0)
