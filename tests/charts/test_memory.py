import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.signal import lfilter

from spc.charts.cusum import cusum, onset
from spc.charts.memory import ewma
from spc.errors import DataError

gappy = arrays(
    np.float64,
    st.tuples(st.integers(0, 30), st.integers(1, 3)),
    elements=st.floats(-9, 9) | st.just(np.nan),
)


def slow_ewma(x, spans, lam, width):
    out = np.zeros((4, *x.shape))
    for j in range(x.shape[1]):
        z, variance, n = 0.0, 0.0, 0
        for i in range(len(x)):
            if i and spans[i] != spans[i - 1]:
                z, variance, n = 0.0, 0.0, 0
            seen = not np.isnan(x[i, j])
            if seen:
                z, variance, n = (
                    lam * x[i, j] + (1 - lam) * z,
                    lam**2 + (1 - lam) ** 2 * variance,
                    n + 1,
                )
            half = width * np.sqrt(variance)
            # a value on the limit may round to either side: only clear cases are compared
            out[:, i, j] = z, half, n, seen and abs(z) > half * (1 + 1e-9)
    return out


@given(gappy, st.floats(0.05, 1.0), st.data())
def test_ewma_against_plain_loop(x, lam, data):
    spans = np.sort(data.draw(arrays(np.int64, len(x), elements=st.integers(0, 2))))
    found = ewma(x, 0.0, 1.0, lam=lam, width=2.5, spans=spans)
    z, half, _, beyond = slow_ewma(x, spans, lam, 2.5)
    assert found.z == pytest.approx(z, abs=1e-12)
    assert found.upper == pytest.approx(half, abs=1e-12)
    assert found.lower == pytest.approx(-half, abs=1e-12)
    assert np.array_equal(found.n, (~np.isnan(x)).sum(axis=0))
    clear = np.abs(np.abs(z) - half) > 1e-9
    assert np.array_equal(found.beyond[clear], beyond[clear].astype(bool))


@pytest.mark.parametrize("by_run", [False, True])
def test_long_charts_are_worked_in_pieces_that_do_not_show(monkeypatch, by_run):
    x = np.random.default_rng(9).normal(size=(700, 3))
    x[np.random.default_rng(8).random(x.shape) < 0.03] = np.nan
    spans = np.repeat([0, 1, 2], [100, 350, 250])
    sigma = np.full(x.shape, 1.0) if by_run else np.array([1.0, np.nan, 2.0])
    whole = ewma(x, 0.1, sigma, spans=spans), cusum(x, 0.1, sigma, spans=spans)
    monkeypatch.setattr("spc.charts.arrays.BLOCK", 3 * 20)
    pieces = ewma(x, 0.1, sigma, spans=spans), cusum(x, 0.1, sigma, spans=spans)
    for a, b in zip(whole, pieces, strict=True):
        for name in a.__dataclass_fields__:
            first, second = getattr(a, name), getattr(b, name)
            assert np.allclose(first, second, rtol=1e-12, atol=0, equal_nan=True), name


def test_ewma_of_the_handbook(published, printed):
    # NIST/SEMATECH 6.3.2.4; asymptotic limits with a rounded factor (2e-4)
    example = published("ewma")
    given_, said = example["inputs"], example["published"]
    found = ewma(given_["y"], given_["ewma0"], given_["s"], lam=given_["lam"], width=given_["k"])
    for ours, text in zip(found.z[:, 0], said["ewma"][1:], strict=True):
        assert ours == pytest.approx(float(text), abs=printed(text))
    assert found.upper[-1, 0] == pytest.approx(float(said["UCL"]), abs=2e-4)
    assert found.lower[-1, 0] == pytest.approx(float(said["LCL"]), abs=2e-4)
    assert not found.beyond.any()
    assert found.upper[0, 0] == pytest.approx(50 + 3 * 0.3 * 2.0539)


def test_ewma_against_scipy_filter():
    x = np.random.default_rng(3).normal(size=(500, 4))
    expected = lfilter([0.2], [1, -0.8], x, axis=0)
    assert ewma(x, 0.0, 1.0).z == pytest.approx(expected, abs=1e-12)


def test_ewma_of_batch_means_of_unequal_size():
    rng = np.random.default_rng(5)
    sizes = np.tile([1, 4, 9], 8)
    scale = (1 / np.sqrt(sizes))[:, None]
    z = ewma(rng.normal(size=(24, 30_000)) * scale, 0.0, np.broadcast_to(scale, (24, 30_000)))
    half = z.upper[:, 0] / 2.86
    assert half == pytest.approx(z.z.std(axis=1), rel=0.02)
    same = ewma(np.ones((24, 1)), 0.0, np.ones((24, 1))).upper
    assert same == pytest.approx(ewma(np.ones((24, 1)), 0.0, 1.0).upper, abs=1e-12)


