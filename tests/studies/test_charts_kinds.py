"""Other kinds of chart: handbook examples, plain arithmetic, and data that cannot be charted."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from histories import history
from strategies import Array, box

from spc.charts.autoregression import autoregression, one_step_errors
from spc.errors import InputError, NotFoundError
from spc.pages.kind_text import NO_CHART, kind_text
from spc.studies import kinds
from spc.studies.history import History
from spc.studies.kind_panels import DECISION
from spc.studies.kind_results import KindStudy, Panel
from spc.studies.kinds import KINDS, kind_study

REFERENCE = Path(__file__).parents[1] / "reference"
D2 = 2 / np.pi**0.5


def published(name: str) -> Any:
    return json.loads((REFERENCE / f"charts_{name}.json").read_text(encoding="utf-8"))


def charted(past: History, name: str, kind: str, **question: Any) -> KindStudy:
    """Return the study of a history that no store holds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kinds, "past_of", lambda *_: past)
        patch.setattr(kinds, "limit_sets", lambda *_: ())
        return kind_study(None, name, kind, **question)  # type: ignore[arg-type]


def of_check(groups: Array, **said: Any) -> History:
    """Return pieces whose check-1 has these values, (batches, pieces), NaN where there is none."""
    batch, _ = np.nonzero(np.isfinite(groups))
    values = np.zeros((len(batch), 10))
    values[:, 9] = groups[np.isfinite(groups)]
    return history(values, batches=[f"B{b:02d}" for b in batch], **said)


def rings() -> Array:
    data = published("piston_rings")["data"]
    return np.column_stack([data[f"x{k}"] for k in range(1, 6)])


@pytest.mark.parametrize(
    ("kind", "spread", "printed"),
    [
        ("mean-range", "range", ("UCL_R", "LCL_R", "Rbar", "UCL_range")),
        ("mean-sd", "standard deviation", ("UCL_s", "LCL_s", "sbar", "UCL_S")),
    ],
)
def test_piston_rings_have_their_printed_limits(
    kind: str, spread: str, printed: tuple[str, ...]
) -> None:
    """Twenty-five samples of five rings, a book's example of both charts; mm."""
    book = published("piston_rings")["published"]
    groups = rings()
    study = charted(of_check(groups), "check-1", kind, baseline="B00..B24")
    first, second = study.panels
    assert second.name.startswith(spread)
    grand = groups.mean()
    # The program charts means about the mould's centre.
    upper, lower = grand + first.upper[0], grand + first.lower[0]
    found = [upper, lower, second.center[0], second.upper[0]]
    # Rounded as the book rounds its own range and constants on the way: 0.001 for all.
    assert found == pytest.approx([float(book[key]) for key in printed], abs=0.001)
    np.testing.assert_allclose(first.values, groups.mean(axis=1) - grand, atol=1e-12)
    assert study.signals == ()
    assert study.sizes.tolist() == [5] * 25


def test_wafer_counts_have_the_handbooks_centre_and_spread() -> None:
    """Defects on 25 wafers (NIST/SEMATECH 6.3.3.1): a point out of tolerance stands for one."""
    example = published("c_chart")
    counts = np.array(example["data"]["defects"], dtype=int)
    plan = box(int(counts.max()))
    values = np.zeros((25, len(plan.points)))
    values[:, 9:] = np.where(np.arange(counts.max()) < counts[:, None], 1.6, 1.4)
    study = charted(history(values, plan=plan), "out-of-tolerance", "counts",
                    baseline="B00000..B00024")  # fmt: skip
    (panel,) = study.panels
    center = float(example["published"]["cbar"])
    assert panel.unit == "points a piece"
    np.testing.assert_array_equal(panel.values, counts)
    assert panel.center[0] == pytest.approx(center, abs=0.05)
    widened = {fact.name: fact.value for fact in study.facts}["limits widened by"]
    # Three square roots of the centre either way, times what wafers vary more than counting does.
    half = (float(example["published"]["UCL"]) - center) * widened
    assert panel.upper[0] - panel.center[0] == pytest.approx(half, rel=0.01)
    z = (counts - counts.mean()) / counts.mean() ** 0.5
    assert widened == pytest.approx(np.abs(np.diff(z)).mean() / D2)


def test_a_point_on_its_tolerance_is_not_outside_it() -> None:
    values = np.zeros((20, 12))
    values[:, 9], values[:, 10], values[::2, 11] = 1.5, -1.5, -1.5000001
    study = charted(history(values), "out-of-tolerance", "counts")
    assert study.panels[0].values.tolist() == [1, 0] * 10
    assert not [n for n in study.notes if "not measured" in n]


