"""The piece as a whole: against scipy's F and beta, planted incidents, and simulated shops.

Limits of T² for new and for reference pieces: Tracy, N. D., Young, J. C. and Mason, R. L. (1992),
Journal of Quality Technology 24, 88-95.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from histories import history
from scipy.stats import beta, chi2, f
from strategies import Array, box

from spc.charts.multivariate import reference
from spc.errors import InputError
from spc.pages.shape_text import shape_text
from spc.store.connection import open_store
from spc.studies import shape
from spc.studies.history import History
from spc.studies.series import mode_series
from spc.studies.shape import ShapeStudy, _limit_of_average, shape_study

ALPHA = 0.0027


def studied(path: Path, **question: Any) -> ShapeStudy:
    with open_store(path, read_only=True) as store:
        return shape_study(store, **question)


def of_hand(past: History, **question: Any) -> ShapeStudy:
    """Return the study of a history that no store holds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shape, "past_of", lambda *_: past)
        patch.setattr(shape, "limit_sets", lambda *_: ())
        return shape_study(None, **question)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def of_fit(sample_store: Path) -> ShapeStudy:
    return studied(sample_store)


def by_hand(x: Array, base: Array, alpha: float = ALPHA) -> tuple[Array, Array]:
    """Return T² and its limit of each row, about mean and covariance of the reference rows."""
    kept = x[base]
    m, p = kept.shape
    off = x - kept.mean(axis=0)
    t2 = np.array([d @ np.linalg.solve(np.cov(kept.T), d) for d in off])
    new = p * (m + 1) * (m - 1) / (m * (m - p)) * f.isf(alpha, p, m - p)
    old = (m - 1) ** 2 / m * beta.isf(alpha, p / 2, (m - p - 1) / 2)
    return t2, np.where(base, old, new)


def rows_of(study: ShapeStudy, mould: str) -> Array:
    return np.array([m == mould for m in study.rows.moulds])


def test_t2_and_both_limits_are_those_of_scipy(of_fit: ShapeStudy, past: History) -> None:
    scores = dict(zip(past.runs["serial"], mode_series(past)[2], strict=True))
    values = np.array([scores[label] for label in of_fit.rows.labels])
    assert of_fit.values == mode_series(past)[1]
    for mould, m in (("K1", 79), ("K2", 58)):
        mine = rows_of(of_fit, mould)
        t2, limit = by_hand(values[mine], of_fit.rows.baseline[mine])
        np.testing.assert_allclose(of_fit.t2[mine], t2, rtol=1e-8)
        np.testing.assert_allclose(of_fit.limit[mine], limit, rtol=1e-9)
        assert of_fit.pieces[mould] == m
    assert {s.label for s in of_fit.signals} == {
        of_fit.rows.labels[k] for k in np.flatnonzero(of_fit.t2 > of_fit.limit)
    }
    assert np.isnan(of_fit.average).all()


def test_the_bad_hit_is_found_and_laid_to_what_it_moved(of_fit: ShapeStudy, truth: Any) -> None:
    """A hit 1.9 mm out moves the mean of three at flank-1 by 0.63 mm: the bow of the flank."""
    (one,) = (s for s in of_fit.signals if s.label == truth["bad_hit"]["serial"])
    assert (one.mould, one.chart, one.t2 > one.limit) == ("K1", "piece", True)
    assert any("bow" in text for text in one.made_by)
    assert not any("twist" in text for text in one.made_by)


def test_the_warped_pieces_are_found_and_laid_to_the_twist(
    of_fit: ShapeStudy, past: History, truth: Any
) -> None:
    batch = dict(zip(past.runs["serial"], past.runs["batch"], strict=True))
    flagged: dict[str, list[bool]] = {}
    found = {s.label: s for s in of_fit.signals}
    for label in of_fit.rows.labels:
        flagged.setdefault(batch[label], []).append(label in found)
    late = [b for b, mm in truth["warp"]["by_batch_mm"].items() if mm >= 1.0]
    assert len(late) == 3
    for name in late:
        assert np.mean(flagged[name]) >= 0.9, name
    assert np.mean(flagged["B24"]) < np.mean(flagged["B30"]) <= 1.0
    warped = [s for s in found.values() if batch[s.label] in late]
    assert all(any("twist" in text for text in s.made_by) for s in warped)
    # The other mould is as before: besides the bad hit, one in 370 of its pieces or a few more.
    rest = [s for s in found.values() if s.mould == "K1" and s.label != truth["bad_hit"]["serial"]]
    assert len(rest) <= 5


