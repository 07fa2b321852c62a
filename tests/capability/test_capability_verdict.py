"""Verdicts: the right word, the right reason, and a promise kept over many processes."""

import numpy as np
import pytest
from scipy import stats

from spc.capability.bounds import one_sided_bound
from spc.capability.indices import capability
from spc.capability.needed import batches_needed, pieces_needed
from spc.capability.verdict import flattering_factor, verdicts
from spc.capability.verdict_words import beside
from spc.errors import DataError


def _pieces(n, index, sd=0.1):
    """Exactly this Ppk against an upper limit of 1."""
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return 1.0 - 3.0 * sd * index + sd * (z - z.mean()) / z.std(ddof=1)


def _one(n, index, **how):
    return verdicts(capability(_pieces(n, index), np.nan, 1.0), 1.33, **how)[0]


def test_shown_only_when_the_lower_bound_is_there():
    # The domain notes' computed figure: 50 pieces must observe about 1.61 to show 1.33.
    assert one_sided_bound(1.61, 50, 49) == pytest.approx(1.33, abs=0.005)
    assert _one(50, 1.62).outcome == "shown"
    found = _one(50, 1.58)
    assert found.outcome == "cannot be shown"
    assert found.pieces_needed == pieces_needed(1.58, 1.33)
    assert f"{found.pieces_needed} would do" in found.reason


def test_not_shown_when_the_upper_bound_is_below():
    found = _one(50, 1.0)
    assert found.outcome == "not shown"
    assert found.upper_bound < 1.33
    assert found.observed.value == pytest.approx(1.0)
    assert found.observed.interval is not None
    assert 1.0 in found.observed.interval


def test_eighteen_pieces_carry_no_index_but_an_answer():
    found = _one(18, 1.6)
    assert found.outcome == "cannot be shown"
    assert np.isnan(found.observed.value)
    assert found.observed.interval is None
    assert found.reason.startswith("Ppk of at least 1.33 cannot be shown with 18 pieces; ")
    # Even a figure far above is not shown by fewer pieces than an index is given for.
    assert _one(18, 5.0).pieces_needed == 25


@pytest.mark.parametrize("index", [1.34, 1.4, 1.6, 2.5])
def test_pieces_needed_agree_with_stepping_through_the_noncentral_t(index):
    """One piece fewer leaves the true confidence of the claim below 95 %."""
    n = int(pieces_needed(index, 1.33))
    if n == 0:
        assert index == 1.34
        n = 10_001
    for pieces, enough in ((n, True), (n - 1, False)):
        tail = stats.nct.sf(3 * np.sqrt(pieces) * index, pieces - 1, 3 * np.sqrt(pieces) * 1.33)
        if n <= 10_000:
            assert (tail <= 0.0500001) == enough
        else:
            assert tail > 0.0499


def test_no_number_of_pieces_lifts_an_index_below_the_requirement():
    found = _one(60, 1.25)
    assert found.outcome == "cannot be shown"
    assert found.pieces_needed is None
    assert "more pieces alone would not show it" in found.reason
    assert pieces_needed([1.33, 1.2, np.nan, 1.331], 1.33).tolist() == [0, 0, 0, 0]


def test_batches_needed_do_show_it_and_one_fewer_does_not():
    rng = np.random.default_rng(6)
    codes = np.repeat(np.arange(4), 8)
    x = np.array([-0.1, 0.05, 0.1, -0.05])[codes] + rng.normal(0.0, 0.1, 32)
    c = capability(x, -0.85, 0.85, batch=codes)
    found = verdicts(c, 1.33)[0]
    assert found.outcome == "cannot be shown"
    assert found.pieces_needed == 8 * found.batches_needed
    assert f"{found.batches_needed} batches of 8 would do" in found.reason
    more = batches_needed(c.components, 3.0 * c.sd_overall * c.ppk, 1.33)
    assert more[0] == found.batches_needed > 4
    # Many batches of one piece are independent pieces: then both answers meet.
    y = _pieces(40, 1.45)
    alone = capability(y, np.nan, 1.0, batch=range(40))
    reach = 3.0 * alone.sd_overall * alone.ppk
    direct = pieces_needed(alone.ppk, 1.33)
    assert batches_needed(alone.components, reach, 1.33) == pytest.approx(direct, rel=0.03)


