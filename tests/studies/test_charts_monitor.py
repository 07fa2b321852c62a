"""Charts of values against a slow plain twin, and the odd histories that charts must bear."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from histories import NO_EVENTS, history, stored
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import Array, box

from spc.charts.rules import RULES
from spc.errors import InputError, NotFoundError
from spc.store import read
from spc.store.connection import open_store
from spc.studies.history import History, production
from spc.studies.moments import chart_rows
from spc.studies.monitor import Monitor, charted, monitor
from spc.studies.order import in_order
from spc.studies.series import all_series

#: The mean range of two normal values in standard deviations: 2 / √π (ISO 7870-2, d2).
D2 = 2 / np.pi**0.5
BEYOND, NINE = RULES["beyond limit"].text, RULES["nine on one side"].text
AVERAGE = "the moving average beyond its limit"

Found = tuple[str, str, str, int, int]


def of_mould(values: Sequence[float], base: Sequence[bool], sigma: float) -> dict[str, list[bool]]:
    """Return where each rule finds something on one mould's values, step by step."""
    known = [v for v, b in zip(values, base, strict=True) if b and not np.isnan(v)]
    found: dict[str, list[bool]] = {BEYOND: [], NINE: [], AVERAGE: []}
    center = sum(known) / len(known) if known else np.nan
    z, variance, run = 0.0, 0.0, 0
    for v in values:
        off = v - center
        side = 0 if np.isnan(off) or off == 0 else 1 if off > 0 else -1
        run = 0 if side == 0 else side if run * side <= 0 else run + side
        if not np.isnan(off):
            z = 0.8 * z + 0.2 * off
            variance = 0.64 * variance + 0.04 * sigma**2
        limited = not np.isnan(off) and not np.isnan(sigma)
        found[BEYOND].append(limited and abs(off) > 3 * sigma)
        found[NINE].append(limited and abs(run) >= 9)
        found[AVERAGE].append(limited and abs(z) > 2.86 * variance**0.5)
    return found


def twin(values: Array, moulds: Sequence[str], base: Sequence[bool], name: str) -> set[Found]:
    """Return the signals of one value a row in time order: mould, rule, first and last row."""
    rows = {m: [k for k, x in enumerate(moulds) if x == m] for m in sorted(set(moulds))}
    # Ranges of neighbours that are both there and both in the baseline, within one mould.
    ranges = []
    for at in rows.values():
        kept = [values[k] for k in at if base[k]]
        ranges += [abs(b - a) for a, b in pairwise(kept) if not np.isnan(a + b)]
    known = sum(not np.isnan(v) for v, b in zip(values, base, strict=True) if b)
    sigma = sum(ranges) / len(ranges) / D2 if ranges and known >= 8 and sum(ranges) > 0 else np.nan
    out: set[Found] = set()
    for mould, at in rows.items():
        flags = of_mould([values[k] for k in at], [base[k] for k in at], sigma)
        for rule, found in flags.items():
            start = None
            for k, flag in enumerate([*found, False]):
                if flag and start is None:
                    start = k
                elif not flag and start is not None:
                    out.add((name, mould, rule, at[start], at[k - 1]))
                    start = None
    return out


def by_rows(chart: Monitor, name: str) -> set[Found]:
    """Return the signals of one series in the twin's form."""
    return {
        (s.series, s.mould, s.rule, int(s.first[1:]), int(s.last[1:]))
        for s in chart.signals
        if s.series == name
    }


@st.composite
def single_pieces(draw: st.DrawFn) -> tuple[Array, list[str], int]:
    """Draw rows of two check points, with gaps, ties, steps and up to three moulds."""
    n = draw(st.integers(1, 60))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    values = (
        rng.normal(0, 1, (n, 2))
        + np.where(np.arange(n) > n / 2, draw(st.floats(-3, 3)), 0)[:, None]
    )
    values = np.round(values, draw(st.sampled_from([0, 6])))
    values[rng.random((n, 2)) < draw(st.sampled_from([0.0, 0.2, 0.8]))] = np.nan
    moulds = [str(m) for m in rng.choice(["M", "N", ""][: draw(st.integers(1, 3))], n)]
    return values, moulds, draw(st.integers(1, n))


