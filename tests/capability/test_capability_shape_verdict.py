"""Verdicts by percentiles, degrees of freedom of an interval, and what the studies lean on."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from spc.capability.batches import batch_components
from spc.capability.fractions import fractions_outside
from spc.capability.joint_yield import joint_yield
from spc.capability.needed import batches_needed
from spc.capability.resampling import quantiles
from spc.capability.shape_verdict import MOST_OUTSIDE, ShapeCase, shape_verdict
from spc.capability.shapes import fit_shapes
from spc.capability.spread_dof import dof_of_interval

NAN = float("nan")


def case(**changed):
    """Return a case that is shown, with some of it changed."""
    plain = {
        "n": 200, "batches": 20, "shape": "the shifted lognormal shape", "value": 1.6, "low": 1.4,
        "high": 1.8, "level": 0.95, "required": 1.33, "seen_low": 0.0,
        "why": "The readings are not normal (p = 0.01).", "note": "",
    }  # fmt: skip
    return ShapeCase(**(plain | changed))


@pytest.mark.parametrize(
    ("changed", "outcome", "words"),
    [
        ({}, "shown", "its 95 % interval begins at 1.40 (200 pieces from 20 batches; percentiles"),
        ({"low": 1.33}, "shown", "begins at 1.33 "),
        ({"low": 1.3299}, "cannot be shown", "holds it, 1.3299 to 1.80"),
        ({"value": 1.0, "low": 0.8, "high": 1.2}, "not shown", "interval ends at 1.20"),
        ({"low": 1.2, "high": 1.33}, "cannot be shown", "1.20 to 1.33"),
        ({"batches": 1}, "cannot be shown", "they show that batch, not the process"),
        ({"batches": 0, "n": 1, "low": 1.0}, "cannot be shown", "with 1 piece: "),
        (
            {"value": NAN, "low": NAN, "high": NAN, "note": "No shape fits."},
            "cannot be shown", "with 200 pieces from 20 batches: no shape fits. The readings",
        ),
        (
            {"value": NAN, "low": NAN, "high": NAN, "seen_low": 0.003},
            "not shown", "more than 0.3 % of the pieces lie outside, and a Ppk of 1 leaves 0.27 %",
        ),
        # A Ppk of 0.5 leaves far more outside, so nothing follows.
        ({"low": NAN, "high": NAN, "seen_low": 0.003, "required": 0.5}, "cannot be shown", "0.5"),
    ],
)  # fmt: skip
def test_outcomes_by_percentiles(changed, outcome, words):
    verdict = shape_verdict(case(**changed))
    assert verdict.outcome == outcome
    assert words in verdict.reason
    assert verdict.index == "Ppk"
    assert (verdict.observed.interval is None) == bool(np.isnan(verdict.bound))


def test_an_index_of_one_leaves_so_much_whatever_the_shape():
    """By its definition on the percentiles (ISO 22514-2), and the normal tail beyond 3."""
    assert MOST_OUTSIDE == pytest.approx(2 * stats.norm.sf(3.0), rel=1e-12)


@given(st.floats(0.5, 1e5), st.floats(0.5, 0.999), st.floats(1e-6, 1e6))
def test_degrees_of_freedom_come_back_from_their_interval(dof, level, sd):
    tail = (1 - level) / 2
    low, high = sd * np.sqrt(dof / stats.chi2.isf([tail, 1 - tail], dof))
    assert dof_of_interval(low, high, level) == pytest.approx(dof, rel=1e-6)


def test_an_interval_that_says_nothing_has_next_to_no_degrees_of_freedom():
    found = dof_of_interval([0.0, NAN, 1.0, 0.0], [1.0, 1.0, NAN, 0.0])
    assert found[0] == pytest.approx(0.25)
    assert np.isnan(found[1:]).all()


def test_a_yield_is_counted_without_a_model_where_none_is_asked_for():
    x = np.random.default_rng(1).normal(0, 0.5, (200, 2))
    counted = joint_yield(x, -1.0, 1.0, rng=np.random.default_rng(2), model=False)
    whole = joint_yield(x, -1.0, 1.0, rng=np.random.default_rng(2))
    assert counted.seen == whole.seen
    assert np.isnan([counted.modelled.value, counted.if_independent]).all()
    assert np.isfinite(whole.modelled.value)


def test_a_point_that_no_batch_has_read_needs_no_batches():
    x = np.random.default_rng(3).normal(0, 1, (40, 2))
    x[:, 1] = np.nan
    found = batch_components(x, np.repeat(np.arange(8), 5))
    assert batches_needed(found, np.array([4.8, np.nan]), 1.33).tolist()[1] == 0


def test_quantiles_between_nothing_and_nothing_are_nothing():
    drawn = np.array([[-np.inf, -np.inf, -1.0, 0.0]])
    assert quantiles(drawn, (0.1, 0.9)).tolist() == [[-np.inf], [0.0]]
    # A bounded shape that never reaches the limit expects no piece outside, and no warning.
    x = np.random.default_rng(0).beta(2, 2, size=(300, 1))
    shapes = fit_shapes(x, rng=np.random.default_rng(1))
    found = fractions_outside(x, -1.0, 1.2, shapes, rng=np.random.default_rng(2))
    assert shapes.family == ("Johnson bounded",)
    assert (found.expected[0], found.expected_low[0]) == (0.0, 0.0)
