import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multivariate import test_mvmean as hotelling_test

from spc.charts.contributions import contributions, parts_of_t2, smallest_explanations
from spc.charts.mewma import mewma
from spc.charts.modes import mode_chart, principal_modes, residual_limit, weighted_chi2_sf
from spc.charts.multivariate import (
    known_reference,
    reference,
    t2_chart,
    t2_limit,
    t2_limit_of_means,
)
from spc.errors import DataError

RNG = np.random.default_rng(31)
MIX = np.array([[1.0, 0.6, 0.0], [0.0, 0.8, 0.3], [0.0, 0.0, 0.5]])


def pieces(count, seed=0, shift=(0, 0, 0)):
    return np.random.default_rng(seed).normal(size=(count, 3)) @ MIX + np.array(shift)


def test_johnson_wichern_small(published, printed):
    # Johnson & Wichern, example 5.1 (from memory): n (x̄ − μ0)' S⁻¹ (x̄ − μ0) = 7/9
    example = published("t2_small")
    x, mu = np.array(example["inputs"]["X_jw"]), np.array(example["inputs"]["mu0"])
    ref = known_reference(mu, np.cov(x, rowvar=False) / len(x))
    said = example["published"]["T2"]
    t2 = t2_chart(x.mean(axis=0)[None], ref).t2[0]
    assert t2 == pytest.approx(float(said), abs=printed(said))
    assert t2 == pytest.approx(hotelling_test(x, mu).t2)


def test_nist_mean_and_covariance(published, printed):
    # NIST/SEMATECH 6.5.4.1 (from memory): 5 pieces, 3 values
    example = published("t2_small")
    ref = reference(example["inputs"]["X_nist"])
    for ours, texts in ((ref.mean, example["published"]["mean"]), *zip(
        ref.cov, example["published"]["S"], strict=True
    )):  # fmt: skip
        for value, text in zip(ours, texts, strict=True):
            assert value == pytest.approx(float(text), abs=printed(text))
    assert "10 or more" not in ref.note
    assert "30 or more" in ref.note


def test_limit_of_means(published, printed):
    # Montgomery (from memory): p = 2, m = 20, n = 10, alpha 0.001
    example = published("t2_limit")
    said = example["published"]["UCL"]
    limit = t2_limit_of_means(
        **{k: example["inputs"][k] for k in ("p", "m", "n", "alpha")}, new=False
    )
    assert limit == pytest.approx(float(said), abs=printed(said))


def test_limits_for_a_new_piece_against_the_f_formula():
    # p (m+1)(m−1) / (m (m−p)) F(p, m−p) from scipy
    for p in (1, 3, 6):
        for m in (25, 50, 100):
            expected = p * (m + 1) * (m - 1) / (m * (m - p)) * stats.f.isf(0.0027, p, m - p)
            assert t2_limit(p, m, 0.0027) == pytest.approx(expected)
    assert t2_limit(3, 0, 0.0027) == pytest.approx(stats.chi2.isf(0.0027, 3))
    assert t2_limit(1, 0, 0.0026997960632601866) == pytest.approx(9.0)


@pytest.mark.parametrize("new", [True, False])
@pytest.mark.parametrize("m", [12, 40])
def test_promised_false_alarms(new, m):
    # many shops, each with its own reference of m pieces
    alarms, trials = 0, 1500
    for seed in range(trials):
        x = pieces(m, seed)
        ref = reference(x)
        judged = pieces(m, seed + 10_000) if new else x
        alarms += t2_chart(judged, ref, alpha=0.05, new=new).beyond.mean()
    assert alarms / trials == pytest.approx(0.05, abs=0.006)


@pytest.mark.parametrize("m", [20, 60])
def test_promised_false_alarms_of_successive_differences(m):
    alarms, trials = 0, 800
    for seed in range(trials):
        ref = reference(pieces(m, seed), method="successive differences")
        alarms += t2_chart(pieces(50, seed + 10_000), ref, alpha=0.05).beyond.mean()
    assert alarms / trials == pytest.approx(0.05, abs=0.01)


def test_successive_differences_are_not_blown_up_by_a_step():
    x = np.r_[pieces(40, 1), pieces(40, 2, shift=(6, 0, 0))]
    flat, chain = reference(x), reference(x, method="successive differences")
    assert flat.cov[0, 0] > 5
    assert chain.cov[0, 0] == pytest.approx(1.0, rel=0.4)
    cut = reference(x, method="successive differences", spans=np.repeat([0, 1], 40))
    assert cut.cov[0, 0] < chain.cov[0, 0]


def test_t2_does_not_care_for_units_or_axes():
    x, judged = pieces(50), pieces(20, 1)
    turn = np.array([[2.0, 1.0, 0.0], [0.0, 25.4, 3.0], [1.0, 0.0, 0.3]])
    for method in ("pooled", "successive differences"):
        a = t2_chart(judged, reference(x, method=method)).t2
        b = t2_chart(judged @ turn + 7, reference(x @ turn + 7, method=method)).t2
        assert a == pytest.approx(b)