def test_batches_needed_for_cpk():
    rng = np.random.default_rng(6)
    codes = np.repeat(np.arange(6), 5)
    x = rng.normal(0.0, 0.03, 6)[codes] + rng.normal(0.0, 0.1, 30)
    c = capability(x, -0.43, 0.43, batch=codes)
    found = verdicts(c, 1.33, short_term=True, stable=True)[0]
    assert found.index == "Cpk"
    assert found.batches_needed is not None
    assert found.batches_needed > 6


def test_one_batch_shows_that_batch_only():
    c = capability(_pieces(60, 3.0), np.nan, 1.0, batch=["a"] * 60)
    found = verdicts(c)[0]
    assert found.outcome == "cannot be shown"
    assert "that batch, not the process" in found.reason


def test_a_point_of_the_fit_is_refused_with_its_factor():
    found = _one(60, 3.0, leverage=0.75)
    assert found.outcome == "refused"
    assert found.flattering == pytest.approx(2.0)
    assert "by a factor of 2.00" in found.reason
    assert np.isnan([found.observed.value, found.bound]).all()
    assert "without limit" in _one(60, 3.0, leverage=1.0).reason
    assert _one(60, 3.0, leverage=np.nan).outcome == "shown"


def test_flattering_factor_of_the_domain_notes():
    # Residual SD over sigma of a deck point, leverage 0.73 to 0.77: 0.48 to 0.52 (computed there).
    assert 1.0 / flattering_factor([0.73, 0.77]) == pytest.approx([0.52, 0.48], abs=0.005)
    with pytest.raises(DataError, match=r"between 0 and 1, not 1\.2"):
        flattering_factor([0.5, 1.2])


def test_an_unstable_process_has_performance_only():
    c = capability(_pieces(60, 1.8), np.nan, 1.0, sigma_within=0.05, within_dof=40)
    found = verdicts(c, short_term=True, stable=False)[0]
    assert found.outcome == "refused"
    assert found.index == "Ppk"
    assert found.observed.value == pytest.approx(1.8)
    assert "not stable" in found.reason
    assert "Performance of these 60 pieces only" in found.reason
    stable = verdicts(c, short_term=True, stable=True)[0]
    assert (stable.index, stable.outcome) == ("Cpk", "shown")
    assert "not looked at" not in stable.reason
    assert "not looked at" in verdicts(c)[0].reason


def test_no_tolerance_no_spread_no_pieces():
    x = np.column_stack([_pieces(30, 1.0), np.full(30, 0.5), np.full(30, np.nan)])
    found = verdicts(capability(x, np.nan, [np.nan, 1.0, 1.0]))
    assert [v.outcome for v in found] == ["refused", "refused", "cannot be shown"]
    assert "No tolerance" in found[0].reason
    assert "read alike" in found[1].reason
    assert "0 pieces" in found[2].reason


def test_refusals_of_input():
    c = capability(_pieces(30, 1.0), np.nan, 1.0)
    with pytest.raises(DataError, match="above 0, not -1"):
        verdicts(c, -1.0)
    with pytest.raises(DataError, match="stable needs one value a point"):
        verdicts(c, stable=[True, False])


def test_a_written_bound_stays_on_its_side():
    assert beside(1.3299, 1.33) == "1.3299"
    assert beside(1.3301, 1.33) == "1.33"
    assert beside(0.9, 1.33) == "0.90"
    assert float(beside(1.33 - 1e-12, 1.33)) < 1.33


@pytest.mark.parametrize("n", [25, 60])
def test_a_process_exactly_at_the_requirement_is_rarely_judged_either_way(n):
    """Seeded simulation of 800 processes with two limits; each error promised below 5 %."""
    rng = np.random.default_rng(n)
    for centre in (0.0, 0.5):
        x = rng.normal(centre, 1.0, (n, 800))
        limit = 3.0 * 1.33
        c = capability(x, -limit - 2.0 * centre, limit + centre)
        words = np.array([v.outcome for v in verdicts(c, 1.33)])
        slack = 3.0 * np.sqrt(0.05 * 0.95 / 800)
        assert 0.01 < np.mean(words == "shown") < 0.05 + slack
        assert 0.01 < np.mean(words == "not shown") < 0.05 + slack
