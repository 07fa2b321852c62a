"""What limits take for granted: said where the baseline speaks against it, and only there."""

from collections.abc import Callable

import numpy as np
import pytest
from histories import NO_EVENTS, history
from scipy.stats import shapiro
from strategies import Array

from spc.studies.history import History
from spc.studies.moments import chart_rows
from spc.studies.monitor import charted
from spc.studies.monitor_words import alike_in_batches

N = 120
MOULDS = ["MN"[k % 2] for k in range(N)]


def made(change: Callable[[Array, np.random.Generator], None], seed: int = 2) -> History:
    """Return pieces of two moulds by turns, check-1 changed as said."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 0.1, (N, 12))
    change(values[:, 9], rng)
    return history(values, moulds=MOULDS)


def wander(x: Array, rng: np.random.Generator) -> None:
    for start in (0, 1):
        own = x[start::2]
        for k in range(1, len(own)):
            own[k] += 0.8 * own[k - 1]


def lopsided(x: Array, rng: np.random.Generator) -> None:
    x[:] = rng.exponential(0.1, N)


def unlike(x: Array, rng: np.random.Generator) -> None:
    x[1::2] *= 5


def nothing(x: Array, rng: np.random.Generator) -> None:
    """Leave it as it is."""


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (wander, "neighbours hang together"),
        (lopsided, "the baseline is not normal"),
        (unlike, "the moulds differ in spread"),
    ],
)
def test_each_is_said_of_the_series_that_it_holds_for(
    change: Callable[[Array, np.random.Generator], None], word: str
) -> None:
    chart = charted(made(change), NO_EVENTS, baseline=f"B00000..B{N - 1:05d}")
    said = {one.series: one.words for one in chart.granted}
    assert any(text.startswith(word) for text in said["check-1"])
    assert not any(words for name, words in said.items() if name != "check-1")


def test_calm_series_seldom_have_anything_said_of_them() -> None:
    """The level holds for all series together: one chart in a hundred says something, or three."""
    told = sum(
        any(one.words for one in charted(made(nothing, seed), NO_EVENTS,
                                         baseline=f"B00000..B{N - 1:05d}").granted)
        for seed in range(60)
    )  # fmt: skip
    assert told <= 5


def test_values_are_tested_about_the_centre_of_their_own_mould() -> None:
    def apart(x: Array, rng: np.random.Generator) -> None:
        x[1::2] += 1.0

    past = made(apart)
    chart = charted(past, NO_EVENTS, names=("check-1",), baseline=f"B00000..B{N - 1:05d}")
    (one,) = chart.granted
    assert (one.words, one.n) == ((), N)
    x = past.deviations[:, 9].reshape(-1, 2)
    # Two lumps a millimetre apart would be anything but normal.
    assert shapiro(x.ravel()).pvalue < 1e-9
    assert one.p_normal > 0.01
    own = (x - x.mean(axis=0)).T
    lag = sum(float(m[1:] @ m[:-1]) for m in own) / float((own**2).sum())
    assert one.lag_one == pytest.approx(lag, abs=0.03)


def test_one_mould_has_no_other_to_be_unlike() -> None:
    past = history(np.random.default_rng(1).normal(0, 0.1, (40, 10)))
    chart = charted(past, NO_EVENTS, baseline="B00000..B00039")
    assert all(np.isnan(one.p_equal_spread) for one in chart.granted)
    short = charted(past, NO_EVENTS, baseline="B00000..B00006")
    assert short.granted == ()


def test_pieces_alike_in_their_batch_are_warned_of_where_pieces_are_charted() -> None:
    rng = np.random.default_rng(3)
    batch = np.repeat(np.arange(20), 4)
    names = [f"B{b:02d}" for b in batch]
    for between, warned in ((0.2, True), (0.0, False)):
        values = rng.normal(0, 0.1, (80, 12)) + rng.normal(0, between, (20, 12))[batch]
        past = history(values, batches=names)
        pieces, batches = (
            chart_rows(past.runs, values, np.ones(80, dtype=bool), by) for by in ("piece", "batch")
        )
        assert bool(alike_in_batches(pieces, past.runs)) == warned
        assert alike_in_batches(batches, past.runs) == ""
    single = history(values)
    rows = chart_rows(single.runs, values, np.ones(80, dtype=bool), "piece")
    assert alike_in_batches(rows, single.runs) == ""