def test_singular_values_are_refused_in_words_or_projected():
    # nine residuals of a fit with six freedoms: rank 3
    basis = np.linalg.qr(RNG.normal(size=(9, 3)))[0]
    scores = pieces(80)
    residuals = scores @ basis.T
    with pytest.raises(DataError, match="9 values have only 3 independent ways to move"):
        reference(residuals)
    ref = reference(residuals, basis=basis)
    direct = t2_chart(scores, reference(scores)).t2
    assert t2_chart(residuals, ref).t2 == pytest.approx(direct)
    assert ref.p == 3


def test_what_cannot_be_a_reference():
    with pytest.raises(DataError, match="4 complete reference pieces for 3 values; at least 5"):
        reference(pieces(4))
    still = pieces(30)
    still[:, 1] = 2.0
    with pytest.raises(DataError, match="value 2 does not vary"):
        reference(still)
    with pytest.raises(DataError, match="independent columns"):
        reference(pieces(30), basis=np.ones((3, 2)))
    with pytest.raises(DataError, match="symmetric"):
        known_reference([0, 0], [[1, 0.5], [0.1, 1]])


def test_missing_values_leave_a_piece_out():
    x = pieces(50)
    x[10, 1] = np.nan
    ref = reference(x)
    assert ref.m == 49
    assert ref.cov == pytest.approx(np.cov(np.delete(x, 10, 0), rowvar=False))
    chart = t2_chart(x, ref)
    assert np.isnan(chart.t2[10])
    assert not chart.beyond[10]


def test_contributions_against_their_definition():
    # Mason, Tracy & Young 1995: T² less the T² without the value; terms of one order sum to T²
    ref, x = reference(pieces(60)), pieces(5, 3)
    parts, whole = contributions(x, ref), t2_chart(x, ref).t2
    off = x - ref.mean
    for j in range(3):
        rest = [k for k in range(3) if k != j]
        without = [d @ np.linalg.solve(ref.cov[np.ix_(rest, rest)], d) for d in off[:, rest]]
        assert parts.given_others[:, j] == pytest.approx(whole - without)
        assert parts.alone[:, j] == pytest.approx(off[:, j] ** 2 / ref.cov[j, j])
    pair = [d @ np.linalg.solve(ref.cov[:2, :2], d) for d in off[:, :2]]
    chain = parts.alone[:, 0] + (pair - parts.alone[:, 0]) + parts.given_others[:, 2]
    assert chain == pytest.approx(whole)
    m = ref.m
    # at a piece whose other values sit on their mean the exact limit is the published one
    expected = (m + 1) * (m - 1) / (m * (m - 3)) * stats.f.isf(0.0027, 1, m - 3)
    assert contributions(ref.mean[None], ref).given_limit == pytest.approx(expected)
    assert (parts.given_limit > expected).all()
    assert parts.alone_limit == pytest.approx((m + 1) / m * stats.f.isf(0.0027, 1, m - 1))


def test_parts_of_t2_of_scores_add_up_to_it_and_fall_to_the_points_that_moved():
    """The D-statistic split by variables (Westerhuis, Gurden and Smilde 2000), by its sum."""
    rng = np.random.default_rng(8)
    shapes = np.linalg.qr(rng.normal(size=(9, 3)))[0]
    base = rng.normal(size=(80, 9))
    ref = reference(base @ shapes)
    new = rng.normal(size=(5, 9))
    new[4, 2] += 12.0
    off = new - base.mean(axis=0)
    parts = parts_of_t2(off, shapes, ref)
    assert parts.sum(axis=1) == pytest.approx(t2_chart(new @ shapes, ref).t2)
    # a point that no score looks at has no part in it
    blind = shapes.copy()
    blind[2] = 0.0
    assert (parts_of_t2(off, blind, reference(base @ blind))[:, 2] == 0.0).all()
    assert parts[4].argmax() == 2


def test_conditional_limit_keeps_its_promise():
    rates = []
    for seed in range(600):
        ref = reference(pieces(15, seed))
        parts = contributions(pieces(50, seed + 5000), ref, alpha=0.05)
        rates.append([(parts.given_others > parts.given_limit).mean(),
                      (parts.alone > parts.alone_limit).mean()])  # fmt: skip
    assert np.mean(rates, axis=0) == pytest.approx(0.05, abs=0.006)


def test_the_culprit_is_named_and_ties_are_shown():
    ref = reference(pieces(200))
    assert smallest_explanations(ref.mean, ref) == ((),)
    assert smallest_explanations(ref.mean + np.array([0, 0, 8.0]), ref) == ((2,),)
    # two independent values far out need both
    known = known_reference(np.zeros(3), np.eye(3))
    assert smallest_explanations([9.0, -9.0, 0.0], known) == ((0, 1),)
    # a clash of two tightly tied values: either of them alone would do
    tied = known_reference(np.zeros(2), [[1.0, 0.99], [0.99, 1.0]])
    assert smallest_explanations([1.0, -1.0], tied) == ((0,), (1,))


