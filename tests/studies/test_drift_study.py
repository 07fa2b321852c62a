"""What kind of drift it is: shapes, covariates, trends and events, against truth and libraries."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from spc.alignment.formplan import form_plan
from spc.store import read
from spc.store.connection import open_store
from spc.studies.arrays import plan_arrays
from spc.studies.chosen_set import past_of
from spc.studies.covariates import AGE, CAVITY, LOT, MOULD, TEMPERATURE, explain, slopes
from spc.studies.drift import Drift, drift_of, drift_study
from spc.studies.drift_words import chance_words, sentences_of
from spc.studies.history import History
from spc.studies.movement import Movement, movement
from spc.studies.shape_series import Shapes, shapes_of

SAMPLES = Path(__file__).parents[2] / "sample-runs"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def drift(sample_store: Path) -> Drift:
    with open_store(sample_store, read_only=True) as store:
        return drift_study(store, baseline="B01..B12")


@pytest.fixture(scope="module")
def moves(sample_store: Path) -> Movement:
    with open_store(sample_store, read_only=True) as store:
        return movement(store, event="resin lot")


@pytest.fixture(scope="module")
def history(sample_store: Path) -> tuple[object, pd.DataFrame, Shapes]:
    with open_store(sample_store, read_only=True) as store:
        past = past_of(store, None, None)
        return past, read.events(store, "LH-640"), shapes_of(past)


def test_the_planted_shrink_lies_in_its_interval_on_each_mould(drift: Drift) -> None:
    size = next(s for s in drift.shapes if s.shape == "size")
    planted = TRUTH["step"]["percent"]
    for change in size.changes:
        assert change.shift_low <= planted <= change.shift_high, change.mould
    assert {c.mould for c in size.changes} == {"K1", "K2"}


def test_the_step_is_dated_to_the_first_batches_after_the_lot_and_names_it(drift: Drift) -> None:
    order = [b["id"] for b in TRUTH["batches"]]
    first = order.index(TRUTH["step"]["batch"])
    size = next(s for s in drift.shapes if s.shape == "size")
    for change in size.changes:
        assert change.found == "step"
        assert (
            order.index(change.last_before) < first <= order.index(change.first_after) <= first + 3
        )
        assert change.events == ("resin lot: lot PE-131 opened",)


def test_the_warp_is_a_growing_twist_of_its_mould_alone(drift: Drift) -> None:
    twist = next(s for s in drift.shapes if s.shape == "twist of the +z face")
    by_mould = {m.mould: m for m in twist.moulds}
    assert by_mould["K2"].slope_low > 0
    assert by_mould["K1"].slope_low < 0 < by_mould["K1"].slope_high
    (change,) = twist.changes
    assert (change.mould, change.found) == (TRUTH["warp"]["mould"], "growing")
    order = [b["id"] for b in TRUTH["batches"]]
    began = order.index(TRUTH["warp"]["batch"])
    assert order.index(change.last_before) < began <= order.index(change.first_after)


def test_nothing_that_was_not_planted_is_named(drift: Drift) -> None:
    """The truth knows a smaller size and a warp; the bow of the nose is no number of its own."""
    moved = {s.shape.split(" of ")[0].split(" along")[0] for s in drift.shapes if s.changes}
    assert moved == {"size", "twist"}
    assert drift.sentences[-1] == "nothing else is found to have moved"
    assert all("bow" not in sentence for sentence in drift.sentences)
    assert any("bow of the +y face along z has no number of its own" in s for s in drift.combined)


def test_what_temperature_age_mould_and_lot_leave_of_the_size_is_quiet(drift: Drift) -> None:
    for shape in (s for s in drift.shapes if s.shape.startswith("size")):
        assert shape.changes
        assert not shape.left_changes
        warm = next(c for c in shape.covariates if c.name == TEMPERATURE)
        # 150e-6 per kelvin is 0.015 % per kelvin: the expansion that the process was given.
        assert warm.slope_low <= 100 * TRUTH["settings"]["expansion"] <= warm.slope_high


def test_covariates_equal_a_regression_with_errors_by_leaving_out_batch_by_batch(
    history: tuple[object, pd.DataFrame, Shapes],
) -> None:
    """Slopes and shares by statsmodels; standard errors by refitting it without each batch."""
    past, events, shapes = history
    y = shapes.series.values[:, 0]
    found = {c.name: c for c in explain(past, events, y).covariates}  # type: ignore[arg-type]
    runs = past.runs  # type: ignore[attr-defined]
    lots = events[events["kind"] == LOT]["happened_at"].sort_values().to_numpy()
    lot = np.searchsorted(lots, runs["measured_at"].to_numpy())
    x = sm.add_constant(
        pd.DataFrame(
            {
                TEMPERATURE: runs["part_temp_c"] - 20.0,
                AGE: np.log10(runs["hours_since_moulding"] / 24.0),
                MOULD: (runs["mould"] == "K2").astype(float),
                LOT: (lot == lot.max()).astype(float),
            }
        )
    )
    groups = pd.factorize(runs["mould"] + runs["batch"])[0]
    fit = sm.OLS(y, x).fit()
    clusters = groups.max() + 1
    fewer = [
        sm.OLS(y[groups != g], x[groups != g]).fit().params - fit.params for g in range(clusters)
    ]
    covariance = np.cov(np.array(fewer).T, bias=True) * (clusters - 1)
    covariance += (clusters - 1) * np.outer(*[np.mean(fewer, axis=0)] * 2)
    errors = dict(zip(x.columns, np.sqrt(np.diag(covariance)), strict=True))
    for name in (TEMPERATURE, AGE):
        assert found[name].slope == pytest.approx(fit.params[name], rel=1e-8)
        width = found[name].slope_high - found[name].slope
        assert width == pytest.approx(stats.t(clusters - 1).ppf(0.975) * errors[name], rel=1e-6)
    whole = explain(past, events, y)  # type: ignore[arg-type]
    assert whole.together == pytest.approx(fit.rsquared, rel=1e-9)
    assert np.nanstd(whole.left) == pytest.approx(np.std(fit.resid), rel=1e-8)
    without = sm.OLS(y, x.drop(columns=LOT)).fit()
    assert found[LOT].share == pytest.approx(fit.rsquared - without.rsquared, rel=1e-8)
    both = slopes(past, events, y)  # type: ignore[arg-type]
    assert (both.age, both.temperature) == pytest.approx((fit.params[AGE], fit.params[TEMPERATURE]))
    at = [list(x.columns).index(name) for name in (AGE, TEMPERATURE)]
    np.testing.assert_allclose(both.covariance, covariance[np.ix_(at, at)], rtol=1e-6)


def test_without_a_temperature_it_says_shrink_or_warmth(drift: Drift) -> None:
    size = next(s for s in drift.shapes if s.shape == "size")
    bare = replace(size, covariates=())
    assert "shrink or warmth" in sentences_of(drift.plan, [bare], drift.chance)[0]
    assert "shrink or warmth" not in sentences_of(drift.plan, [size], drift.chance)[0]


def test_size_is_never_a_number_where_no_opposite_face_is_probed() -> None:
    text = (SAMPLES / "LH-640.toml").read_text(encoding="utf-8")
    import tomllib

    from spc.ingest.plan_toml import plan_from

    said = tomllib.loads(text)
    said["point"] = [p for p in said["point"] if p["role"] == "fit"]
    arrays = plan_arrays(plan_from(said, text, "plan")[0])
    plan = form_plan(arrays.nominals, arrays.normals)
    sizes = [k for k, p in enumerate(plan.patterns) if p.kind == "size"]
    assert all(plan.status[k] == "hidden" for k in sizes)
    assert all("opposite" in plan.reasons[k] for k in sizes)


def test_an_event_is_compared_as_welch_does(sample_store: Path, moves: Movement) -> None:
    with open_store(sample_store, read_only=True) as store:
        past = past_of(store, None, None)
    k = past.geometry.names.index("tail-left")
    frame = past.runs.assign(d=past.deviations[:, k])
    means = (
        frame[frame["mould"] == "K1"]
        .groupby("batch", sort=False)
        .agg(d=("d", "mean"), at=("measured_at", "min"))
    )
    before = means[means["at"] < pd.Timestamp(moves.event_at)]["d"]
    after = means[means["at"] >= pd.Timestamp(moves.event_at)]["d"]
    test = stats.ttest_ind(after, before, equal_var=False)
    found = next(e for e in moves.effects if (e.name, e.mould) == ("tail-left", "K1"))
    assert found.change == pytest.approx(after.mean() - before.mean())
    assert found.p == pytest.approx(test.pvalue, rel=1e-6)
    interval = test.confidence_interval()
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high))


def test_the_event_shows_the_planted_shift_and_its_size(moves: Movement) -> None:
    seen = TRUTH["step"]["seen_mm"]
    for name in ("tail-left", "left-flank-front", "rim-rear-right"):
        found = next(e for e in moves.effects if (e.name, e.mould) == (name, "K1"))
        assert found.low <= seen[name] <= found.high


def test_a_trend_is_the_line_through_batch_means(sample_store: Path, moves: Movement) -> None:
    with open_store(sample_store, read_only=True) as store:
        past = past_of(store, None, None)
    k = past.geometry.names.index("corner-front-left")
    frame = past.runs.assign(d=past.deviations[:, k])
    means = frame[frame["mould"] == "K2"].groupby("batch", sort=False)["d"].agg(["mean", "size"])
    place = (means["size"].cumsum() - means["size"] / 2) / 100
    line = stats.linregress(place, means["mean"])
    found = next(t for t in moves.trends if (t.point, t.mould) == ("corner-front-left", "K2"))
    assert found.slope == pytest.approx(line.slope)
    assert found.p == pytest.approx(line.pvalue, rel=1e-6)
    to_limit = (found.limit - line.intercept) / line.slope - place.iloc[-1]
    assert found.pieces_left == pytest.approx(100 * to_limit)
    assert found.pieces_low <= found.pieces_left <= found.pieces_high


def test_cavities_explain_their_share_beside_the_mould_as_a_regression_says(
    history: tuple[object, pd.DataFrame, Shapes],
) -> None:
    """Cavities by turns in one mould, the second planted off: share and chance by statsmodels."""
    past, events, shapes = history
    runs = past.runs  # type: ignore[attr-defined]
    turn = np.arange(len(runs)) % 3
    cavity = np.where(runs["mould"] == "K1", np.array(["1", "2", "3"])[turn], "")
    several = replace(past, runs=runs.assign(cavity=cavity))  # type: ignore[type-var]
    y = shapes.series.values[:, 0] + 0.05 * (cavity == "2")
    found = {c.name: c for c in explain(several, events, y).covariates}  # type: ignore[arg-type]
    assert list(found) == [TEMPERATURE, AGE, MOULD, CAVITY, LOT]
    lots = events[events["kind"] == LOT]["happened_at"].sort_values().to_numpy()
    lot = np.searchsorted(lots, runs["measured_at"].to_numpy())
    x = sm.add_constant(pd.DataFrame({
        TEMPERATURE: runs["part_temp_c"] - 20.0,
        AGE: np.log10(runs["hours_since_moulding"] / 24.0),
        MOULD: (runs["mould"] == "K2").astype(float),
        "two": (cavity == "2").astype(float), "three": (cavity == "3").astype(float),
        LOT: (lot == lot.max()).astype(float),
    }))  # fmt: skip
    whole, without = sm.OLS(y, x).fit(), sm.OLS(y, x.drop(columns=["two", "three"])).fit()
    share = (without.ssr - whole.ssr) / np.square(y - y.mean()).sum()
    assert found[CAVITY].share == pytest.approx(share, rel=1e-8)
    assert found[CAVITY].p < 1e-6
    assert np.isnan(found[CAVITY].slope)
    assert found[TEMPERATURE].slope == pytest.approx(whole.params[TEMPERATURE], rel=1e-8)


def test_one_cavity_or_none_explains_nothing_and_changes_nothing(
    history: tuple[object, pd.DataFrame, Shapes],
) -> None:
    past, events, shapes = history
    y = shapes.series.values[:, 0]
    plain = explain(past, events, y)  # type: ignore[arg-type]
    for name in ("", "1"):
        alone = replace(past, runs=past.runs.assign(cavity=name))  # type: ignore[type-var,attr-defined]
        assert explain(alone, events, y).covariates == plain.covariates  # type: ignore[arg-type]


def in_cavities(
    past: History, shapes: Shapes, level: float, change: float
) -> tuple[History, npt.NDArray[np.object_]]:
    """Return the samples with the pieces of K1 from two cavities by turns, the second planted off.

    Its twist of the -z face is ``level`` mm more throughout, and ``change`` more from batch B20 on.
    """
    turn = np.cumsum((past.runs["mould"] == "K1").to_numpy()) % 2
    cavity = np.where(past.runs["mould"] == "K1", np.array(["1", "2"])[turn], "")
    column = shapes.patterns[shapes.series.names.index("twist of the -z face")]
    late = (past.runs["batch"] >= "B20").to_numpy()
    amount = np.where(cavity == "2", level + change * late, 0.0)
    moved = past.deviations + amount[:, None] * shapes.plan.columns[:, column]
    runs = past.runs.assign(cavity=cavity)
    return replace(past, runs=runs, deviations=moved), cavity


def test_a_cavity_that_drifts_alone_is_named_and_its_neighbour_is_not(
    history: tuple[History, pd.DataFrame, Shapes],
) -> None:
    past, events, shapes = history
    planted, _ = in_cavities(past, shapes, 0.0, 1.0)
    apart = drift_of(planted, events, "B01..B12", cavities="apart")
    assert apart is not None
    twist = next(s for s in apart.shapes if s.shape == "twist of the -z face")
    assert [m.mould for m in twist.moulds] == ["K1 cavity 1", "K1 cavity 2", "K2"]
    (change,) = [c for c in twist.changes if c.mould != "K2"]
    assert change.mould == "K1 cavity 2"
    assert change.shift_low <= 1.0 <= change.shift_high
    order = sorted(set(past.runs["batch"]))
    assert order.index(change.last_before) < order.index("B20") <= order.index(change.first_after)
    # The counts are of the batches that were moulded, however many charts they are on.
    whole = drift_of(planted, events, "B01..B12", cavities="together")
    assert whole is not None
    assert (apart.pieces, apart.batches) == (whole.pieces, whole.batches)
    assert "on 3 moulds and cavities over 35 batches" in chance_words(apart.chance)
    assert "on 2 moulds over 35 batches" in chance_words(whole.chance)


def test_cavities_are_apart_where_the_baseline_tells_their_shapes_apart(
    history: tuple[History, pd.DataFrame, Shapes],
) -> None:
    past, events, shapes = history
    names = {}
    for level in (0.0, 0.8):
        planted, _ = in_cavities(past, shapes, level, 0.0)
        found = drift_of(planted, events, "B01..B12")
        assert found is not None
        names[level] = {m.mould for m in found.shapes[0].moulds}
        words = "\n".join(found.notes)
        assert ("differ in level" in words) == (level > 0)
        assert ("tells cavities 1 and 2 of mould K1 apart" in words) == (level == 0)
    assert names == {0.0: {"K1", "K2"}, 0.8: {"K1 cavity 1", "K1 cavity 2", "K2"}}


def test_what_mould_and_cavity_explain_does_not_depend_on_the_charts(
    history: tuple[History, pd.DataFrame, Shapes],
) -> None:
    past, events, shapes = history
    planted, _ = in_cavities(past, shapes, 0.8, 0.0)
    apart, whole = (drift_of(planted, events, "B01..B12", c) for c in ("apart", "together"))
    assert apart is not None
    assert whole is not None
    by_name = {s.shape: s.covariates for s in whole.shapes}
    assert {s.shape: s.covariates for s in apart.shapes} == by_name
