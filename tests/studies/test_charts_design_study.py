"""Charts compared for a shift: the figures of the design module, the spread of the baseline."""

from typing import Any

import numpy as np
import pytest
from histories import history
from scipy.stats import norm

from spc.charts.design import compare_designs, pieces_for_shift
from spc.charts.runlength_memory import cusum_limit
from spc.errors import DataError, InputError, NotFoundError
from spc.studies import chart_design as module
from spc.studies.chart_design import ChartDesign, chart_design
from spc.studies.history import History


def designed(past: History | None = None, **question: Any) -> ChartDesign:
    """Return the design for a history that no store holds, or for a spread that is given."""
    said = {"shift": 0.2, "batch": 5, "run_length": 370.4, **question}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "past_of", lambda *_: past)
        return chart_design(None if past is None else object(), **said)  # type: ignore[arg-type]


def made(n: int = 30, each: int = 4, between: float = 0.2, within: float = 0.1) -> History:
    rng = np.random.default_rng(4)
    batch = np.repeat(np.arange(n), each)
    values = rng.normal(0, within, (n * each, 11)) + rng.normal(0, between, (n, 11))[batch]
    return history(values, batches=[f"B{b:02d}" for b in batch],
                   moulds=["MN"[b % 2] for b in batch])  # fmt: skip


def test_it_gives_the_figures_of_the_design_module() -> None:
    found = designed(sigma=0.25, sigma_between=0.1, shift=0.3, batch=4, run_length=200.0)
    same = compare_designs(0.3, sigma=0.25, sigma_between=0.1, batch=4, run_length=200.0)
    assert [(d.chart, dict(d.settings), d.shifted.mean) for d in found.designs.designs] == [
        (d.chart, dict(d.settings), d.shifted.mean) for d in same.designs
    ]
    smallest = pieces_for_shift(0.3, 3.0, sigma=0.25, sigma_between=0.1, run_length=200.0)
    assert found.smallest_batch == smallest
    assert (found.series, found.stands_on, found.few) == ("", "as given", "")


def test_limits_alone_are_plain_normal_arithmetic() -> None:
    found = designed(sigma=0.4, sigma_between=0.1, shift=0.5, batch=4)
    charted = (0.1**2 + 0.4**2 / 4) ** 0.5
    assert found.designs.sigma_charted == pytest.approx(charted)
    (alone,) = (d for d in found.designs.designs if d.chart == "limits alone")
    width = norm.isf(1 / 370.4 / 2)
    assert alone.settings["width"] == pytest.approx(width)
    delta = 0.5 / charted
    each = norm.sf(width - delta) + norm.sf(width + delta)
    assert alone.shifted.mean == pytest.approx(1 / each)
    assert alone.pieces_to_signal == pytest.approx(4 / each)
    assert alone.in_control.mean == pytest.approx(370.4)


def test_the_smallest_batch_is_the_first_that_finds_it_within_three() -> None:
    found = designed(sigma=0.4, sigma_between=0.05, shift=0.3)
    assert found.smallest_batch is not None

    def batches(n: int) -> float:
        delta = 0.3 / (0.05**2 + 0.4**2 / n) ** 0.5
        return float(1 / (norm.sf(3.0 - delta) + norm.sf(3.0 + delta)))

    assert batches(found.smallest_batch) <= 3.0 < batches(found.smallest_batch - 1)
    assert designed(sigma=0.4, sigma_between=0.5, shift=0.3).smallest_batch is None


def test_the_spread_of_a_series_is_that_of_its_baseline() -> None:
    past = made()
    found = designed(past, series="check-1", baseline="B00..B23")
    assert found.stands_on == "B00..B23: 24 batches, 96 pieces"
    values = past.deviations[:96, 9].reshape(24, 4)
    within = values.var(axis=1, ddof=1).mean() ** 0.5
    assert found.sigma_within == pytest.approx(within, rel=0.01)
    jumps = np.concatenate([np.diff(values.mean(axis=1)[k::2]) for k in (0, 1)])
    means = np.abs(jumps).mean() / (2 / np.pi**0.5)
    between = (means**2 - found.sigma_within**2 / 4) ** 0.5
    assert found.sigma_between == pytest.approx(between, rel=0.01)
    assert found.few.startswith("limits from 24 batches: expect a false alarm about every 1")
    split = {"sigma": found.sigma_within, "sigma_between": found.sigma_between}
    same = compare_designs(0.2, **split, batch=5)
    assert found.designs.designs[0].shifted.mean == same.designs[0].shifted.mean


def test_of_few_batches_what_they_cost_is_told() -> None:
    few, more = (
        designed(made(), series="check-1", baseline=f"B00..B{n - 1:02d}").few for n in (8, 28)
    )
    every = [int(text.split("about every ")[1].split()[0]) for text in (few, more)]
    # Quesenberry 1993: 2.4 % of values beyond limits from ten, 0.8 % from twenty-five.
    assert 20 < every[0] < 45 < 100 < every[1] < 150


@pytest.mark.parametrize("shift", [0.8, 3.0, 1000.0])
def test_a_shift_of_many_sigma_needs_no_sums_and_says_so(shift: float) -> None:
    """Found in one batch by any limits; a sum has nothing to gather."""
    found = designed(sigma=0.1, batch=1, shift=shift)
    assert "cumulative sum" not in {d.chart for d in found.designs.designs}
    assert [n for n in found.designs.notes if n.startswith("cumulative sum: a value passes")]
    assert all(d.shifted.mean < 1.001 for d in found.designs.designs)
    assert found.smallest_batch == 1


def test_the_sum_is_there_up_to_where_single_values_are_as_rare_as_its_alarms() -> None:
    rare = norm.isf(0.5 / 370.4)  # passed by a value above or below once in 370.4
    assert cusum_limit(rare - 0.1, 370.4) > 0.05
    with pytest.raises(DataError, match="there is nothing to sum up"):
        cusum_limit(rare, 370.4)


def test_a_baseline_that_cannot_tell_the_spread_is_refused_in_one_line() -> None:
    single = history(np.random.default_rng(1).normal(0, 0.1, (40, 11)))
    for past, series, baseline, words in (
        (single, "check-1", "B00000..B00029", "every batch has one piece"),
        (made(), "check-1", "B00", "cannot be told from B00 (1 batch)"),
        (made(), "check-1", "B00..B06", "(7 batches, 8 are needed)"),
        (made(), "fit-noise", "B00..B19", "'fit-noise' is no deviation"),
        (made(), "check-9", "B00..B19", "no series 'check-9'"),
    ):
        with pytest.raises((InputError, NotFoundError)) as refused:
            designed(past, series=series, baseline=baseline)
        assert words in str(refused.value)
        assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "wrong",
    [{"shift": 0.0}, {"shift": -0.1}, {"shift": np.nan}, {"shift": np.inf}, {"run_length": 1.0},
     {"run_length": np.inf}, {"sigma_between": -0.1}, {"sigma_between": np.inf},
     {"sigma_between": np.nan}, {"sigma": None}, {"sigma": 0.0}, {"sigma": np.nan},
     {"sigma": np.inf}],
)  # fmt: skip
def test_numbers_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        designed(**{"sigma": 0.2, **wrong})
