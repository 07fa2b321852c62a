"""What the studies find in the sample runs, held against what the simulation really did.

The truth stands in sample-runs/truth.json, which no part of the program reads.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers import Outcome, fill
from scipy import stats

from spc.demo.files import write
from spc.demo.scenario import build
from spc.errors import InputError
from spc.store.connection import open_store
from spc.studies.capability import CapabilityStudy, capability_study
from spc.studies.capability_asked import Asked
from spc.studies.chart_signals import EWMA_CHART, VALUE_CHART, Signal
from spc.studies.gauge import gauge_study
from spc.studies.history import History
from spc.studies.hit_check import suspect_hits
from spc.studies.monitor import Monitor, monitor
from spc.studies.month import month_study
from spc.studies.spans import month

Command = Callable[..., Outcome]

SHRUNK = ("left-flank-front", "left-flank-middle", "left-flank-rear", "tail-left", "tail-right")


def batches_of(chart: Monitor, mould: str) -> list[str]:
    """Return a mould's batches in the order of time."""
    return [b for b, m in zip(chart.rows.labels, chart.rows.moulds, strict=True) if m == mould]


def first_signal(chart: Monitor, series: str, mould: str, batches: list[str], *charts: str) -> int:
    """Return at which of the batches the first signal began or went on, counted from 1."""
    order = batches_of(chart, mould)

    def reaches(signal: Signal, batch: str) -> bool:
        return order.index(signal.first) <= order.index(batch) <= order.index(signal.last)

    mine = [s for s in chart.signals if (s.series, s.mould) == (series, mould)]
    at = [i for i, batch in enumerate(batches, start=1)
          if any(s.chart in charts and reaches(s, batch) for s in mine)]  # fmt: skip
    return min(at, default=999)


@pytest.mark.parametrize("mould", ["K1", "K2"])
@pytest.mark.parametrize("series", SHRUNK)
def test_the_shrinking_is_signalled_within_three_batches_of_each_mould(
    chart: Monitor, truth: Any, series: str, mould: str
) -> None:
    # The step is 4.0 to 4.5 standard deviations of a batch mean (truth, uncorrected for warmth), so
    # one batch lies beyond three with a chance of 0.84 or more, and one of three with 0.996.
    assert abs(truth["step"]["in_batch_sigma_uncorrected"][series]) > 4.0
    order = batches_of(chart, mould)
    after = [b for b in order if b >= truth["step"]["batch"]]
    assert first_signal(chart, series, mould, after, VALUE_CHART, EWMA_CHART) <= 3
    column = chart.series.names.index(series)
    rows = [i for i, m in enumerate(chart.rows.moulds) if m == mould]
    late = [i for i in rows if chart.rows.labels[i] in after]
    # And it is the right way, by about the right size; the room's warmth moves a batch too.
    moved = chart.values[late, column].mean() - chart.center[late[0], column]
    assert moved == pytest.approx(truth["step"]["seen_mm"][series], abs=0.45)


def test_the_warp_of_one_mould_is_signalled_within_four_of_its_batches(
    chart: Monitor, truth: Any
) -> None:
    warp = truth["warp"]
    onset = [b for b in batches_of(chart, "K2") if b >= warp["batch"]]
    assert onset == list(warp["by_batch_mm"])
    # These gain 1.1 to 1.5 standard deviations of a batch mean with each batch, 4.4 to 6 by the
    # fourth, and the shrinking hardly moved them; at the rims the two cancel for a while.
    step = truth["step"]["in_batch_sigma"]
    growing = [p for p, g in warp["growth_in_batch_sigma"].items()
               if abs(g) > 1.0 and abs(step[p]) < 1.0]  # fmt: skip
    assert sorted(growing) == [
        "corner-front-left", "corner-front-right", "corner-rear-left", "corner-rear-right",
        "hinge-pad-left", "hinge-pad-right", "shoulder-right-front",
    ]  # fmt: skip
    for point in growing:
        assert first_signal(chart, point, "K2", onset, VALUE_CHART, EWMA_CHART) <= 4
    assert first_signal(chart, warp["best_point"], "K2", onset, VALUE_CHART) <= 4
    # The other mould was left as it was. The shrinking moves corner-front-right by 0.05 sigma.
    untouched = [b for b in batches_of(chart, "K1") if b >= warp["batch"]]
    assert first_signal(chart, "corner-front-right", "K1", untouched, VALUE_CHART) == 999


def test_the_fit_s_own_figures_do_not_see_the_shrinking(chart: Monitor, truth: Any) -> None:
    # All residuals are blind to it (truth), so a chart of them alone would have missed it.
    seen = truth["seen_mm_per_percent"].items()
    blind = [abs(v) for k, v in seen if re.fullmatch(r"(deck|flank|nose)-\d", k)]
    assert len(blind) == 9
    assert max(blind) < 1e-3
    batches = [b for b in batches_of(chart, "K1") if truth["step"]["batch"] <= b < "B18"]
    assert first_signal(chart, "fit-noise", "K1", batches, VALUE_CHART) == 999


