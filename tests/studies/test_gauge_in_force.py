"""Which gauge study speaks for a reading, what it says, and what a verdict is then held against."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from helpers import Outcome
from scipy import stats

from spc.store import read
from spc.store.connection import Store, open_store
from spc.studies.events import add_event
from spc.studies.fit_noise import NoiseAsked
from spc.studies.gauge import second_factor
from spc.studies.gauge_figures import fit_figures
from spc.studies.gauge_in_force import Gauges
from spc.studies.gauge_standing import ArmState, concerns
from spc.studies.gauge_standing import standing as judged
from spc.studies.history import study_runs
from spc.studies.moments import PIECE
from spc.studies.monitor import monitor
from spc.studies.review import review

AFTER = pd.Timestamp("2026-07-20 10:00")
Command = Callable[..., Outcome]


@pytest.fixture
def store(sample_copy: Path) -> Iterator[Store]:
    with open_store(sample_copy) as opened:
        yield opened


def standing(store: Store, moment: pd.Timestamp | None = AFTER, device: str = "arm-1") -> str:
    """Return the study in force, or why there is none."""
    found = Gauges(store, read.plan(store, None)).in_force(moment, device)
    return found.study or found.words()


def happened(store: Store, kind: str, note: str, at: str = "2026-07-01T08:00:00Z") -> None:
    add_event(store, {"at": at, "kind": kind, "part": "", "mould": "", "note": note}, None, "x")


def test_a_study_speaks_for_what_its_arm_measured_after_it(store: Store) -> None:
    assert standing(store) == "G1"
    assert standing(store, None, "") == "G1"
    assert "ended on 2026-06-18, not before this" in standing(store, pd.Timestamp("2026-05-01"))
    assert "ended on 2026-06-18" in standing(store, pd.Timestamp("2026-06-16 09:00"))
    assert "was made with arm-1, not with arm-2" in standing(store, AFTER, "arm-2")


@pytest.mark.parametrize(
    ("kind", "note", "said"),
    [
        ("arm repair", "elbow of arm-1 replaced", "older than the arm repair of 2026-07-01"),
        ("probe change", "", "older than the probe change of 2026-07-01"),
        ("arm repair", "elbow of arm-2 replaced", "G1"),
        ("gauge study retired", "G1: pieces have crept", "was retired on 2026-07-01"),
        ("gauge study retired", "G12", "G1"),
        ("arm check failed", "arm-1 on the bar", "since the arm's check of 2026-07-01 failed"),
        ("arm check failed", "arm-2 on the bar", "G1"),
        ("arm recalibration", "arm-1 as found within its limits", "G1"),
        ("mould work", "vent cleaned", "G1"),
    ],
)
def test_an_event_may_end_a_study_from_its_day_on(
    store: Store, kind: str, note: str, said: str
) -> None:
    happened(store, kind, note)
    # The sample runs have weekly readings of the arm; a later good one would answer a failed check.
    moment = pd.Timestamp("2026-07-01 09:00") if "failed" in kind else AFTER
    assert said in standing(store, moment)
    assert standing(store, pd.Timestamp("2026-07-01 07:00")) == "G1"
    if "failed" in kind:
        assert standing(store) == "G1"


def test_a_failed_reading_of_the_bar_ends_it_until_the_next_good_one(store: Store) -> None:
    # The samples' bar read outside its limits on 7 October and inside them a week later.
    assert "check of 2026-10-07 failed" in standing(store, pd.Timestamp("2026-10-08 09:00"))
    assert standing(store, pd.Timestamp("2026-10-15 09:00")) == "G1"


def test_a_note_concerns_the_arm_it_names_or_every_arm() -> None:
    assert concerns("cable renewed", {"arm-1"})
    assert concerns("arm-1 sent away, arm-2 in its place", {"arm-1"})
    assert not concerns("arm-12 sent away", {"arm-1"})


def test_too_few_repeats_do_not_speak_and_say_how_many(store: Store) -> None:
    plan, runs = read.plan(store, None), read.runs(store, "LH-640")
    runs, arms = runs[runs["study"] == "G1"], ArmState(store, "LH-640")
    again = runs[runs.duplicated(["serial", "operator"])]
    first = runs.drop(again.index)
    assert judged("G1", pd.concat([first, again[:10]]), plan, arms, AFTER, "") == ""
    assert "repeats 9 set-ups, and 10 are needed" in judged(
        "G1", pd.concat([first, again[:9]]), plan, arms, AFTER, ""
    )
    undated = runs.assign(measured_at=pd.NaT)
    assert "no measuring times" in judged("G1", undated, plan, arms, AFTER, "")
    other = runs.assign(revision="B")
    assert "no aligned run of revision C" in judged("G1", other, plan, arms, AFTER, "")


def test_modes_of_a_study_are_nested_and_crossed_as_a_general_library_has_them(
    sample_store: Path,
) -> None:
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    from spc.studies.series import mode_series

    with open_store(sample_store, read_only=True) as opened:
        past = study_runs(opened, read.plan(opened, None), "G1")
    found = fit_figures(past, second_factor(past)[1])
    assert found is not None
    scores = mode_series(past)[2][:, 0]
    frame = pd.DataFrame({"y": scores, "p": past.runs["serial"], "o": past.runs["operator"]})
    ms = anova_lm(smf.ols("y ~ C(p) * C(o)", frame).fit())["mean_sq"]
    at = found.names.index("mode-1")
    # Pooled where the interaction's p is above 0.25 (AIAG).
    table = anova_lm(smf.ols("y ~ C(p) * C(o)", frame).fit())
    pooled = table["PR(>F)"]["C(p):C(o)"] > 0.25
    within = (table["sum_sq"]["C(p):C(o)"] + table["sum_sq"]["Residual"]) / (
        table["df"]["C(p):C(o)"] + table["df"]["Residual"]
    )
    setup = within if pooled else ms["Residual"]
    assert found.quantities.sd["setup"].value[at] == pytest.approx(np.sqrt(setup), rel=1e-9)
    # One reading of unit weight: the three modes' gauges, root mean square.
    modes = [k for k, n in enumerate(found.names) if n.startswith("mode-")]
    gauges = found.quantities.gauge.value[modes]
    assert found.reading == pytest.approx(np.sqrt((gauges**2).mean()))
    assert 3 < found.reading_dof < 3 * 89


def test_the_hits_are_those_of_the_simulation(sample_store: Path, truth: Any) -> None:
    with open_store(sample_store, read_only=True) as opened:
        past = study_runs(opened, read.plan(opened, None), "G1")
    found = fit_figures(past, second_factor(past)[1])
    assert found is not None
    # Hits alone are simulated at a known spread; 5940 degrees of freedom know it to 2 %.
    low, high = np.sqrt(stats.chi2.ppf([0.0005, 0.9995], found.hit_dof) / found.hit_dof)
    true = set(truth["study"]["components"]["by_point"]["hit"].values())
    assert len(true) == 1
    assert low < found.hit / np.sqrt(true.pop()) < high
    assert found.reading > found.hit / np.sqrt(3)


def test_a_verdict_says_where_its_noise_comes_from_and_asks_in_order(sample_store: Path) -> None:
    with open_store(sample_store, read_only=True) as opened:
        later, earlier = review(opened, "H0188"), review(opened, "H0100")
        asked = review(opened, "H0188", asked=NoiseAsked(sigma=0.3))
        without = review(opened, "H0188", asked=NoiseAsked(gauge="none"))
        named = review(opened, "H0100", asked=NoiseAsked(gauge="G1"))
    assert (later.measured.study, later.measured.probing_from) == ("G1", "hits of gauge study G1")
    assert earlier.measured.probing_from == "hits of production runs"
    assert np.isnan(earlier.p_again)
    assert named.measured.study == "G1"
    # Same study, same sigma: the chance is the F of the run's own sum of squares.
    ssr = later.noise**2 * later.dof
    ratio = ssr / later.dof / later.measured.again**2
    tail = stats.f.sf(ratio, later.dof, later.measured.again_dof)
    assert later.p_again == pytest.approx(tail, rel=1e-9)
    assert asked.p_probing == pytest.approx(stats.chi2.sf(ssr / 0.09, later.dof), rel=1e-9)
    assert np.isinf(asked.measured.probing_dof)
    assert without.measured.study == ""
    # The word of the verdict rests on the mould's history, whatever the gauge.
    assert len({r.advice for r in (later, asked, without)}) == 1


def test_what_a_verdict_rests_on_does_not_change_when_a_study_comes_in_later(
    sample_copy: Path,
) -> None:
    with open_store(sample_copy) as opened:
        before = review(opened, "H0100")
        happened(opened, "gauge study retired", "G1", at="2026-10-30T08:00:00Z")
        after = review(opened, "H0100"), review(opened, "H0188")
    assert after[0].measured == before.measured
    assert after[1].measured.study == "G1"  # retired after this run


def test_zones_of_a_run_are_the_guard_band_of_the_study(sample_store: Path) -> None:
    with open_store(sample_store, read_only=True) as opened:
        spread = Gauges(opened, read.plan(opened, None)).spread("G1")
        found = review(opened, "H0350")
    for check in found.checks:
        assert check.measuring == spread.sd[check.point]
        guard = 1.645 * check.measuring
        room = min(check.deviation - check.lower, check.upper - check.deviation)
        word = (
            "conforms" if room >= guard else "not proven" if room >= -guard else "does not conform"
        )
        assert check.zone == word
    assert found.measured.study == "G1"


def test_a_chart_is_told_what_measuring_makes_of_its_spread(sample_store: Path) -> None:
    with open_store(sample_store, read_only=True) as opened:
        by_piece = monitor(opened, names=("latch-face", "mode-1"), by=PIECE)
        by_batch = monitor(opened, names=("latch-face",))
        spread = Gauges(opened, read.plan(opened, None)).spread("G1")
    floor = by_piece.measuring[0]
    assert (floor.series, floor.study, floor.sd) == ("latch-face", "G1", spread.sd["latch-face"])
    assert floor.share == pytest.approx((floor.sd / np.nanmin(by_piece.sigma[-1, 0])) ** 2)
    assert not floor.below
    assert by_piece.measuring[1].series == "mode-1"
    pieces = np.median(by_batch.rows.pieces)
    assert by_batch.measuring[0].sd == pytest.approx(floor.sd / np.sqrt(pieces))


def test_the_command_says_it_and_its_document_too(sample_store: Path, spc: Command) -> None:
    shown = spc("run", "show", "H0188", "--store", sample_store)
    assert shown.done("hits of gauge study G1", "lifted and placed anew (", "measuring")
    asked = spc("run", "show", "H0188", "--sigma", "0.3", "--json", "--store", sample_store)
    found = json.loads(asked.out)
    assert found["measured"]["probing_from"] == "as asked for"
    assert found["probing"] == 0.3
    wrong = spc("run", "show", "H0188", "--gauge", "G9", "--store", sample_store)
    assert wrong.refused("gauge study 'G9'")
