"""The test of fit where pieces came in batches, by simulation and against its independent twin."""

import numpy as np
import pytest

from spc.capability.batches import batch_components
from spc.capability.families import LOGNORMAL, NORMAL
from spc.capability.fits import fit
from spc.capability.goodness import p_values
from spc.capability.like_batches import drawn_alike, lumps
from spc.capability.shapes import fit_shapes
from spc.errors import DataError


def in_batches(rng, batches, size, share, columns):
    """Draw standard normal readings of which batches have this share of the variance."""
    shift = rng.standard_normal((batches, columns)).repeat(size, axis=0)
    own = rng.standard_normal((batches * size, columns))
    return np.sqrt(share) * shift + np.sqrt(1.0 - share) * own


@pytest.mark.parametrize("share", [0.0, 0.7, 0.9])
def test_a_normal_process_in_batches_is_turned_down_no_oftener_than_said(share):
    """At 5 %, 300 trials turn down 15; more than 27 has a chance of 0.002 (binomial)."""
    rng = np.random.default_rng(31)
    x = in_batches(rng, 12, 11, share, 300)
    codes = np.repeat(np.arange(12), 11)
    _, p = p_values(NORMAL, x, fit(NORMAL, x), rng=rng, resamples=99, codes=codes)
    assert (p < 0.05).sum() <= 27
    _, alone = p_values(NORMAL, x, fit(NORMAL, x), rng=rng, resamples=99)
    # Taken as independent, far more of them would be turned down.
    assert ((alone < 0.05).mean() > 0.2) == (share > 0.5)


def test_a_shape_that_is_wrong_is_still_found_in_batches():
    rng = np.random.default_rng(32)
    x = np.exp(0.8 * in_batches(rng, 40, 5, 0.3, 60))
    codes = np.repeat(np.arange(40), 5)
    _, p = p_values(NORMAL, x, fit(NORMAL, x), rng=rng, resamples=99, codes=codes)
    assert (p < 0.05).mean() > 0.9
    _, right = p_values(LOGNORMAL, x, fit(LOGNORMAL, x), rng=rng, resamples=99, codes=codes)
    assert (right < 0.05).mean() < 0.2


def test_simulated_batches_share_what_the_seen_ones_do_and_miss_what_they_miss():
    rng = np.random.default_rng(33)
    x = in_batches(rng, 30, 6, 0.6, 2)
    x[5:40, 1] = np.nan
    codes = np.repeat(np.arange(30), 6)
    p = fit(NORMAL, x)
    seen = lumps(NORMAL, x, p, codes, 1000)
    assert seen.share == pytest.approx(batch_components(x, codes).share)
    ((at, again),) = drawn_alike(NORMAL, p, seen, rng=rng, resamples=200)
    assert np.isnan(again[:, at == 1]).any(axis=1).tolist() == np.isnan(x[:, 1]).tolist()
    drawn = batch_components(again, codes)
    for point in (0, 1):
        assert drawn.share[at == point].mean() == pytest.approx(seen.share[point], abs=0.05)
        assert drawn.mean[at == point].mean() == pytest.approx(p[0, point], abs=0.05)


def test_single_pieces_a_batch_are_independent_pieces():
    rng = np.random.default_rng(34)
    x = rng.standard_normal((60, 1))
    one = fit_shapes(x, rng=np.random.default_rng(1), batch=range(60))
    two = fit_shapes(x, rng=np.random.default_rng(1))
    assert one.family == two.family == ("normal",)
    assert one.p_value == pytest.approx(two.p_value, abs=0.12)


def test_pieces_of_no_known_batch_are_left_out():
    rng = np.random.default_rng(35)
    x = rng.standard_normal((60, 1))
    found = fit_shapes(x, rng=rng, batch=["a"] * 20 + ["b"] * 20 + [""] * 20)
    assert found.n.tolist() == [40]
    with pytest.raises(DataError, match="3 labels for 60 pieces"):
        fit_shapes(x, rng=rng, batch=["a"] * 3)


def test_many_batches_are_simulated_in_part():
    rng = np.random.default_rng(36)
    x = in_batches(rng, 400, 5, 0.5, 2)
    codes = np.repeat(np.arange(400), 5)
    seen = lumps(NORMAL, x, fit(NORMAL, x), codes, 400)
    assert seen.missing.shape == (400, 2)
    thick = lumps(NORMAL, x, fit(NORMAL, x), codes // 10, 400)
    assert thick.missing.shape == (2000, 2)