def expected_beyond(chart: Monitor, rows: np.typing.NDArray[np.bool_]) -> float:
    """Return the chance of a value beyond three sigma where centre and sigma are estimated.

    A mean of m values and a sigma of f degrees of freedom make it that of |t(f)| beyond
    3 / sqrt(1 + 1/m); with both known it would be 0.0027.
    """
    chances = []
    for row in np.flatnonzero(rows):
        base = (chart.rows.spans == chart.rows.spans[row]) & chart.rows.baseline
        # A value of the baseline pulls its own centre with it.
        spread = np.sqrt(1 + (-1 if chart.rows.baseline[row] else 1) / base.sum())
        chances.append(2 * stats.t.sf(3 / spread, chart.sigma_df))
    return float(np.mean(chances))


def beyond(chart: Monitor, rows: np.typing.NDArray[np.bool_]) -> float:
    """Return the share of values beyond their limits."""
    values = chart.values[rows]
    return float(((values > chart.upper[rows]) | (values < chart.lower[rows])).mean())


def test_before_anything_happened_there_are_no_more_signals_than_chance_allows(
    chart: Monitor, truth: Any
) -> None:
    calm = np.array([b < truth["step"]["batch"] for b in chart.rows.labels])
    assert calm.sum() == 13
    expected = expected_beyond(chart, calm)
    # 13 batches of all series: about 2 of 100 values are expected outside limits that stand on 12
    # batches; charts of one part go together, so twice that would still be no wonder.
    assert expected == pytest.approx(0.017, abs=0.006)
    assert beyond(chart, calm) <= 2 * expected
    early = [s for s in chart.signals if s.first < "B13"]
    assert len(early) <= 3


@pytest.fixture(scope="module")
def calm_chart(tmp_path_factory: pytest.TempPathFactory) -> Monitor:
    """Return the charts of a scenario in which nothing goes wrong."""
    folder = tmp_path_factory.mktemp("calm")
    write(folder, build(7, null=True))
    files = sorted((folder / "runs").rglob("*.csv"))
    fill(folder / "calm.duckdb", files, plan=folder / "LH-640.toml")
    with open_store(folder / "calm.duckdb", read_only=True) as store:
        past = monitor(store)
        assert suspect_hits(store, production_of(store)) == ()
        return past


def production_of(store: Any) -> History:
    """Return the history of the only part in a store."""
    from spc.store import read
    from spc.studies.history import production

    return production(store, read.plan(store, None))


def test_where_nothing_goes_wrong_the_charts_are_no_louder_than_their_baseline_allows(
    calm_chart: Monitor,
) -> None:
    after = ~calm_chart.rows.baseline
    expected = expected_beyond(calm_chart, after)
    # With sigma from 12 batches of two moulds (some 6 degrees of freedom) and centres from 5 to 7,
    # about 3 of 100 later values are expected outside, not 0.27: the charts say that they are
    # provisional. The season's warmth adds to it, and charts of one part go together.
    assert expected == pytest.approx(0.029, abs=0.008)
    assert beyond(calm_chart, after) <= 2 * expected
    assert all(note.startswith("provisional") for note in calm_chart.notes)


def test_the_one_bad_hit_is_named_and_no_other(
    past: History, sample_store: Path, truth: Any
) -> None:
    with open_store(sample_store, read_only=True) as store:
        (found,) = suspect_hits(store, past)
    bad = truth["bad_hit"]
    assert (found.batch, found.serial, found.run, found.point, found.hit) == (
        bad["batch"], bad["serial"], bad["run"], bad["point"], bad["hit"],
    )  # fmt: skip
    assert found.off == pytest.approx(bad["size_mm"], abs=0.1)
    assert found.usual == pytest.approx(truth["settings"]["hit_sd"], abs=0.01)
    assert found.p < 1e-6
    # It is not found by the residual: that stays within the plan's limit.
    at = past.runs["run"] == bad["run"]
    assert abs(past.runs["worst_residual"][at].iloc[0]) < 1.25


def test_the_components_of_the_gauge_study_are_those_of_the_simulation(
    sample_store: Path, truth: Any
) -> None:
    with open_store(sample_store, read_only=True) as store:
        study = gauge_study(store, truth["study"]["name"])
    assert (study.runs, len(study.points)) == (90, 24)
    true = truth["study"]["components"]["pooled"]
    pairs = {"hit": "hit", "setup": "setup", "operator_piece": "operator_piece",
             "operator": "operator", "piece": "piece_ten"}  # fmt: skip
    for ours, theirs in pairs.items():
        band = study.pooled.sd[ours]
        assert band.level == 0.95
        assert band.low[-1] <= np.sqrt(true[theirs]) <= band.high[-1], ours
    gauge = study.pooled.gauge
    assert gauge.low[-1] <= np.sqrt(true["reported"]) <= gauge.high[-1]
    # Probing stands on 90 runs of 24 points and 2 degrees of freedom each: 1.5 %.
    assert study.pooled.sd["hit"].value[-1] == pytest.approx(np.sqrt(true["hit"]), rel=0.03)