def test_check_points_are_judged_in_their_principal_components(
    sample_store: Path, past: History, truth: Any
) -> None:
    study = studied(sample_store, of="checks", components=3)
    label = list(past.runs["serial"])
    d = past.deviations[[label.index(s) for s in study.rows.labels]][:, ~past.geometry.is_fit]
    base, whole = study.rows.baseline, np.isfinite(d).all(axis=1)
    for mould in ("K1", "K2"):
        d[rows_of(study, mould)] -= np.nanmean(d[rows_of(study, mould) & base], axis=0)
    # Components are those of all baseline pieces, each mould about its own mean.
    _, singular, axes = np.linalg.svd(d[base & whole] - d[base & whole].mean(axis=0))
    assert study.shares == pytest.approx(singular[:3] ** 2 / (singular**2).sum())
    for mould in ("K1", "K2"):
        mine = rows_of(study, mould) & whole
        t2, limit = by_hand(d[mine] @ axes[:3].T, base[mine])
        np.testing.assert_allclose(study.t2[mine], t2, rtol=1e-7)
        np.testing.assert_allclose(study.limit[mine], limit, rtol=1e-9)
    gap = study.rows.labels.index(truth["missing_patch"]["serial"])
    assert np.isnan(study.t2[gap])
    assert "1 piece with a missing value cannot be judged as a whole" in study.notes


def test_a_signal_of_components_is_laid_to_the_points_that_moved(
    sample_store: Path, truth: Any
) -> None:
    """Late pieces of the mould that warps: half of it lies at points where the warp shows."""
    study = studied(sample_store, of="checks")
    late = [s for s in study.signals if s.mould == truth["warp"]["mould"] and s.label >= "H0367"]
    assert len(late) > 20
    shown = set(truth["warp"]["shows_at"])
    first = [s.points[0] in shown for s in late]
    assert np.mean(first) > 0.8
    assert all(1 <= len(s.points) < 12 for s in study.signals)
    assert all(not s.points for s in studied(sample_store).signals)
    assert "half of it at" in shape_text(study)


def test_the_shrinking_shows_at_check_points_and_at_no_fit_point(
    of_fit: ShapeStudy, sample_store: Path, past: History
) -> None:
    """Mould K1 from B15 on; its pieces are no more twisted than before."""
    batch = dict(zip(past.runs["serial"], past.runs["batch"], strict=True))
    checks = studied(sample_store, of="checks")
    late = rows_of(checks, "K1") & [batch[label] >= "B15" for label in checks.rows.labels]
    assert checks.rows.labels == of_fit.rows.labels
    assert np.nanmean(checks.t2[late] > checks.limit[late]) > 0.3
    assert np.nanmean(of_fit.t2[late] > of_fit.limit[late]) < 0.05


def test_groups_of_check_points_are_judged_by_their_letters(
    sample_store: Path, past: History
) -> None:
    study = studied(sample_store, of="DE", components=30)
    assert study.values == tuple(p.id for p in past.plan.check_points if p.group in ("D", "E"))
    assert len(study.values) > 1
    for wrong in ("Z", "", "DZ", ","):
        with pytest.raises(InputError, match=f"no group '{wrong}' of check points; use fit, che"):
            studied(sample_store, of=wrong)


def quiet(n: int = 80, checks: int = 4, seed: int = 1) -> Array:
    return np.random.default_rng(seed).normal(0, 0.1, (n, 9 + checks))


def test_by_batch_a_slow_change_is_averaged_from_the_mean() -> None:
    past = history(quiet(160), batches=[f"B{k // 2:02d}" for k in range(160)])
    study = of_hand(past, by="batch", baseline="B00..B39")
    x = np.array([mode_series(past)[2][2 * k : 2 * k + 2].mean(axis=0) for k in range(80)])
    mean, cov = x[:40].mean(axis=0), np.cov(x[:40].T)
    z, variance = np.zeros(3), 0.0
    for row, off in enumerate(x - mean):
        z, variance = 0.9 * z + 0.1 * off, 0.81 * variance + 0.01
        expected = z @ np.linalg.solve(cov, z) / variance
        assert study.average[row] == pytest.approx(expected, rel=1e-8)
    # An average of λ 0.1 keeps 1/19 of the variance of a value, and the mean has 1/40 of it.
    h = float(chi2.isf(chi2.sf(12.40, 3), 3))
    limit = (1 + 19 / 40) * 3 * 39 / 37 * f.isf(chi2.sf(h, 3), 3, 37)
    assert study.average_limit == pytest.approx(np.full(80, limit), rel=0.01)