@settings(max_examples=60)
@given(single_pieces())
def test_signals_are_those_of_the_slow_twin(drawn: tuple[Array, list[str], int]) -> None:
    values, moulds, last = drawn
    past = history(np.hstack([np.zeros((len(values), 9)), values]), moulds=moulds)
    base = [k < last for k in range(len(values))]
    for by in ("batch", "piece"):
        chart = charted(past, NO_EVENTS, by=by, baseline=f"B00000..B{last - 1:05d}",
                        names=("check-1", "check-2"))  # fmt: skip
        for column in (0, 1):
            name = f"check-{column + 1}"
            assert by_rows(chart, name) == twin(values[:, column], moulds, base, name)


def test_the_twin_itself_finds_what_it_should() -> None:
    calm = [0.0, 1.0] * 10
    jump, lasting = [*calm, 9.0, 0.0], [*calm, *[1.0] * 9, 0.0]
    base = [k < 20 for k in range(40)]
    one = twin(np.array(jump), ["M"] * 22, base[:22], "x")
    # The average starts at the centre 0.5: 0.2 x 8.5 from there is 1.7, its limit 0.84.
    assert ("x", "M", BEYOND, 20, 20) in one
    # The last of the calm ones lies above too.
    assert ("x", "M", NINE, 27, 28) in twin(np.array(lasting), ["M"] * 30, base[:30], "x")


