"""What charts do when nothing is wrong, and how soon they see what is: ratios, never seconds.

Small by default; with SPC_BENCH=1 in the environment more scenarios are simulated, and the bands
are as narrow as their number allows.
"""

import os
from collections.abc import Callable

import numpy as np
import pytest
from histories import NO_EVENTS, history, simulated
from scipy.stats import norm
from strategies import Array

from spc.charts.runlength_memory import ewma_run_length
from spc.demo.scenario import build
from spc.studies.chance import Chance, chance
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted, touching

FULL = os.environ.get("SPC_BENCH") == "1"
SEEDS = 60 if FULL else 8
#: Found over expected in one null scenario: charts of a piece move together, so that one scenario
#: shows few or many. Over forty scenarios it was 0.95, of one 0.4 either way.
MIDDLE, SPREAD = 0.95, 0.4


def late(chart: Monitor) -> int:
    """Return how many signals, fit points apart, lie after the baseline."""
    fit = set(np.array(chart.series.names)[chart.series.fit_point])
    found = touching(chart, ~chart.rows.baseline)
    return sum(s.series not in fit for s in found)


def test_null_scenarios_show_about_as_many_charts_with_signals_as_chance_expects() -> None:
    found: list[Chance] = [
        chance(charted(simulated(build(seed, null=True)), NO_EVENTS)) for seed in range(SEEDS)
    ]
    ratios = np.array([one.found / one.charts_with_any for one in found])
    print(f"{SEEDS} null scenarios: {[one.found for one in found]} of {found[0].charts} charts, "
          f"{found[0].charts_with_any:.1f} expected; ratio {ratios.mean():.2f}")  # fmt: skip
    assert {one.charts for one in found} == {60}
    assert abs(ratios.mean() - MIDDLE) <= 3 * SPREAD / SEEDS**0.5
    assert ratios.max() <= MIDDLE + 4 * SPREAD


def many(rows: int, checks: int, moulds: str, seed: int) -> History:
    values = np.random.default_rng(seed).normal(0, 0.1, (rows, 9 + checks))
    return history(values, moulds=[moulds[k % len(moulds)] for k in range(rows)])


@pytest.mark.parametrize(
    ("moulds", "base", "rows"), [("M", 12, 35), ("MN", 12, 36), ("M", 25, 50), ("MN", 40, 100)]
)
def test_of_independent_charts_as_many_signal_as_are_expected(
    moulds: str, base: int, rows: int
) -> None:
    """Charts of other seeds than the reckoning simulates: within the error of their number."""
    checks = 2000 if FULL else 600
    names = tuple(f"check-{k + 1}" for k in range(checks))
    chart = charted(many(rows, checks, moulds, 5), NO_EVENTS, names=names,
                    baseline=f"B00000..B{base - 1:05d}")  # fmt: skip
    found = chance(chart)
    share = found.charts_with_any / found.charts
    # Charts of two moulds share their spread: as if there were half as many, at worst.
    error = (len(moulds) * found.charts * share * (1 - share)) ** 0.5
    print(f"moulds {moulds}, limits from {base}: {found.found} of {found.charts} charts, "
          f"{found.charts_with_any:.0f} expected, {error:.0f} either way by chance")  # fmt: skip
    assert abs(found.found - found.charts_with_any) <= 3 * error


def test_over_2000_runs_of_60_points_a_budget_is_kept() -> None:
    """One alarm in three months is promised; after 200 pieces of baseline 59 months are left."""
    months, times = 3.0, 10 if FULL else 3
    alarms = [
        late(charted(many(2000, 51, "M", seed), NO_EVENTS, by="piece", months=months,
                     baseline="B00000..B00199"))
        for seed in range(times)
    ]  # fmt: skip
    promised = 1800 / 30.4375 / months
    print(f"2,000 runs of 60 points, one alarm in {months:g} months promised: {alarms} found, "
          f"{promised:.1f} allowed")  # fmt: skip
    assert np.mean(alarms) <= promised + 3 * (promised / times) ** 0.5
    assert np.mean(alarms) >= 0.3 * promised