def test_each_point_s_intervals_hold_its_true_components_as_often_as_they_say(
    sample_store: Path, truth: Any
) -> None:
    with open_store(sample_store, read_only=True) as store:
        study = gauge_study(store, truth["study"]["name"])
    by_point = truth["study"]["components"]["by_point"]
    for ours, theirs in (("hit", "hit"), ("setup", "setup"), ("piece", "piece_ten")):
        band = study.quantities.sd[ours]
        true = np.sqrt([by_point[theirs][p] for p in study.points])
        held = (band.low <= true) & (true <= band.high)
        # Of 24 intervals of 95 %, fewer than 19 hold with a chance of 0.001 were they independent.
        assert held.sum() >= 19, (ours, held.sum())


def test_the_spoiled_run_of_the_knocked_piece_is_left_out_and_stays_to_be_seen(
    past: History, sample_store: Path, truth: Any, spc: Command
) -> None:
    knock = truth["knock"]
    mine = past.runs[past.runs["serial"] == knock["serial"]]
    assert list(mine["run"]) == [knock["good_run"]]
    assert past.superseded == 1
    with open_store(sample_store, read_only=True) as store:
        june = month_study(store, month("2026-06"))
    (again,) = june.remeasured
    assert (again.serial, again.earlier, again.later) == (
        knock["serial"], knock["spoiled_run"], knock["good_run"],
    )  # fmt: skip
    assert june.held == ()
    listed = spc("run", "list", "--piece", knock["serial"], "--store", sample_store)
    assert listed.done(knock["spoiled_run"], knock["good_run"], "re-measured later")


def test_the_spoiled_run_was_held_as_it_came(samples: Path, tmp_path: Path, truth: Any) -> None:
    (file,) = (samples / "runs").rglob(f"*_{truth['knock']['batch']}_*.csv")
    (taken,) = fill(tmp_path / "s.duckdb", [file])
    assert [run.run for run in taken.runs if run.beyond_limit] == [truth["knock"]["spoiled_run"]]


def test_the_gaps_are_named_and_a_missing_hit_is_none(
    past: History, sample_store: Path, truth: Any
) -> None:
    patch, hit = truth["missing_patch"], truth["missing_hit"]
    with open_store(sample_store, read_only=True) as store:
        august = month_study(store, month("2026-08"))
    (gap,) = august.gaps
    assert (gap.serial, gap.batch, gap.points) == (
        patch["serial"], patch["batch"], (patch["point"],),
    )  # fmt: skip
    row = int(np.flatnonzero(past.runs["serial"] == hit["serial"])[0])
    assert past.hits[row, past.geometry.names.index(hit["point"])] == 2
    assert np.nansum(past.hits) == 400 * 33 * 3 - 3 - 1
    assert np.isnan(past.deviations).sum() == 1


def settled(past: History, truth: Any) -> np.typing.NDArray[np.float64]:
    """Return deviations (runs, points) with what warmth and age do to the size taken off."""
    s, runs = truth["settings"], past.runs
    warm = 100 * s["expansion"] * (runs["part_temp_c"] - s["reference_c"]).to_numpy()
    hours = np.minimum(runs["hours_since_moulding"].to_numpy(), s["settled_hours"])
    percent = warm - s["after_shrink"] * np.log10(hours / 24.0)
    per_percent = np.array([truth["seen_mm_per_percent"][p] for p in past.geometry.names])
    return np.asarray(past.deviations - percent[:, None] * per_percent)


def odd_one(
    past: History, truth: Any, batch: str, neighbours: list[str]
) -> np.typing.NDArray[np.float64]:
    """Return how far a batch lies off its neighbours at each check point, in its spreads."""
    label, values = past.runs["batch"].to_numpy(), settled(past, truth)
    check = np.flatnonzero(~past.geometry.is_fit)
    mine = np.nanmean(values[label == batch][:, check], axis=0)
    others = np.mean([np.nanmean(values[label == b][:, check], axis=0) for b in neighbours], axis=0)
    spread = truth["process"]["by_point"]
    names = [past.geometry.names[i] for i in check]
    variance = np.array([spread["batch"][p] + spread["piece"][p] / 10 for p in names])
    return np.asarray((mine - others) / np.sqrt(variance * (1 + 1 / len(neighbours))))


