"""How far groups lie from each other, against scipy's tests and plain arithmetic."""

import numpy as np
import pytest
from scipy import stats
from strategies import Array

from spc.charts.offsets import FEWEST, group_offsets


def laid(cube: Array) -> tuple[Array, list[int], list[int]]:
    """Return rows, groups and batches of (batches, groups, points)."""
    batches, groups, points = cube.shape
    rows = cube.reshape(batches * groups, points)
    return rows, [*range(groups)] * batches, [b for b in range(batches) for _ in range(groups)]


def test_two_groups_of_the_same_batches_are_compared_by_the_paired_t_test() -> None:
    rng = np.random.default_rng(3)
    cube = rng.normal(0, 1, (12, 1, 5)) + rng.normal(0, 0.1, (12, 2, 5))
    cube[:, 1] += 0.2
    found = group_offsets(*laid(cube))
    for k in range(5):
        book = stats.ttest_rel(cube[:, 1, k], cube[:, 0, k])
        low, high = book.confidence_interval(0.95)
        mine = [found.p[1, k], found.low[1, k], found.high[1, k], found.df[1, k]]
        assert mine == pytest.approx([book.pvalue, low, high, book.df])
    np.testing.assert_allclose(found.offset[0], -found.offset[1])
    assert found.paired.all()
    assert (found.n == 12).all()


def test_groups_with_batches_of_their_own_are_compared_by_welchs_test() -> None:
    rng = np.random.default_rng(4)
    x, y = rng.normal(0, 1, (9, 3)), rng.normal(0.5, 3, (6, 3))
    found = group_offsets(np.vstack([x, y]), [0] * 9 + [1] * 6, np.arange(15))
    for k in range(3):
        book = stats.ttest_ind(y[:, k], x[:, k], equal_var=False)
        low, high = book.confidence_interval(0.95)
        mine = [found.p[1, k], found.low[1, k], found.high[1, k], found.df[1, k]]
        assert mine == pytest.approx([book.pvalue, low, high, book.df])
    assert not found.paired.any()
    assert found.n.tolist() == [[9] * 3, [6] * 3]


def test_one_of_three_is_compared_with_the_mean_of_the_others_in_its_batch() -> None:
    cube = np.random.default_rng(5).normal(0, 1, (8, 3, 1))
    cube[3, 2], cube[5, 1:] = np.nan, np.nan
    found = group_offsets(*laid(cube))
    d = [cube[b, 0, 0] - np.nanmean(cube[b, 1:, 0]) for b in (0, 1, 2, 3, 4, 6, 7)]
    assert found.offset[0, 0] == pytest.approx(np.mean(d))
    assert found.p[0, 0] == pytest.approx(stats.ttest_1samp(d, 0).pvalue)
    assert found.n[:, 0].tolist() == [7, 7, 6]


@pytest.mark.parametrize("held", ["few", "still", "missing", "alone"])
def test_where_nothing_can_be_compared_there_is_no_figure(held: str) -> None:
    cube = np.random.default_rng(6).normal(0, 1, (10, 2, 1))
    if held == "few":
        cube = cube[: FEWEST - 1]
    if held == "still":
        cube[:] = 1.0
    if held == "missing":
        cube[:, 1] = np.nan
    if held == "alone":
        cube = cube[:, :1]
    found = group_offsets(*laid(cube))
    assert np.isnan(found.p).all()
    assert np.isnan(found.low).all()


def test_groups_alike_are_told_apart_as_seldom_as_the_level_says() -> None:
    """Two thousand comparisons at 5 %: found in a binomial's range."""
    rng = np.random.default_rng(7)
    cube = rng.normal(0, 1, (7, 1, 2000)) + rng.normal(0, 0.3, (7, 2, 2000))
    found = int((group_offsets(*laid(cube)).p[0] < 0.05).sum())
    low, high = stats.binom.interval(0.999, 2000, 0.05)
    assert low <= found <= high