@given(gappy, st.floats(0.1, 10), st.floats(-10, 10))
def test_change_of_unit(x, factor, shift):
    a = ewma(x, 0.0, 1.0)
    b = ewma(x * factor + shift, shift, factor)
    assert b.z == pytest.approx(a.z * factor + shift, abs=1e-9)
    c, d = cusum(x, 0.0, 1.0), cusum(x * factor + shift, shift, factor)
    assert d.upper == pytest.approx(c.upper, abs=1e-9)
    assert cusum(-x, 0.0, 1.0).lower == pytest.approx(c.upper, abs=1e-12)


def slow_cusum(x, spans, k, start):
    out = np.zeros((2, *x.shape))
    for j in range(x.shape[1]):
        up = down = start
        for i in range(len(x)):
            if i and spans[i] != spans[i - 1]:
                up = down = start
            if not np.isnan(x[i, j]):
                up, down = max(0.0, up + x[i, j] - k), max(0.0, down - x[i, j] - k)
            out[:, i, j] = up, down
    return out


@settings(max_examples=60)
@given(gappy, st.floats(0, 1.5), st.floats(0, 3), st.data())
def test_cusum_against_plain_loop(x, k, start, data):
    spans = np.sort(data.draw(arrays(np.int64, len(x), elements=st.integers(0, 2))))
    found = cusum(x, 0.0, 1.0, k=k, h=4.0, head_start=start, spans=spans)
    up, down = slow_cusum(x, spans, k, start)
    assert found.upper == pytest.approx(up, abs=1e-12)
    assert found.lower == pytest.approx(down, abs=1e-12)
    assert np.array_equal(found.beyond, ((found.upper > 4) | (found.lower > 4)) & ~np.isnan(x))


def test_cusum_of_the_handbook(published):
    # NIST/SEMATECH 6.3.2.3; sums printed in the unit of the values, some ending in exactly 5
    example = published("cusum")
    given_, said = example["inputs"], example["published"]
    sigma = given_["k"] / 0.5
    found = cusum(given_["x"], given_["target"], sigma, k=0.5, h=given_["h"] / sigma)
    for ours, texts in ((found.upper, said["S_hi"]), (found.lower, said["S_lo"])):
        assert ours[:, 0] * sigma == pytest.approx([float(t) for t in texts], abs=0.0051)
    first = int(np.argmax(found.beyond[:, 0])) + 1
    assert first == said["first_signal"]
    # the sum left 0 at value 13, where the values jump by 3
    assert onset(found.upper)[first - 1, 0] + 1 == 13


def test_head_start_finds_a_bad_start_sooner_and_is_soon_forgotten():
    # Lucas & Crosier 1982: half the limit as a start
    shifted = np.full(30, 1.0)
    plain, fast = (cusum(shifted, 0.0, 1.0, h=5, head_start=s) for s in (0.0, 2.5))
    assert np.argmax(fast.rise) < np.argmax(plain.rise)
    quiet = cusum(np.zeros(30), 0.0, 1.0, h=5, head_start=2.5)
    assert quiet.upper[5:].max() == 0


def test_onset_keeps_within_its_span():
    x = np.r_[np.full(6, 1.0), np.full(6, 1.0)]
    found = cusum(x, 0.0, 1.0, spans=np.repeat([0, 1], 6))
    assert onset(found.upper, np.repeat([0, 1], 6))[:, 0].tolist() == [0] * 6 + [6] * 6


def test_unknown_sigma_gives_no_alarm():
    x = np.array([np.nan, 100.0, 100.0])
    for sigma in (np.nan, 0.0):
        assert not ewma(x, 0.0, sigma).beyond.any()
        assert not cusum(x, 0.0, sigma).beyond.any()
        assert np.isnan(cusum(x, 0.0, sigma).upper).all()
        assert np.isnan(ewma(x, 0.0, sigma).upper).all()


@pytest.mark.parametrize("lam", [0.0, 1.1, np.nan])
def test_lambda_range(lam):
    with pytest.raises(DataError, match="lam must be above 0 and at most 1"):
        ewma([1.0], 0.0, 1.0, lam=lam)


def test_head_start_range():
    with pytest.raises(DataError, match="head_start must be from 0 to h"):
        cusum([1.0], 0.0, 1.0, head_start=9.0)