@pytest.mark.parametrize("m", [7, 15, 60])
def test_the_average_of_few_batches_errs_as_seldom_as_that_of_known_ones(m: int) -> None:
    """χ² of 3 passes 12.4 once in 162; so must an average of new batches after 60 of them."""
    rng = np.random.default_rng(m)
    weights = 0.1 * 0.9 ** np.arange(60)
    beyond, shops = 0, 4000
    for _ in range(shops):
        known = reference(rng.normal(size=(m, 3)))
        off = weights @ rng.normal(size=(60, 3)) - known.mean
        t2 = off @ known.inverse @ off / (0.1 / 1.9)
        beyond += t2 > _limit_of_average(known, 12.4)
    rate = chi2.sf(12.4, 3)
    assert beyond / shops == pytest.approx(rate, abs=4 * (rate / shops) ** 0.5)


def test_new_pieces_pass_their_limit_once_in_370() -> None:
    """Twenty moulds are twenty shops of their own: 40 reference pieces and 200 new ones each."""
    n, moulds = 240 * 20, [f"M{k % 20:02d}" for k in range(240 * 20)]
    past = history(np.random.default_rng(12).normal(0, 0.1, (n, 9)), plan=box(0), moulds=moulds,
                   batches=["A" if k < 800 else "B" for k in range(n)])  # fmt: skip
    study = of_hand(past, baseline="A")
    assert set(study.pieces.values()) == {40}
    new = ~study.rows.baseline
    found, expected = int((study.t2 > study.limit)[new].sum()), new.sum() * ALPHA
    # Pieces of one shop share its reference, so that its alarms come together: twice Poisson's.
    assert abs(found - expected) <= 2 * 3 * expected**0.5
    assert (study.t2 > study.limit)[~new].sum() <= 8


def test_a_point_never_measured_is_left_out_and_named() -> None:
    values = quiet()
    values[:, 10] = np.nan
    values[70, 11] = np.nan
    study = of_hand(history(values), of="checks", components=30,
                    baseline="B00000..B00049")  # fmt: skip
    assert study.values == ("check-1", "check-3", "check-4")
    assert "check-2 never measured in the baseline, and left out" in study.notes
    assert np.isnan(study.t2[70])
    assert np.isfinite(np.delete(study.t2, 70)).all()
    values[:, 9:] = np.nan
    with pytest.raises(InputError, match="nothing of it was measured in the baseline"):
        of_hand(history(values), of="checks")


def test_a_mould_with_too_few_reference_pieces_says_so() -> None:
    past = history(quiet(), moulds=["MN"[k > 46] for k in range(80)])
    study = of_hand(past, baseline="B00000..B00049")
    n = rows_of(study, "N")
    assert np.isnan(study.t2[n]).all()
    assert np.isfinite(study.t2[~n]).all()
    assert any(
        text.startswith("mould N: 3 complete reference pieces for 3") for text in study.notes
    )
    # Five pieces will do for the pooled covariance, but their four differences for no limit.
    five = of_hand(past, baseline="B00000..B00051", successive=True)
    assert [t for t in five.notes if t.startswith("mould N: reference pieces must be")]
    assert list(five.pieces) == ["M"]


def test_cavities_told_apart_are_each_judged_about_their_own_mean() -> None:
    values = quiet(160)
    values[1::2, 9:12] += 0.5
    past = history(values, batches=[f"B{k // 4:02d}" for k in range(160)],
                   cavities=["12"[k % 2] for k in range(160)])  # fmt: skip
    question = {"of": "checks", "baseline": "B00..B29"}
    study = of_hand(past, **question)
    assert study.pieces == {"M1 cavity 1": 60, "M1 cavity 2": 60}
    assert "they belong apart" in " ".join(study.notes)
    # Each cavity is the history of its pieces alone.
    for cavity, rows in (("1", slice(0, None, 2)), ("2", slice(1, None, 2))):
        own = history(values[rows], batches=[f"B{k // 2:02d}" for k in range(80)])
        alone = of_hand(own, **question)
        mine = np.array(study.rows.moulds) == f"M1 cavity {cavity}"
        assert study.t2[mine] == pytest.approx(alone.t2)
        assert study.limit[mine] == pytest.approx(alone.limit)
    mixed = of_hand(past, **question, cavities="together")
    assert mixed.pieces == {"M1": 120}