def test_modes_find_what_was_put_in():
    shape = np.linalg.qr(RNG.normal(size=(9, 2)))[0]
    x = RNG.normal(size=(400, 2)) * [3, 2] @ shape.T + 0.05 * RNG.normal(size=(400, 9))
    modes = principal_modes(x, 2)
    assert np.abs(np.linalg.svd(modes.shapes.T @ shape)[1]) == pytest.approx(1, abs=1e-3)
    values = np.linalg.eigvalsh(np.cov(x, rowvar=False))[::-1]  # numpy
    assert modes.variance == pytest.approx(values[:2])
    assert modes.rest == pytest.approx(values[2:])
    assert modes.share.sum() > 0.99
    odd = np.zeros((1, 9))
    odd[0] = modes.mean + np.linalg.svd(shape.T)[2][-1]  # a direction the modes do not have
    chart = mode_chart(odd, modes)
    assert chart.q_beyond[0]
    assert not chart.t2_beyond[0]


@pytest.mark.parametrize("alpha", [0.01, 0.05])
def test_residual_limit_keeps_its_promise(alpha):
    # a weighted sum of chi-squares, simulated
    rest = np.array([2.0, 1.0, 0.5, 0.2])
    q = (RNG.normal(size=(400_000, 4)) ** 2 * rest).sum(axis=1)
    limit, note = residual_limit(rest, alpha)
    assert note == ""
    assert (q > limit).mean() == pytest.approx(alpha, rel=5 / np.sqrt(400_000 * alpha))


def test_equal_variances_left_give_a_chi_square():
    limit, _ = residual_limit(np.ones(6), 0.0027)
    assert limit == pytest.approx(stats.chi2.isf(0.0027, 6), rel=1e-7)


def test_modes_that_carry_everything_leave_no_residual():
    basis = np.linalg.qr(RNG.normal(size=(5, 2)))[0]
    chart = mode_chart(pieces(40)[:, :2] @ basis.T, principal_modes(pieces(40)[:, :2] @ basis.T, 2))
    assert np.isnan(chart.q_limit)
    assert "nothing is left" in chart.note
    with pytest.raises(DataError, match="at most 2"):
        principal_modes(pieces(40)[:, :2] @ basis.T, 3)


def slow_mewma(x, ref, lam):
    z, cov, out = np.zeros(ref.p), np.zeros((ref.p, ref.p)), []
    for row in x:
        if not np.isnan(row).any():
            z = lam * (row - ref.mean) + (1 - lam) * z
            cov = lam**2 * ref.cov + (1 - lam) ** 2 * cov
        out.append(z @ np.linalg.solve(cov, z) if cov.any() else np.nan)
    return np.array(out)


def test_mewma_against_plain_recursion():
    ref = reference(pieces(60))
    x = pieces(30, 5)
    x[[0, 7], 1] = np.nan
    for lam in (0.1, 0.4, 1.0):
        found = mewma(x, ref, lam=lam, h=12.0)
        assert found.t2 == pytest.approx(slow_mewma(x, ref, lam), nan_ok=True)
        assert not found.beyond[[0, 7]].any()
    spans = np.repeat([0, 1], 15)
    assert mewma(x, ref, h=12.0, spans=spans).t2[15:] == pytest.approx(
        slow_mewma(x[15:], ref, 0.1), nan_ok=True
    )


def test_mewma_of_one_value_is_the_ewma():
    from spc.charts.memory import ewma

    x = RNG.normal(size=(40, 1))
    ref = known_reference([0.0], [[1.0]])
    found, plain = mewma(x, ref, lam=0.2, h=2.86**2), ewma(x, 0.0, 1.0)
    assert np.array_equal(found.beyond, plain.beyond[:, 0])


def test_lowry_1992_first_piece_is_t2():
    # with the exact start-up covariance the first T² is that of the piece itself
    ref = reference(pieces(60))
    x = pieces(1, 9)
    assert mewma(x, ref, lam=0.1, h=12.0).t2[0] == pytest.approx(t2_chart(x, ref).t2[0])


def test_weighted_chi_square_tail_against_scipy_and_closed_form():
    q = np.array([0.01, 1.0, 5.0, 20.0, 35.0])
    for df in (1, 2, 9):
        ours = [weighted_chi2_sf(v, np.ones(df)) for v in q]
        assert ours == pytest.approx(stats.chi2.sf(q, df), abs=1e-9)
    # 2 + 2 equal pairs: two exponentials of means 2a and 2b
    a, b = 3.0, 1.0
    exact = (a * np.exp(-q / (2 * a)) - b * np.exp(-q / (2 * b))) / (a - b)
    ours = [weighted_chi2_sf(v, np.array([a, a, b, b])) for v in q]
    assert ours == pytest.approx(exact, abs=1e-9)