def test_the_inches_of_the_second_arm_go_with_their_neighbours(past: History, truth: Any) -> None:
    (odd,) = (b for b in truth["batches"] if b["unit"] == "in")
    assert (odd["id"], odd["device"], odd["mould"]) == ("B19", "arm-2", "K2")
    z = odd_one(past, truth, "B19", ["B16", "B21"])
    assert np.abs(z).max() < 3.5
    # Points go together by size and twist, so the mean square has few degrees of freedom: with 5
    # it passes 3 with a chance of 0.01.
    assert (z**2).mean() < 3.0
    hits = past.runs["hit_sd"][past.runs["batch"] == "B19"].mean()
    assert hits == pytest.approx(truth["settings"]["hit_sd"], abs=0.003)


def test_the_batch_measured_upside_down_goes_with_its_neighbours(past: History, truth: Any) -> None:
    (turned,) = (b for b in truth["batches"] if b["upside_down"])
    assert (turned["id"], turned["mould"]) == ("B11", "K2")
    z = odd_one(past, truth, "B11", ["B05", "B06", "B08"])
    assert np.abs(z).max() < 3.5
    assert (z**2).mean() < 3.0


@pytest.fixture(scope="module")
def calm(sample_store: Path) -> CapabilityStudy:
    """Return the capability of one mould before anything went wrong."""
    with open_store(sample_store, read_only=True) as store:
        return capability_study(store, span="B01..B13", mould="K1")


def test_capability_is_refused_where_the_chart_is_not_stable_and_given_where_it_is(
    sample_store: Path, calm: CapabilityStudy
) -> None:
    some = Asked(points=(*SHRUNK, "rim-front-left", "corner-rear-right", "nose-middle"))
    with open_store(sample_store, read_only=True) as store:
        whole = capability_study(store, span="2026-04-01..2026-10-31", asked=some)
        chart = monitor(store, baseline="2026-04-01..2026-10-31")
    assert (whole.pieces, calm.batches) == (400, 8)
    signalled = {s.series for s in chart.signals}
    for point in whole.points:
        assert point.stable == (point.point not in signalled)
        if point.point in signalled:
            assert point.verdict == "refused"
            assert point.reason.startswith("The process is not stable: ")
            assert np.isnan([point.cp, point.cpk, point.pp, point.ppk, point.ppk_low]).all()
    # Over all seven months the shrinking and the warp leave hardly one of these stable.
    assert sum(p.verdict == "refused" for p in whole.points) >= 6
    shown = [p for p in calm.points if np.isfinite(p.cpk)]
    assert len(shown) >= 15
    for point in shown:
        assert point.cpk_low < point.cpk < point.cpk_high
        assert point.ppk_low < point.ppk < point.ppk_high
        assert point.pp <= point.cp
        assert point.ppk <= point.pp


def test_indices_of_the_calm_time_are_those_of_the_simulation(
    calm: CapabilityStudy, truth: Any
) -> None:
    by_point = truth["process"]["by_point"]
    covered = []
    for point in calm.points:
        true = sum(by_point[k][point.point] for k in ("batch", "piece", "measurement"))
        pp = (point.upper - point.lower) / 6 / np.sqrt(true)
        covered.append(point.pp_low <= pp <= point.pp_high if np.isfinite(point.pp) else True)
    # The operators' push is another, smaller part of the spread; of 24 intervals of 95 %, fewer
    # than 19 hold with a chance of 0.001 were they independent.
    assert sum(covered) >= 19


def test_a_fit_point_gets_no_index(sample_store: Path, spc: Command) -> None:
    with (
        open_store(sample_store, read_only=True) as store,
        pytest.raises(InputError, match="'deck-1' is a fit point"),
    ):
        capability_study(store, asked=Asked(points=("deck-1",)))
    refused = spc("capability", "tail-left", "deck-1", "--store", sample_store)
    assert refused.refused("'deck-1' is a fit point", "flatter")
    assert spc("capability", "deck-9", "--store", sample_store).refused("no point 'deck-9'")


def test_october_says_what_happened(sample_store: Path, past: History) -> None:
    pieces = int((past.runs["measured_at"] >= "2026-10-01").sum())
    with open_store(sample_store, read_only=True) as store:
        october = month_study(store, month("2026-10"))
    assert (october.pieces, october.runs, october.moulds) == (pieces, pieces, ("K2", "K1"))
    assert october.suspects == ()
    process, tolerance, trust = october.answer
    assert f"{pieces} pieces of Engine hood" in process
    assert "inward" in process or "outward" in process
    assert "outside the tolerance" in tolerance
    assert "gauge study G1" in trust
    warped = [p for p in october.points if p.point == "corner-front-right"]
    assert warped[0].moved_mould == "K2"
    assert warped[0].moved == pytest.approx(1.1, abs=0.3)