@pytest.mark.parametrize(("moulds", "base"), [("M", 12), ("MN", 12), ("MN", 26)])
def test_few_values_behind_the_limits_keep_to_it_too(moulds: str, base: int) -> None:
    """Two thousand charts of 60 points each are as many shops with limits of their own."""
    checks, rows, months = 2000, 60, 0.01
    names = tuple(f"check-{k + 1}" for k in range(checks))
    chart = charted(many(rows, checks, moulds, 8), NO_EVENTS, names=names, months=months,
                    baseline=f"B00000..B{base - 1:05d}")  # fmt: skip
    allowed = (rows - base) / (rows - 1) * (rows - 1) / 30.4375 / months
    by_chart = dict.fromkeys(names, 0)
    for one in touching(chart, ~chart.rows.baseline):
        by_chart[one.series] += 1
    counts = np.array(list(by_chart.values()))
    error = counts.std() * checks**0.5
    print(f"moulds {moulds}, limits from {base}: {counts.sum()} of {allowed:.0f} alarms allowed")
    assert counts.sum() <= allowed + 3 * error
    assert counts.sum() >= 0.3 * allowed


def first_after(chart: Monitor, at: int) -> Array:
    """Return for each series how many points after the change it first signalled, NaN where not."""
    times = chart.rows.times
    delay = {name: np.nan for name in chart.series.names}
    for one in chart.signals:
        row = int(np.searchsorted(times, np.datetime64(one.since)))
        end = int(np.searchsorted(times, np.datetime64(one.until)))
        if end >= at:
            mine = max(row, at) - at + 1
            delay[one.series] = np.nanmin([delay[one.series], mine])
    return np.array(list(delay.values()))


STEP = {"a step of 1 sigma": lambda k: 1.0 + 0 * k, "a step of 2 sigma": lambda k: 2.0 + 0 * k,
        "a drift of 0.1 sigma a point": lambda k: 0.1 * (k + 1)}  # fmt: skip


@pytest.mark.parametrize("change", STEP)
def test_changes_are_seen_sooner_than_by_limits_alone(change: str) -> None:
    """Run lengths of limits alone by the normal law; of the average by its integral equation."""
    checks, base, rows = 600, 200, 300
    names = tuple(f"check-{k + 1}" for k in range(checks))
    values = np.random.default_rng(4).normal(0, 1, (rows, 9 + checks))
    size: Callable[[Array], Array] = STEP[change]
    values[base:, 9:] += size(np.arange(rows - base))[:, None]
    asked = {"names": names, "baseline": f"B00000..B{base - 1:05d}", "by": "piece"}
    usual, kept = (
        first_after(charted(history(values), NO_EVENTS, **asked, **more), base)
        for more in ({}, {"months": 1.0})
    )
    # Limits alone: the expected first point beyond, whatever came before.
    shift = size(np.arange(rows - base))
    quiet = np.cumprod(1 - norm.sf(3 - shift) - norm.sf(3 + shift))
    alone = 1 + quiet[:-1].sum()
    means = f"{np.nanmean(usual):.1f} points, by limits alone {alone:.1f}"
    print(f"{change}: seen after {means}; {np.nanmean(kept):.1f} at one false alarm a month")
    assert np.isfinite(usual).all()
    assert np.nanmean(usual) < alone
    assert np.nanmean(kept) > np.nanmean(usual)
    if change.startswith("a step"):
        average = ewma_run_length(0.2, 2.86, float(shift[0]), after_a_while=True).mean
        assert np.nanmean(usual) <= 1.05 * average


def test_the_planted_step_and_warp_are_seen_within_a_few_batches() -> None:
    """Batches of one mould from the change to the first signal, of the usual limits."""
    delays: dict[str, list[float]] = {"step, K1": [], "step, K2": [], "warp": []}
    for seed in range(12 if FULL else 4):
        scenario = build(seed)
        past = simulated(scenario)
        spoiled = scenario.truth.knock.spoiled_run
        past = past.where(np.asarray(past.runs["run"] != spoiled))
        asked = ("tail-left", "corner-front-right")
        chart = charted(past, NO_EVENTS, names=asked)
        for name, point, mould, first in (
            ("step, K1", "tail-left", "K1", "B14"), ("step, K2", "tail-left", "K2", "B14"),
            ("warp", "corner-front-right", scenario.truth.warp.mould, scenario.truth.warp.batch),
        ):  # fmt: skip
            labels = [label for label, m in zip(chart.rows.labels, chart.rows.moulds, strict=True)
                      if m == mould and label >= first]  # fmt: skip
            mine = [s for s in chart.signals
                    if (s.series, s.mould) == (point, mould) and s.last >= first]  # fmt: skip
            seen = min((max(s.first, labels[0]) for s in mine), default=None)
            delays[name].append(np.nan if seen is None else labels.index(seen) + 1)
    for name, found in delays.items():
        print(f"{name}: first signal after {found} batches of the mould")
    assert np.nanmean(delays["step, K1"] + delays["step, K2"]) <= 4
    assert np.isfinite(delays["step, K1"] + delays["step, K2"]).all()
    assert np.nanmean(delays["warp"]) <= 6