def test_what_was_not_measured_is_told_beside_the_counts() -> None:
    values = np.zeros((20, 12))
    values[::2, 9:], values[4, 9:11] = 1.6, np.nan
    study = charted(history(values), "out-of-tolerance", "counts")
    assert study.panels[0].values.tolist() == [3, 0, 3, 0, 1, 0, *[3, 0] * 7]
    assert "points not measured, and counted as within tolerance: 2" in study.notes


def lots(n: int = 30, each: int = 4, between: float = 0.3, seed: int = 3) -> Array:
    rng = np.random.default_rng(seed)
    return rng.normal(0, between, (n, 1)) + rng.normal(0, 0.1, (n, each))


def test_batch_charts_split_the_spread_by_plain_arithmetic() -> None:
    groups = lots()
    moulds = ["MN"[k // 4 % 2] for k in range(120)]
    study = charted(of_check(groups, moulds=moulds), "check-1", "batches", baseline="B00..B19")
    means, ranges, spread = study.panels
    assert study.labels == tuple(f"B{b:02d}" for b in (*range(0, 30, 2), *range(1, 30, 2)))
    own = {m: groups[k:20:2].mean() for k, m in enumerate("MN")}
    levelled = np.array([groups[int(b[1:])].mean() - own[m]
                         for b, m in zip(study.labels, study.moulds, strict=True)])  # fmt: skip
    np.testing.assert_allclose(means.values, levelled, atol=1e-12)
    jumps = np.concatenate([np.abs(np.diff(groups[k:20:2].mean(axis=1))) for k in (0, 1)])
    sigma = jumps.mean() / D2
    np.testing.assert_allclose(means.upper, 3 * sigma, rtol=1e-9)
    np.testing.assert_allclose(means.lower, -3 * sigma, rtol=1e-9)
    within = (groups[:20].var(axis=1, ddof=1).mean()) ** 0.5
    facts = {fact.name: fact for fact in study.facts}
    # The root of the pooled variance is a little small for sixty degrees of freedom: by c4.
    found = facts["spread within batches"]
    assert found.value == pytest.approx(within, rel=0.005)
    assert found.low < found.value < found.high
    between = (sigma**2 - found.value**2 / 4) ** 0.5
    assert facts["spread between batches"].value == pytest.approx(between)
    share = between**2 / (between**2 + found.value**2)
    assert facts["share of the variance between batches"].value == pytest.approx(share)
    np.testing.assert_allclose(spread.values, [groups[int(b[1:])].std(ddof=1)
                                               for b in study.labels])  # fmt: skip
    # No range is taken from one mould to the other.
    assert np.flatnonzero(np.isnan(ranges.values)).tolist() == [0, 15]


@pytest.mark.parametrize("batches", [2, 7, 8])
def test_no_panel_of_batches_has_limits_from_fewer_than_eight(batches: int) -> None:
    """The spread within is told all the same: 3 degrees of freedom a batch are known exactly."""
    study = charted(of_check(lots()), "check-1", "batches", baseline=f"B00..B{batches - 1:02d}")
    for panel in study.panels:
        assert np.isfinite(panel.upper).any() == (batches >= 8), panel.name
    (within,) = [f for f in study.facts if f.name == "spread within batches"]
    assert within.low < within.value < within.high
    assert bool(study.signals) <= (batches >= 8)


def test_limits_from_within_batches_say_where_they_cry_wolf() -> None:
    wild = charted(of_check(lots()), "check-1", "mean-sd", baseline="B00..B29")
    calm = charted(of_check(lots(between=0.0)), "check-1", "mean-sd", baseline="B00..B29")
    assert [n for n in wild.notes if "alarm falsely; --kind batches suits" in n]
    assert not [n for n in calm.notes if "alarm falsely" in n]
    assert len(wild.signals) > 10 > 2 >= len(calm.signals)


def test_unequal_batches_have_limits_of_their_own_size() -> None:
    groups = lots(between=0.0)
    groups[::2, 2:] = np.nan
    study = charted(of_check(groups), "check-1", "mean-range", baseline="B00..B29")
    half = study.panels[0].upper - study.panels[0].center
    assert half[0] / half[1] == pytest.approx(2**0.5)
    assert study.sizes.tolist() == [2, 4] * 15


def sums(values: Array, base: int, sigma: float) -> tuple[list[float], list[float]]:
    """Return both cumulative sums with the head start, step by step."""
    center, up, down = values[:base].mean(), [4.774 / 2], [4.774 / 2]
    for v in values:
        up.append(max(0.0, up[-1] + (v - center) / sigma - 0.5))
        down.append(max(0.0, down[-1] - (v - center) / sigma - 0.5))
    return up[1:], down[1:]


def test_cumulative_sums_are_those_of_the_plain_recursion() -> None:
    values = np.random.default_rng(5).normal(0, 0.1, (60, 10))
    values[45:, 9] -= 0.2
    study = charted(history(values), "check-1", "cusum", baseline="B00000..B00029")
    x = values[:, 9]
    sigma = np.abs(np.diff(x[:30])).mean() / D2
    for panel, expected in zip(study.panels, sums(x, 30, sigma), strict=True):
        np.testing.assert_allclose(panel.values, expected, atol=1e-9)
        assert set(panel.upper) == {4.774}
        assert panel.unit == "sigma"
    rise, fall = study.panels
    late = [s for s in study.signals if s.label >= "B00045"]
    assert {s.panel for s in late} == {fall.name}
    assert rise.name != fall.name


def test_a_cumulative_sum_begins_anew_with_each_mould() -> None:
    values = np.random.default_rng(5).normal(0, 0.1, (40, 10))
    past = history(values, moulds=["MN"[k % 2] for k in range(40)])
    both = charted(past, "check-1", "cusum", baseline="B00000..B00029", by="piece")
    x = values[1::2, 9]
    sigma = float(both.facts[0].value)
    np.testing.assert_allclose(both.panels[0].values[20:], sums(x, 15, sigma)[0], atol=1e-9)
    # Of one mould alone, the baseline may still be named by batches of the other.
    one = charted(past, "check-1", "cusum", baseline="B00000..B00028", mould="N", by="piece")
    assert one.in_baseline.sum() == 14


def test_steps_allow_for_neighbours_that_hang_together() -> None:
    rng = np.random.default_rng(8)
    x = np.zeros(200)
    for k in range(1, 200):
        x[k] = 0.7 * x[k - 1] + rng.normal(0, 0.1)
    values = np.zeros((200, 10))
    values[:, 9] = x
    study = charted(history(values), "check-1", "steps", baseline="B00000..B00149")
    about = x - x[:150].mean()
    fit = autoregression(about, np.arange(200) < 150)
    level, errors = study.panels
    np.testing.assert_allclose(level.values, about, atol=1e-12)
    np.testing.assert_allclose(level.upper, fit.upper[0], rtol=1e-9)
    np.testing.assert_allclose(errors.values, one_step_errors(about, fit)[:, 0], rtol=1e-9)
    (phi,) = study.facts
    assert phi.low < 0.7 < phi.high
    # Limits from moving ranges would be too narrow by about √(1 − φ).
    narrow = np.abs(np.diff(about[:150])).mean() / D2
    assert level.upper[0] / (3 * narrow) == pytest.approx((1 - phi.value) ** -0.5, rel=0.15)
    assert len([s for s in study.signals if s.panel == errors.name]) <= 4


def test_a_skewed_figure_is_not_called_a_length() -> None:
    values = np.random.default_rng(4).normal(0, 0.1, (120, 10))
    past = history(values, batches=[f"B{k // 4:02d}" for k in range(120)])
    for kind in ("batches", "mean-range", "mean-sd", "cusum", "steps"):
        study = charted(past, "fit-noise", kind)
        units = {p.unit for p in study.panels} | {f.unit for f in study.facts}
        assert "mm" not in units
        assert "charted as its power two thirds, which is close to normal" in study.notes
        plain = charted(past, "check-1", kind)
        assert "mm" in {p.unit for p in plain.panels} | {f.unit for f in plain.facts}
    scaled = past.runs["noise"].to_numpy().reshape(30, 4) ** (2 / 3)
    means = charted(past, "fit-noise", "batches").panels[0]
    np.testing.assert_allclose(means.values, scaled.mean(axis=1) - scaled.mean(axis=1)[:12].mean())


def test_single_pieces_cannot_tell_within_from_between() -> None:
    past = history(np.random.default_rng(2).normal(0, 0.1, (40, 10)))
    study = charted(past, "check-1", "batches", baseline="B00000..B00029")
    assert [n for n in study.notes if n.startswith("every batch has one piece")]
    assert np.isnan([f.value for f in study.facts if f.name.startswith("spread")]).all()
    assert np.isfinite(study.panels[0].upper).all()
    for kind in ("mean-range", "mean-sd"):
        bare = charted(past, "check-1", kind)
        assert [n for n in bare.notes if n.startswith("no limits: no baseline subgroup has two")]
        assert bare.signals == ()


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "counts"])
@pytest.mark.parametrize("held", ["missing", "still", "few", "one"])
def test_what_cannot_be_charted_says_why_and_signals_nothing(kind: str, held: str) -> None:
    values = np.random.default_rng(2).normal(0, 0.1, (60, 10))
    if held == "missing":
        values[:, 9] = np.nan
    if held == "still":
        values[:, 9] = 0.3
    if held == "few":
        values[6:36, 9] = np.nan
    rows = 1 if held == "one" else 60
    past = history(values[:rows], batches=[f"B{k // 3:02d}" for k in range(rows)])
    study = charted(past, "check-1", kind)
    assert study.notes
    assert study.signals == ()
    assert not np.isfinite(study.panels[0].upper).any()
    if (kind, held) != ("batches", "few"):  # the spread within batches is known there
        assert not study.limited
        assert kind_text(study).endswith(NO_CHART)
    words = {"still": "vary", "few": "needed|fitted from", "one": "needed|two or more|fitted from",
             "missing": "no value|no baseline|fitted from"}  # fmt: skip
    assert any(re.search(words[held], note) for note in study.notes), study.notes
    if kind == "cusum":
        assert str(DECISION)[:4] not in kind_text(study)


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "counts"])
def test_one_value_over_and_over_is_no_chart_whatever_the_batches_hold(kind: str) -> None:
    """Means of 0.1 differ by rounding between batches of two, three and six: not in fact."""
    batches = [f"B{b:02d}" for b in range(60) for _ in range(1 + b % 6)]
    values = np.full((len(batches), 10), 0.1)
    study = charted(history(values, batches=batches), "check-1", kind, baseline="B00..B39")
    assert not study.limited
    assert study.signals == ()
    assert any("not vary" in note for note in study.notes)