def test_nothing_judged_is_not_said_to_be_no_signal() -> None:
    study = of_hand(history(quiet(4)), of="checks", baseline="B00000..B00001")
    assert (study.pieces, study.signals) == ({}, ())
    text = shape_text(study)
    assert "No piece could be judged." in text
    assert "No signal" not in text


def test_successive_differences_are_not_blown_up_by_a_step_in_the_baseline() -> None:
    values = quiet()
    values[25:50, 9:] += 0.5
    values[60, 9:] += 1.0
    question = {"of": "checks", "components": 30, "baseline": "B00000..B00049"}
    past = history(values)
    pooled, steps = (of_hand(past, **question, successive=flag) for flag in (False, True))
    assert (pooled.method, steps.method) == ("pooled", "successive differences")
    assert "P00060" not in {s.label for s in pooled.signals}
    assert "P00060" in {s.label for s in steps.signals}


def test_by_moulding_the_same_pieces_stand_in_another_order() -> None:
    hours = np.where(np.arange(80) == 60, 24.0 * 30, 1.0)
    past, span = history(quiet(), hours=hours), "2026-01-05..2026-01-25"
    measured, moulded = (of_hand(past, order=o, baseline=span) for o in ("measured", "moulded"))
    assert measured.rows.labels[60] == moulded.rows.labels[31] == "P00060"
    assert set(measured.rows.labels) == set(moulded.rows.labels)


def test_a_moving_average_of_single_pieces_is_that_of_the_plain_recursion() -> None:
    rng = np.random.default_rng(9)
    values = rng.normal(0, 0.1, (120, 12))
    values[80:, 9:] += 0.1
    past = history(values)
    study = of_hand(past, of="checks", baseline="B00000..B00059", average=True)
    assert not [n for n in study.notes if "--average" in n or "alike" in n]
    x = values[:, 9:]
    mean, cov = x[:60].mean(axis=0), np.cov(x[:60].T)
    z = np.zeros(3)
    for k, row in enumerate(x):
        z = 0.1 * (row - mean) + 0.9 * z
        spread = 0.1 / 1.9 * (1 - 0.9 ** (2 * (k + 1)))
        assert study.average[k] == pytest.approx(z @ np.linalg.solve(cov * spread, z), rel=1e-8)
    late = [s for s in study.signals if s.chart == "moving average" and s.label >= "P00080"]
    assert late
    quiet = of_hand(past, of="checks", baseline="B00000..B00059")
    assert np.isnan(quiet.average).all()
    assert [n for n in quiet.notes if "--average charts it by piece all the same" in n]


def test_by_piece_it_alarms_as_seldom_as_promised_where_pieces_are_independent() -> None:
    """One in 370 over 60 pieces: at most 15 of 100 shops, and not never."""
    alarms = 0
    for seed in range(100):
        past = history(np.random.default_rng(seed).normal(0, 0.1, (100, 12)))
        study = of_hand(past, of="checks", baseline="B00000..B00039", average=True)
        alarms += any(s.chart == "moving average" and s.label >= "P00040" for s in study.signals)
    promised = -np.expm1(-60 / 370.4)
    assert 1 <= alarms <= 100 * promised + 3 * (100 * promised * (1 - promised)) ** 0.5


def test_pieces_of_a_batch_that_are_alike_are_told_to_spoil_it() -> None:
    rng = np.random.default_rng(9)
    batch = np.arange(120) // 6
    values = rng.normal(0, 0.2, (20, 12))[batch] + rng.normal(0, 0.1, (120, 12))
    past = history(values, batches=[f"B{b:02d}" for b in batch])
    study = of_hand(past, of="checks", baseline="B00..B09", average=True)
    (said,) = [n for n in study.notes if n.startswith("pieces of a batch are alike (")]
    assert "read it by batch (--by batch)" in said
