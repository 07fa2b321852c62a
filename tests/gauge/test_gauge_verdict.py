"""Verdicts: what an interval shows, what it does not, and where criteria disagree."""

import numpy as np
import pytest

from spc.gauge.answer import gauge_study
from spc.gauge.band import Band
from spc.gauge.improve import improve_first
from spc.gauge.verdict import (
    CANNOT_TELL,
    NOT_SHOWN,
    SHOWN,
    aiag_band,
    clash,
    judge,
    watch_class,
)


def study(sd, shape=(20, 8, 3, 2), seed=1, points=1):
    (p, o, s, n), rng = shape, np.random.default_rng(seed)
    y = (
        sd[4] * rng.normal(size=(p, 1, 1, 1, points))
        + sd[3] * rng.normal(size=(1, o, 1, 1, points))
        + sd[2] * rng.normal(size=(p, o, 1, 1, points))
        + sd[1] * rng.normal(size=(p, o, s, 1, points))
        + sd[0] * rng.normal(size=(p, o, s, n, points))
    ).reshape(-1, points)
    return y, *np.indices((p, o, s, n)).reshape(4, -1)[:3]


def verdict(sd, tolerance, **more):
    got = gauge_study(*study(sd, **more), tolerance=[tolerance])
    return judge(got.quantities, rows=100)[0]


def test_a_quiet_gauge_is_shown_good_for_all_three():
    got = verdict((0.01, 0.02, 0.01, 0.01, 1.0), (-3, 3))
    assert (got.watch.state, got.sort.state, got.guide.state) == (SHOWN, SHOWN, SHOWN)
    assert got.watch_class == "first"
    assert got.study_band == got.tolerance_band == "below 10 %: generally acceptable"
    assert got.clash == ""
    assert got.watch.figure.n == 100


def test_a_gauge_that_may_not_sort_can_still_watch():
    # Half of study variation is gauge: correlation 0.75, three times the tolerance's 30 %.
    got = verdict((0.1, 0.55, 0.05, 0.1, 1.0), (-1.5, 1.5), shape=(30, 8, 3, 2))
    assert got.watch.state == SHOWN
    assert got.sort.state == NOT_SHOWN
    assert got.guide.state == NOT_SHOWN
    assert "guard band" in got.sort.sentence
    assert got.study_band == "above 30 %: not acceptable"


def test_three_operators_cannot_settle_a_middling_gauge():
    got = verdict((0.05, 0.15, 0.05, 0.2, 1.0), (-3, 3), shape=(10, 3, 2, 2))
    assert got.sort.state == CANNOT_TELL
    assert "reaches over the bound" in got.sort.sentence


def test_without_tolerance_the_reason_is_said():
    y = study((0.1, 0.2, 0.1, 0.1, 1.0))
    got = judge(gauge_study(*y).quantities)[0]
    assert got.sort.state == CANNOT_TELL
    assert "no tolerance" in got.sort.sentence
    assert got.tolerance_band == ""


def test_one_piece_can_be_sorted_for_but_not_watched():
    got = judge(
        gauge_study(
            *study((0.1, 0.2, 0.1, 0.1, 1), shape=(1, 6, 4, 3)), tolerance=[[-30, 30]]
        ).quantities
    )[0]
    assert got.sort.state == SHOWN
    assert got.watch.state == CANNOT_TELL
    assert "one piece" in got.watch.sentence
    assert got.categories is None


@pytest.mark.parametrize(
    ("study_share", "categories", "meets"),
    [(0.30, 4, False), (0.27, 5, True), (0.2, 6, True), (0.35, 3, True)],
)
def test_where_the_two_criteria_disagree(study_share, categories, meets):
    # 30 % of study variation is 1.41 √(1 - 0.09) / 0.3 = 4.48 categories: cut to 4.
    assert int(1.41 * np.sqrt(1 - study_share**2) / study_share) == categories
    assert (clash(study_share, np.nan, categories) == "") == meets


def test_bands_of_study_and_tolerance_that_differ_are_said():
    assert "different AIAG bands" in clash(0.05, 0.2, 20)


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0999, "below"), (0.1, "10 % to"), (0.3, "10 % to"), (0.3001, "above"), (np.nan, "")],
)
def test_bands(share, said):
    assert aiag_band(share).startswith(said)
    assert bool(aiag_band(share)) == bool(said)


@pytest.mark.parametrize(
    ("share", "rho", "name"),
    [(0.1, 0.99, "first"), (0.5, 0.75, "second"), (0.8, 0.36, "third"), (0.95, 0.0975, "fourth")],
)
def test_classes_of_the_correlation(share, rho, name):
    assert 1 - share**2 == pytest.approx(rho)
    assert watch_class(rho) == name


def test_guard_band_and_probable_error_follow_the_gauge():
    got = verdict((0.1, 0.2, 0.1, 0.1, 1.0), (-3, 3))
    share = got.sort.figure.value
    # 1.645 standard deviations a side: 20 % of tolerance is a guard of 5.5 % of it.
    assert got.guard.value / 6.0 == pytest.approx(1.645 * share / 6)
    assert got.guard.interval.low < got.guard.value < got.guard.interval.high
    assert got.probable_error.value / got.guard.value == pytest.approx(0.6745 / 1.645)


def band(value, low, high):
    return Band(
        *(),
        value=np.array([value]),
        low=np.array([low]),
        high=np.array([high]),
        level=0.95,
        method="",
    )


def test_the_largest_part_is_named_with_its_rivals():
    parts = {
        "hit": band(0.3, 0.28, 0.33),
        "setup": band(0.2, 0.18, 0.23),
        "operator": band(0.1, 0.0, 0.9),
        "operator_piece": band(np.nan, np.nan, np.nan),
    }
    got = improve_first(parts, 0, hits=9)
    assert got.name == "setup"
    assert got.share == pytest.approx(0.04 / (0.01 + 0.04 + 0.01))
    assert got.rivals == ("operator",)
    assert "cannot tell whether 'operator' is larger" in got.sentence
    assert set(got.shares) == {"hit", "setup", "operator"}
    assert improve_first(parts, 0, hits=1).name == "hit"


def test_no_noise_or_no_parts_is_said():
    assert improve_first({"hit": band(0.0, 0.0, 0.0)}, 0, 1).sentence.startswith("no noise")
    assert improve_first({"hit": band(np.nan, 0, 0)}, 0, 1).sentence.startswith("no part")
