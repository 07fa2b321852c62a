"""Any design at all: an answer whose every interval holds its value, or one plain refusal."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.errors import DataError
from spc.gauge.answer import gauge_study
from spc.gauge.band import Band

#: No spread, one far below the others, and plain ones, mm.
SPREADS = st.sampled_from([0.0, 1e-6, 0.05, 0.2])


@st.composite
def designs(draw: st.DrawFn) -> tuple[np.ndarray, ...]:
    """Draw a crossed design with readings and rows lost anywhere, down to a single row."""
    shape = tuple(
        draw(st.integers(least, most)) for least, most in ((1, 5), (1, 3), (1, 3), (1, 3))
    )
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    p, o, s, _ = np.indices(shape).reshape(4, -1)
    run = (p * shape[1] + o) * shape[2] + s
    y = draw(SPREADS) * rng.normal(size=(len(p), 2))
    for codes, count in ((p, shape[0]), (o, shape[1]), (p * shape[1] + o, shape[0] * shape[1]),
                         (run, int(np.prod(shape[:3])))):  # fmt: skip
        y = y + draw(SPREADS) * rng.normal(size=(count, 2))[codes]
    y[rng.random(y.shape) < draw(st.sampled_from([0.0, 0.1, 0.5]))] = np.nan
    keep = rng.random(len(y)) >= draw(st.sampled_from([0.0, 0.15, 0.6]))
    keep[0] = True
    return y[keep], p[keep], o[keep], s[keep]


def holds(band: Band) -> bool:
    value, low, high = (np.asarray(a, dtype=float) for a in (band.value, band.low, band.high))
    told = np.isfinite(value)
    slack = 1e-9 * np.maximum(np.abs(value), 1e-12)
    below = ~told | np.isnan(low) | (low <= value + slack)
    above = ~told | np.isnan(high) | (high >= value - slack)
    ordered = np.isnan(low) | np.isnan(high) | (low <= high)
    return bool((below & above & ordered & (np.isnan(low) | (low >= 0))).all())


@settings(max_examples=25)
@given(design=designs())
def test_every_interval_holds_its_value_or_the_design_is_refused(
    design: tuple[np.ndarray, ...],
) -> None:
    try:
        found = gauge_study(*design, tolerance=[[-1.0, 1.0], [np.nan, 0.5]])
    except DataError:
        return
    asked = found.quantities
    bands = {**asked.sd, "gauge": asked.gauge, "total": asked.total, "of_study": asked.of_study,
             "of_tolerance": asked.of_tolerance, "correlation": asked.correlation}  # fmt: skip
    for name, band in bands.items():
        assert holds(band), name
        # A value without an interval says why.
        bare = np.isfinite(band.value) & np.isnan(band.high)
        assert not bare.any() or band.note or asked.notes or found.notes, name


def test_such_a_check_can_fail() -> None:
    one = np.array([1.0])
    assert not holds(Band(value=one, low=one + 1, high=one + 2, level=0.95, method=""))
    assert not holds(Band(value=one, low=one * 0.9, high=one * 0.5, level=0.95, method=""))


@pytest.mark.parametrize("rows", [1, 2])
def test_one_or_two_readings_are_refused_or_say_that_nothing_can_be_said(rows: int) -> None:
    y, codes = np.array([0.1, 0.3])[:rows], np.zeros(rows, dtype=int)
    try:
        found = gauge_study(y, codes, codes, codes)
    except DataError:
        return
    assert not np.isfinite(found.quantities.gauge.value).any() or found.notes