def test_a_mould_without_a_baseline_is_named() -> None:
    past = of_check(lots(), moulds=["MN"[k >= 96] for k in range(120)])
    for kind in ("batches", "mean-sd", "cusum", "steps"):
        study = charted(past, "check-1", kind, baseline="B00..B11")
        assert "mould N has no baseline value, so no centre to be charted about" in study.notes
        late = np.array([m == "N" for m in study.moulds])
        assert not np.isfinite(study.panels[0].values[late]).any()


def test_every_signal_is_a_value_beyond_a_limit_of_its_panel() -> None:
    panel = Panel(name="x", unit="mm", values=np.array([0.0, 2.0, -2.0, np.nan, 1.0]),
                  center=np.zeros(5), lower=np.full(5, -1.0), upper=np.full(5, 1.0))  # fmt: skip
    assert panel.beyond.tolist() == [False, True, True, False, False]
    study = charted(of_check(lots()), "check-1", "mean-range")
    for panel in study.panels:
        mine = [s for s in study.signals if s.panel == panel.name]
        assert [s.label for s in mine] == [study.labels[k] for k in np.flatnonzero(panel.beyond)]
        assert all((s.value > s.limit) == (s.limit > panel.center[0]) for s in mine)


@pytest.mark.parametrize(
    ("name", "kind", "question", "words"),
    [
        ("check-1", "pie", {}, "no kind of chart 'pie'; use values, batches"),
        ("check-1", "counts", {}, "chart out-of-tolerance with --kind counts"),
        ("out-of-tolerance", "cusum", {}, "chart out-of-tolerance with --kind counts"),
        ("check-7", "cusum", {}, "no series 'check-7'"),
        ("check-1", "steps", {"mould": "Q"}, "no run of mould 'Q'"),
        ("check-1", "steps", {"mould": ""}, "no run of mould ''"),
        ("check-1", "batches", {"baseline": "2026-02-30"}, "'2026-02-30' is not a day"),
        ("check-1", "cusum", {"baseline": "2020-01"}, "no run lies in the baseline 2020-01"),
        ("check-1", "cusum", {"by": "week"}, "a chart by 'week'"),
    ],
)
def test_what_is_not_there_is_refused(
    name: str, kind: str, question: dict[str, str], words: str
) -> None:
    past = history(np.random.default_rng(1).normal(0, 0.1, (30, 10)))
    with pytest.raises((InputError, NotFoundError)) as refused:
        charted(past, name, kind, **question)
    assert words in str(refused.value)