def test_a_store_gives_the_charts_of_the_history_by_hand(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    n = 90
    past = history(
        rng.normal(0, 0.1, (n, 12)), batches=[f"B{k // 3:02d}" for k in range(n)],
        moulds=["MN"[k // 3 % 2] for k in range(n)], hours=np.full(n, 30.5),
    )  # fmt: skip
    with open_store(stored(tmp_path, past), read_only=True) as store:
        read_back = production(store, read.plan(store, None))
        from_store = monitor(store)
    np.testing.assert_array_equal(read_back.deviations, past.deviations)
    by_hand = charted(past, NO_EVENTS)
    for name in ("values", "center", "lower", "upper", "average", "ranges", "width", "spans"):
        np.testing.assert_allclose(getattr(from_store, name), getattr(by_hand, name), atol=1e-15)
    assert [(s.series, s.mould, s.rule, s.first, s.last, s.since) for s in from_store.signals] == [
        (s.series, s.mould, s.rule, s.first, s.last, s.since) for s in by_hand.signals
    ]
    assert from_store.rows.labels == by_hand.rows.labels


def drawn(n: int = 40, columns: int = 12, seed: int = 0) -> Array:
    return np.random.default_rng(seed).normal(0, 0.1, (n, columns))


def test_a_batch_is_charted_as_the_mean_of_what_was_measured_of_it() -> None:
    values = drawn(24)
    values[4, 9], values[5:8, 10] = np.nan, np.nan
    past = history(values, batches=[f"B{k // 4}" for k in range(24)])
    chart = charted(past, NO_EVENTS, names=("check-1", "check-2", "check-3"))
    assert chart.rows.pieces.tolist() == [4] * 6
    assert chart.values[1, 0] == pytest.approx(values[5:8, 9].mean())
    assert chart.values[1, 1] == pytest.approx(values[4, 10])
    assert chart.values[1, 2] == pytest.approx(values[4:8, 11].mean())
    assert chart.rows.times[1] == past.runs["measured_at"][4]


def test_single_pieces_in_batches_of_their_own_are_charted_alike_either_way() -> None:
    past = history(drawn(60), moulds=["MN"[k % 2] for k in range(60)])
    batch, piece = (charted(past, NO_EVENTS, by=by) for by in ("batch", "piece"))
    np.testing.assert_array_equal(batch.values, piece.values)
    np.testing.assert_array_equal(batch.upper, piece.upper)
    assert [replace(s, first="", last="") for s in batch.signals] == [
        replace(s, first="", last="") for s in piece.signals
    ]


def test_nine_in_a_row_of_two_moulds_are_none_of_one() -> None:
    values = drawn(30)
    values[:, 9] = np.tile([-0.1, 0.1], 15)
    values[20:29, 9] = 0.05
    one = charted(history(values), NO_EVENTS, names=("check-1",), rules=("nine on one side",))
    # The nine begin with the one before them, and the one after them goes on.
    assert [(s.first, s.points) for s in one.signals if s.chart == "values"] == [("B00027", 3)]
    apart = history(values, moulds=["MN"[k > 24] for k in range(30)])
    two = charted(apart, NO_EVENTS, names=("check-1",), rules=("nine on one side",))
    assert not [s for s in two.signals if s.chart == "values"]


def test_a_missing_value_breaks_a_pattern() -> None:
    values = drawn(30)
    values[:, 9] = np.tile([-0.1, 0.1], 15)
    values[20:30, 9], values[24, 9] = 0.05, np.nan
    found = charted(history(values), NO_EVENTS, names=("check-1",), rules=("nine on one side",))
    assert not [s for s in found.signals if s.chart == "values"]
    assert np.isnan(found.ranges[24:26, 0]).all()
    assert np.isfinite(found.ranges[26, 0])


def test_pieces_measured_at_one_moment_keep_the_order_they_are_given_in() -> None:
    values = drawn(40)
    same = history(values, times=[np.datetime64("2026-01-05T08:00")] * 40)
    apart = history(values)
    a, b = (charted(past, NO_EVENTS, by="piece") for past in (same, apart))
    assert a.rows.labels == b.rows.labels
    np.testing.assert_array_equal(a.average, b.average)
    assert len(set(a.rows.times)) == 1
    key = [(s.series, s.chart, s.rule, s.first, s.last) for s in a.signals]
    assert sorted(key) == sorted((s.series, s.chart, s.rule, s.first, s.last) for s in b.signals)


def test_a_series_that_stands_still_has_no_limits_and_no_signal() -> None:
    values = drawn(40)
    values[:, 9], values[25:, 9] = 0.2, 0.3
    for rules in (None, tuple(RULES)):
        chart = charted(history(values), NO_EVENTS, names=("check-1",), rules=rules)
        assert chart.notes == ("no limits: the baseline does not vary",)
        assert np.isnan(chart.upper).all()
        assert chart.signals == ()


def test_one_value_over_and_over_stands_still_in_batches_of_any_size() -> None:
    """Means of 0.1 differ by rounding between batches of two, three and six: not in fact."""
    batches = [f"B{b:02d}" for b in range(60) for _ in range(1 + b % 6)]
    values = drawn(len(batches))
    values[:, 9] = 0.1
    chart = charted(history(values, batches=batches), NO_EVENTS, names=("check-1",), by="batch",
                    rules=tuple(RULES))  # fmt: skip
    assert set(chart.values[:, 0]) == {0.1}
    assert chart.notes == ("no limits: the baseline does not vary",)
    assert chart.signals == ()


def test_a_series_of_few_baseline_values_has_no_limits_and_no_signal() -> None:
    values = drawn(40)
    values[:7, 9], values[20:, 9] = np.nan, 5.0
    chart = charted(history(values), NO_EVENTS, names=("check-1",), baseline="B00000..B00011")
    assert chart.notes == ("no limits: 5 baseline batches, 8 are needed",)
    assert chart.signals == ()
    # One more value in the baseline than seven, and there are limits.
    more = charted(history(values), NO_EVENTS, names=("check-1",), baseline="B00000..B00014")
    assert np.unique(more.n_baseline).tolist() == [8]
    assert np.isfinite(more.upper).all()
    assert {s.first for s in more.signals} >= {"B00020"}


def test_a_mould_without_a_baseline_has_no_limits_and_no_signal() -> None:
    values = drawn(40)
    values[30:, 9:] += 5.0
    past = history(values, moulds=["MN"[k >= 30] for k in range(40)])
    chart = charted(past, NO_EVENTS, names=("check-1", "check-2", "mode-1"))
    new = np.array([m == "N" for m in chart.rows.moulds])
    assert np.isnan(chart.upper[new]).all()
    assert np.isfinite(chart.upper[~new]).all()
    assert not [s for s in chart.signals if s.mould == "N"]


def test_without_mould_and_batch_pieces_go_by_the_day() -> None:
    times = np.datetime64("2026-01-05T06:00") + np.arange(60) * 6 * 60
    past = history(drawn(60), moulds="", batches=[""] * 60, times=list(times))
    chart = charted(past, NO_EVENTS)
    assert chart.rows.labels[:2] == ("no batch, 2026-01-05", "no batch, 2026-01-06")
    assert chart.rows.pieces.tolist() == [3, *[4] * 14, 1]
    assert set(chart.rows.moulds) == {""}
    assert chart.baseline == "the first 12 batches"
    pieces = charted(past, NO_EVENTS, by="piece")
    assert (pieces.baseline, int(pieces.rows.baseline.sum())) == ("the first 40 pieces", 40)


def test_one_batch_one_piece_and_all_missing_are_borne() -> None:
    for values in (drawn(1), drawn(3), np.full((30, 12), np.nan)):
        past = history(values, batches=["B"] * len(values), noise=np.full(len(values), np.nan))
        for by in ("batch", "piece"):
            chart = charted(past, NO_EVENTS, by=by)
            assert chart.signals == ()
            assert np.isnan(chart.upper).all()
            assert all(note.startswith("no limits: ") for note in chart.notes)


def test_skewed_figures_are_limited_on_their_power_two_thirds_and_shown_in_mm() -> None:
    rng = np.random.default_rng(2)
    noise = np.sqrt(rng.chisquare(3, 60) / 3)
    chart = charted(history(drawn(60), noise=noise), NO_EVENTS, names=("fit-noise",), by="piece",
                    baseline="B00000..B00039")  # fmt: skip
    scaled = noise[:40] ** (2 / 3)
    sigma = np.abs(np.diff(scaled)).mean() / D2
    expected = [max(scaled.mean() + k * sigma, 0.0) ** 1.5 for k in (-3, 0, 3)]
    found = [chart.lower[0, 0], chart.center[0, 0], chart.upper[0, 0]]
    assert found == pytest.approx(expected)
    np.testing.assert_allclose(chart.values[:, 0], noise)
    np.testing.assert_allclose(chart.rows.values[:, 0], noise ** (2 / 3))


def test_series_stand_in_the_order_of_reading_with_their_tolerances() -> None:
    past = history(drawn(20), plan=box(3))
    series = all_series(past)
    checks, fit = ("check-1", "check-2", "check-3"), tuple(p.id for p in past.plan.fit_points)
    figures = ("fit-noise", "fit-worst", "hit-spread")
    # Nine fit points less six degrees of freedom leave three modes.
    assert series.names == (*figures, "mode-1", "mode-2", "mode-3", *checks, *fit)
    assert series.skewed.tolist() == [True] * 3 + [False] * 15
    assert series.fit_point.tolist() == [False] * 9 + [True] * 9
    assert series.upper[1] == past.plan.residual_limit
    assert np.isnan(series.upper[[0, 2, 3, 4, 5]]).all()
    assert series.upper[6:].tolist() == [1.5] * 3 + [2.0] * 9
    np.testing.assert_array_equal(series.values[:, 6:9], past.deviations[:, 9:])


def aged(hours: Sequence[float]) -> History:
    """Return pieces measured an hour apart, of these ages."""
    n = len(hours)
    times = np.datetime64("2026-03-01T08:00") + np.arange(n) * 60
    return history(drawn(n), hours=np.array(hours), times=list(times))


def test_by_moulding_pieces_stand_at_the_time_they_were_made() -> None:
    past = in_order(aged([1.0, 50.25, 3.0, 4.0]), "moulded")
    assert list(past.runs["serial"]) == ["P00001", "P00000", "P00002", "P00003"]
    assert list(past.runs["measured_at"].astype(str)) == [
        "2026-02-27 06:45:00", *["2026-03-01 07:00:00"] * 3]  # fmt: skip
    np.testing.assert_array_equal(past.deviations, drawn(4)[[1, 0, 2, 3]])
    chart = charted(past, NO_EVENTS, by="piece")
    assert chart.rows.labels[0] == "P00001"
    assert chart.rows.measured[0] == np.datetime64("2026-03-01T09:00")


def test_pieces_of_unknown_age_are_left_out_and_counted() -> None:
    past = in_order(aged([1.0, np.nan, 3.0]), "moulded")
    assert (list(past.runs["serial"]), past.undated) == (["P00000", "P00002"], 1)
    assert any("left out: 1 run" in text for text in charted(past, NO_EVENTS).remarks)
    with pytest.raises(InputError, match="no run says how old its piece was"):
        in_order(aged([np.nan, np.nan]), "moulded")
    with pytest.raises(InputError, match="the order 'backwards'; use measured or moulded"):
        in_order(aged([1.0]), "backwards")
    unchanged = aged([1.0, np.nan])
    assert in_order(unchanged, "measured") is unchanged


@pytest.mark.parametrize("rule", RULES)
def test_each_rule_is_looked_for_by_its_words(rule: str) -> None:
    values = drawn(60, seed=3)
    values[:, 9] = 0.0
    values[:20, 9] = np.tile([-0.1, 0.12, 0.05, -0.05], 5)
    values[20:, 9] = {
        "beyond limit": [0.9] * 40,
        "nine on one side": [0.05] * 40,
        "eight on one side": [0.05] * 40,
        "two of three far out": [0.35, 0.36] * 20,
        "four of five off centre": [0.2] * 40,
        "six in one direction": list(np.linspace(-0.3, 0.3, 40)),
        "fourteen up and down": [0.05, -0.05] * 20,
        "fifteen near the centre": [0.01, -0.01] * 20,
        "eight away from the centre": [0.3, -0.3] * 20,
    }[rule]
    chart = charted(history(values), NO_EVENTS, names=("check-1",), rules=(rule,),
                    baseline="B00000..B00019")  # fmt: skip
    assert chart.rules == (rule,)
    found = {s.rule for s in chart.signals if s.chart == "values"}
    assert found == {RULES[rule].text}


def test_an_unknown_rule_or_series_is_refused_in_one_line(tmp_path: Path) -> None:
    with open_store(stored(tmp_path, history(drawn())), read_only=True) as store:
        for said, words in (
            ({"rules": ("seven in heaven",)}, "no rule 'seven in heaven'; use beyond limit; nine"),
            ({"rules": ("beyond limit",), "months": 3.0}, "leave --rule or --budget out"),
            ({"span": "B99"}, "no batch 'B99' in the history"),
            ({"mould": "Q"}, "no run of mould"),
            ({"by": "week"}, "a chart by 'week'; use piece or batch"),
            ({"order": "alphabetical"}, "use measured or moulded"),
        ):
            with pytest.raises((InputError, NotFoundError)) as refused:
                monitor(store, **said)  # type: ignore[arg-type]
            assert words in str(refused.value)
            assert "\n" not in str(refused.value)
        with pytest.raises(NotFoundError, match="no series 'check-9'"):
            monitor(store, names=("check-9",))
        once = monitor(store, names=("check-1", "check-1"))
    assert once.series.names == ("check-1",)


def test_a_baseline_of_batches_of_one_mould_says_something_of_the_others(tmp_path: Path) -> None:
    past = history(drawn(48), moulds=["MN"[k % 2] for k in range(48)])
    with open_store(stored(tmp_path, past), read_only=True) as store:
        both = monitor(store, baseline="B00000..B00024", names=("check-1",))
        # Both ends are batches of M; on its own, N has 12 of the 24 between.
        one = monitor(store, baseline="B00000..B00024", names=("check-1",), mould="N")
    n = np.array([m == "N" for m in both.rows.moulds])
    np.testing.assert_array_equal(one.center, both.center[n])
    assert (one.n_baseline[0].tolist(), both.n_baseline[0].tolist()) == ([12], [25])
    assert set(one.rows.moulds) == {"N"}


def test_rows_are_in_the_baseline_with_all_their_pieces_or_not_at_all() -> None:
    past = history(drawn(9), batches=["A", "A", "B", "B", "A", "C", "C", "C", "C"])
    inside = np.array([True, True, True, True, False, True, False, False, False])
    rows = chart_rows(past.runs, past.deviations, inside, "batch")
    assert rows.labels == ("A", "B", "C")
    assert rows.baseline.tolist() == [False, True, False]
    assert rows.pieces.tolist() == [3, 2, 4]
