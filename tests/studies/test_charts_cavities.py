"""Which pieces share a chart: moulds and cavities, apart, together, or on one scale."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from histories import NO_EVENTS, history, stored
from scipy import stats
from strategies import Array

from spc.charts.rules import DEFAULT
from spc.errors import InputError
from spc.store.connection import open_store
from spc.studies.capability import capability_study
from spc.studies.cavities import read_together
from spc.studies.freezing import freeze, retire
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted, monitor
from spc.studies.signals import listed
from spc.studies.streams import Sharing

BATCHES, EACH, CHECKS = 24, 6, 3
BASE = "B00..B15"


def shots(
    offset: float = 0.0, spread: float = 1.0, *, seed: int = 2, cavities: str = "12",
    unknown: int = 0, moulds: str = "M",
) -> History:  # fmt: skip
    """Return batches of six pieces, the cavities of the mould by turns; one mould a batch.

    The last cavity lies ``offset`` off at check-1, and its pieces vary ``spread`` times as much at
    check-2. The last ``unknown`` pieces name no cavity.
    """
    rng = np.random.default_rng(seed)
    n = BATCHES * EACH
    batch = np.arange(n) // EACH
    names = np.array([cavities[k % len(cavities)] for k in range(n)], dtype=object)
    last = names == cavities[-1]
    own = rng.normal(0, 0.2, (BATCHES, 9 + CHECKS))[batch] + rng.normal(0, 0.1, (n, 9 + CHECKS))
    own[last, 9] += offset
    own[last, 10] += rng.normal(0, 0.1 * (spread**2 - 1) ** 0.5, int(last.sum()))
    names[n - unknown :] = ""
    return history(
        own, batches=[f"B{b:02d}" for b in batch], cavities=list(names),
        moulds=[moulds[b % len(moulds)] for b in batch],
    )  # fmt: skip


def seen(past: History, events: pd.DataFrame = NO_EVENTS, **question: Any) -> Monitor:
    question = {"baseline": BASE, "sharing": Sharing(), "names": ("check-1",), **question}
    return charted(past, events, **question)


def said(chart: Monitor) -> str:
    return "\n".join(chart.remarks)


def test_cavities_that_nothing_tells_apart_share_a_chart() -> None:
    chart = seen(shots())
    (one,) = chart.comparisons
    assert (one.of, one.mould, one.names, one.batches) == ("cavities", "M", ("1", "2"), (16, 16))
    assert (one.charted, one.level, one.spread, one.few) == ("together", (), (), ())
    assert set(chart.rows.moulds) == {"M"}
    # Half the 95 % interval of a mean of 16 differences of two means of three pieces.
    by_hand = 2.131 * 0.1 * (2 / 3) ** 0.5 / 16**0.5
    assert one.unseen == pytest.approx(by_hand, rel=0.25)
    assert "nothing in the baseline tells cavities 1 and 2 of mould M apart" in said(chart)
    np.testing.assert_array_equal(chart.values, seen(shots(), sharing=None).values)


def test_cavities_that_differ_in_level_are_charted_apart_each_about_its_own_centre() -> None:
    past = shots(0.5)
    chart = seen(past)
    (one,) = chart.comparisons
    assert (one.charted, [d.series for d in one.level]) == ("apart", ["check-1"])
    (difference,) = one.level
    assert difference.low < 0.5 * (1 if difference.name == "2" else -1) < difference.high
    assert "differ in level at 1 of" in said(chart)
    assert "they belong apart" in said(chart)
    assert sorted(set(chart.rows.moulds)) == ["M cavity 1", "M cavity 2"]
    assert set(chart.rows.tools) == {"M"}
    x = past.deviations[:, 9].reshape(BATCHES, EACH)
    for k, name in enumerate(("M cavity 1", "M cavity 2")):
        at = np.array([m == name for m in chart.rows.moulds])
        means = x[:, k::2].mean(axis=1)
        np.testing.assert_allclose(chart.values[at, 0], means, atol=1e-12)
        np.testing.assert_allclose(chart.center[at, 0], means[:16].mean(), atol=1e-12)


def test_a_series_looked_at_alone_is_on_the_same_charts_as_among_the_others() -> None:
    past = shots(0.5)
    alone, among = seen(past, names=("check-3",)), seen(past, names=None)
    assert alone.rows.moulds == among.rows.moulds
    found = [
        [(s.mould, s.rule, s.first, s.last) for s in chart.signals if s.series == "check-3"]
        for chart in (alone, among)
    ]
    assert found[0] == found[1] != []


def test_cavities_that_differ_in_spread_are_charted_apart_too() -> None:
    (one,) = seen(shots(spread=5.0)).comparisons
    assert (one.charted, one.level, one.spread) == ("apart", (), ("check-2",))


@pytest.mark.parametrize(
    ("sharing", "offset", "moulds", "words"),
    [
        (
            "apart",
            0.0,
            ["M cavity 1", "M cavity 2"],
            "could share a chart with --cavities",
        ),
        ("together", 0.5, ["M"], "shows the mix as well as the process; use --cavities apart"),
        ("standardised", 0.5, ["M"], "in plain values they could not"),
        ("standardised", 0.0, ["M"], "plain values would do too"),
    ],
)
def test_what_is_asked_for_is_done_and_what_the_data_say_of_it_is_said(
    sharing: str, offset: float, moulds: list[str], words: str
) -> None:
    chart = seen(shots(offset), sharing=Sharing(cavities=sharing))
    assert sorted(set(chart.rows.moulds)) == moulds
    assert words in said(chart)


def mixed(seed: int = 4) -> History:
    """Return batches that hold two cavities, half a millimetre apart, in any proportion."""
    past = shots(0.5, seed=seed)
    rng = np.random.default_rng(seed)
    keep = rng.random(len(past.runs)) < np.where(past.runs["cavity"] == "2", 0.5, 0.8)
    return past.where(keep)


def test_standardised_a_batch_may_hold_any_mix_of_cavities() -> None:
    past = mixed()
    chart = seen(past, sharing=Sharing(cavities="standardised"))
    x, cavity = past.deviations[:, 9], past.runs["cavity"].to_numpy()
    base = (past.runs["batch"] <= "B15").to_numpy()
    z = np.empty(len(x))
    for name in "12":
        own = x[(cavity == name) & base]
        z[cavity == name] = (x[cavity == name] - own.mean()) / own.std(ddof=1)
    means = pd.Series(z).groupby(past.runs["batch"].to_numpy()).mean()
    np.testing.assert_allclose(chart.values[:, 0], means[list(chart.rows.labels)], atol=1e-12)
    assert chart.series.units == ("sigma",)
    # The mix alone moves plain batch means; on one scale they vary less about their centre.
    plain = seen(past, sharing=Sharing(cavities="together"))
    assert plain.values[:, 0].std() / 0.22 > chart.values[:, 0].std() / (0.22 / 0.2236)


def test_moulds_share_a_chart_on_one_scale_in_the_order_of_time() -> None:
    past = shots(moulds="MN")
    chart = seen(past, sharing=Sharing(moulds="standardised"))
    assert set(chart.rows.moulds) == {"M and N"}
    assert chart.rows.labels[:3] == ("M B00", "N B01", "M B02")
    assert chart.rows.tools[:3] == ("M", "N", "M")
    assert (np.diff(chart.rows.times) > np.timedelta64(0)).all()
    assert [one.of for one in chart.comparisons] == ["cavities", "cavities", "moulds"]
    together = seen(past, sharing=Sharing(moulds="together"))
    assert together.rows.labels == chart.rows.labels
    assert "moulds M and N" in said(together)


def test_moulds_told_apart_or_not_are_said_to_be() -> None:
    past = shots(moulds="MN")
    assert "tells moulds M and N apart (8 and 8 batches" in said(seen(past))
    past.deviations[(past.runs["mould"] == "N").to_numpy(), 9] += 2.0
    chart = seen(past)
    assert "moulds M and N differ in level at 1 of" in said(chart)
    assert "they belong apart, or on one chart with --moulds standardised" in said(chart)


def test_too_few_batches_of_a_cavity_say_what_is_missing() -> None:
    past = shots(0.5)
    third = (past.runs["batch"] <= "B02") & (past.runs.index % 6 == 0)
    past = shots_with(past, third.to_numpy(), "3")
    chart = seen(past)
    (one,) = chart.comparisons
    assert (one.few, one.names) == (("3",), ("1", "2", "3"))
    only = past.where(np.isin(past.runs["cavity"], ["1", "3"]))
    chart = seen(only)
    assert "cannot be said: cavity 3 has 3 baseline batches, 4 are needed" in said(chart)
    assert set(chart.rows.moulds) == {"M"}
    chart = seen(only, sharing=Sharing(cavities="standardised"))
    assert "M cavity 3: 3 baseline pieces, 8 are needed to standardise by" in said(chart)
    assert "3 pieces are not on the chart" in said(chart)


def shots_with(past: History, rows: Array, cavity: str) -> History:
    runs = past.runs.copy()
    runs.loc[rows, "cavity"] = cavity
    return replace(past, runs=runs)


def test_pieces_that_name_no_cavity_stay_apart_from_those_that_do() -> None:
    chart = seen(shots(0.5, unknown=18))
    assert sorted(set(chart.rows.moulds)) == ["M cavity 1", "M cavity 2", "M cavity unknown"]
    assert "18 pieces name no cavity of mould M: kept apart" in said(chart)
    lost = np.array([m == "M cavity unknown" for m in chart.rows.moulds])
    assert np.isnan(chart.upper[lost]).all()
    assert np.isfinite(chart.values[lost]).all()
    # Where cavities share a chart it does not matter which a piece is from.
    alike = seen(shots(unknown=18))
    assert set(alike.rows.moulds) == {"M"}
    assert "name no cavity" not in said(alike)
    # A mould whose pieces name no cavity at all, or one only, is as it ever was.
    for cavity in ("", "1"):
        bare = history(shots().deviations, batches=list(shots().runs["batch"]), cavities=cavity)
        assert seen(bare).comparisons == ()


def test_events_of_the_mould_concern_the_charts_of_its_cavities() -> None:
    past = shots(0.5)
    past.deviations[16 * EACH :, 9] += 2.0
    when = past.runs["measured_at"][16 * EACH] - pd.Timedelta("1D")
    events = pd.DataFrame({"happened_at": [when] * 2, "kind": ["mould work", "clean"],
                           "mould": ["M", "N"], "note": ["clamp", ""]})  # fmt: skip
    chart = seen(past, events)
    no_answers = pd.DataFrame({"signal_id": []})
    found = listed(chart, no_answers).signals
    assert {s.mould for s in found} == {"M cavity 1", "M cavity 2"}
    assert {s.event for s in found} == {"mould work: clamp"}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    past = shots(0.5)
    past.deviations[20 * EACH :, 9] += 1.5
    return stored(tmp_path, past)


def kept(store: Path, **more: Any) -> Any:
    with open_store(store) as opened:
        return freeze(opened, names=("check-1",), baseline=BASE, by="batch", since=None, why="w",
                      who="t", rules=DEFAULT, **more)  # fmt: skip


def looked(store: Path, **more: Any) -> Monitor:
    with open_store(store, read_only=True) as opened:
        return monitor(opened, names=("check-1",), **more)


def test_limits_are_frozen_for_each_cavity_and_judge_it(store: Path) -> None:
    done = kept(store)
    assert [s.mould for s in done.sets] == ["M cavity 1", "M cavity 2"]
    before, after = looked(store, baseline=BASE), looked(store)
    assert after.frozen.all()
    np.testing.assert_allclose(after.upper, before.upper)
    one = looked(store, cavity="2")
    assert set(one.rows.moulds) == {"M cavity 2"}
    assert one.frozen.all()
    assert [s for s in after.signals if s.mould == "M cavity 2"] == list(one.signals)
    with open_store(store) as opened:
        assert retire(opened, (), at="2026-06-01", why="w", who="t", mould="M").sets == 2


def test_cavities_stay_as_their_limits_were_frozen(store: Path) -> None:
    kept(store, cavities="together")
    chart = looked(store)
    assert set(chart.rows.moulds) == {"M"}
    assert "so they were frozen" in said(chart)
    assert chart.frozen.all()
    past_it = looked(store, baseline=BASE)
    assert set(past_it.rows.moulds) == {"M cavity 1", "M cavity 2"}


def test_frozen_limits_do_not_judge_what_is_on_another_scale(store: Path) -> None:
    kept(store)
    chart = looked(store, sharing=Sharing(cavities="standardised"))
    assert not chart.frozen.any()
    assert "frozen limits judge plain values, not these" in said(chart)


def test_a_cavity_that_is_not_there_is_refused(store: Path) -> None:
    with pytest.raises(InputError, match="no run of cavity '7'; there is 1, 2"):
        looked(store, cavity="7")


def test_cavities_alike_are_told_apart_no_more_often_than_promised() -> None:
    """Two tests at 1 % over all series together: of a hundred mould histories at most seven."""
    told = sum(seen(shots(seed=100 + k), names=None).comparisons[0].differ for k in range(100))
    assert told <= stats.binom.ppf(0.9995, 100, 0.02)


@pytest.mark.parametrize(
    ("offset", "spread", "words"),
    [(0.5, 1.0, "and they differ at check-1:"), (0.0, 4.0, "and they differ at check-2:"),
     (0.0, 1.0, "nothing tells them apart (a difference in level below some 0.0")],
)  # fmt: skip
def test_a_study_that_reads_cavities_together_says_whether_they_differ(
    offset: float, spread: float, words: str
) -> None:
    (one,) = read_together(shots(offset, spread))
    assert one.startswith("pieces of cavities 1 and 2 of mould M are read together")
    assert words in one


def test_what_reads_one_cavity_says_nothing_of_others() -> None:
    assert read_together(shots(cavities="1")) == ()
    assert read_together(shots(unknown=BATCHES * EACH)) == ()


def test_of_few_batches_nobody_can_say_whether_cavities_differ() -> None:
    past = shots(0.5).where(np.arange(BATCHES * EACH) < EACH)
    (one,) = read_together(past)
    assert "too few batches to tell whether they differ" in one


def test_capability_says_that_it_is_of_the_mix(tmp_path: Path) -> None:
    with open_store(stored(tmp_path, shots(0.5))) as store:
        remarks = "\n".join(capability_study(store, span="B00..B23").remarks)
    assert "pieces of cavities 1 and 2 of mould M are read together, and they differ at" in remarks


@pytest.mark.parametrize("own", [1, 2, 3])
def test_a_centre_of_few_values_says_what_it_costs(own: int) -> None:
    """Steady values about a centre of n others: their share beyond three sigma, by simulation."""
    past = shots(moulds="M")
    moulds = np.where(np.arange(BATCHES * EACH) // EACH >= 16 - own, "N", "M")
    chart = seen(replace(past, runs=past.runs.assign(mould=moulds)))
    many = "1 baseline batch" if own == 1 else f"{own} baseline batches"
    told = next(r for r in chart.remarks if f"the centre of N is that of {many}" in r)
    rng = np.random.default_rng(1)
    away = rng.normal(size=400_000) - rng.normal(size=(own, 400_000)).mean(axis=0)
    share = float(told.split(" in 100 lie")[0].split()[-1])
    assert share == pytest.approx(100 * np.mean(np.abs(away) > 3), abs=0.1)
    assert not any("the centre of" in r for r in seen(past).remarks)
