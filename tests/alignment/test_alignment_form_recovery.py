"""Planted shapes on random plans: found within their intervals as often as these promise.

What a plan cannot see, or sees only added to something else, gets a reason and no number of its
own.
"""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from spc.alignment.form import FormFit, fit_form
from spc.alignment.formplan import (
    COMBINED,
    FITTED,
    HIDDEN,
    INFLATION,
    LEFT_OUT,
    WORTH_A_WORD,
    FormPlan,
    form_plan,
)

SEEDS = st.integers(0, 2**32 - 1)
SIGMA, RUNS, LEVEL = 0.05, 400, 0.95
HALF = np.array([400.0, 300.0, 150.0])


def random_plan(seed: int) -> tuple[FormPlan, np.random.Generator]:
    """Nine points on three faces of a box, and up to twenty-one more on any, drafted a little."""
    rng = np.random.default_rng(seed)
    extra = int(rng.integers(0, 22))
    axis = np.r_[[2, 2, 2, 2, 0, 0, 0, 1, 1], rng.integers(0, 3, extra)]
    sign = np.r_[np.ones(9), rng.choice([-1.0, 1.0], extra, p=[0.3, 0.7])]
    p = rng.uniform(-0.9, 0.9, (9 + extra, 3)) * HALF
    p[np.arange(len(p)), axis] = sign * HALF[axis]
    n = rng.normal(0.0, 0.02, p.shape)
    n[np.arange(len(p)), axis] = sign
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    return form_plan(p, n, rng.uniform(0.5, 2.0, len(p))), rng


def moved(plan: FormPlan, rng: np.random.Generator, runs: int) -> np.ndarray:
    """Return deviations of rigid misfit alone, some tenths of a millimetre."""
    lever = np.c_[plan.normals, np.cross(plan.nominals, plan.normals) / 300.0]
    return rng.normal(0.0, 0.3, (runs, 6)) @ lever.T


def held(found: FormFit, plan: FormPlan, truth: np.ndarray) -> np.ndarray:
    """Return for each kept shape how many runs' intervals (Student's t) hold what was planted."""
    sigma = np.sqrt(found.ssr / found.dof)
    sd = sigma[:, None] * np.sqrt(np.diagonal(found.cofactor, axis1=1, axis2=2))
    half = stats.t(found.dof[0]).ppf(0.5 + LEVEL / 2) * sd
    return (np.abs(found.amplitudes - truth) <= half).sum(axis=0)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_planted_shapes_lie_in_their_intervals_at_the_promised_rate(seed: int) -> None:
    plan, rng = random_plan(seed)
    if not plan.kept or plan.dof < 1:
        return
    own = np.array([status == FITTED for status in plan.status])
    planted = np.where(own, rng.normal(0.0, 0.5, len(own)), 0.0)
    noise = rng.normal(0.0, SIGMA, (RUNS, len(plan.weights))) / np.sqrt(plan.weights)
    found = fit_form(plan, moved(plan, rng, RUNS) + plan.columns @ planted + noise)
    inside = held(found, plan, planted[list(plan.kept)])
    # Five standard errors: some hundred shapes are looked at.
    spread = 5.0 * np.sqrt(RUNS * LEVEL * (1.0 - LEVEL))
    assert (np.abs(inside - RUNS * LEVEL) <= spread).all(), inside


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_what_is_hidden_or_only_in_a_sum_has_no_number_of_its_own(seed: int) -> None:
    plan, rng = random_plan(seed)
    quiet = moved(plan, rng, 1)
    bare = fit_form(plan, quiet)
    for k, (pattern, status) in enumerate(zip(plan.patterns, plan.status, strict=True)):
        assert (plan.reasons[k] == "") == (status == FITTED)
        alone = [m for m in plan.meanings if m == pattern.name]
        assert bool(alone) == (status == FITTED), pattern.name
        if status == HIDDEN:
            assert k not in plan.kept
            assert np.isnan(bare.alone[:, k]).all()
            if plan.visible[k] < 1e-9 and pattern.kind == "size":
                with_it = fit_form(plan, quiet + plan.columns[:, k])
                np.testing.assert_allclose(with_it.amplitudes, bare.amplitudes, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_a_sum_is_told_as_the_sum_that_it_is(seed: int) -> None:
    """One shape of a sum planted alone, without noise: each number changes as its meaning says."""
    plan, rng = random_plan(seed)
    reach = 1.0 / plan.sd_alone
    for k in (k for k, status in enumerate(plan.status) if status == COMBINED):
        found = fit_form(plan, moved(plan, rng, 1) + plan.columns[:, k]).amplitudes[0]
        left_out = WORTH_A_WORD * reach[k] / reach[list(plan.kept)]
        known = ~np.isnan(found)
        assert (np.abs(found - plan.mixing[:, k])[known] <= left_out[known] + 1e-6).all()


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_no_shape_inflates_the_variance_of_another_beyond_the_limit(seed: int) -> None:
    plan, _ = random_plan(seed)
    kept = list(plan.kept)
    if kept:
        assert (plan.sd_joint <= np.sqrt(INFLATION * (1 + 1e-6)) * plan.sd_alone[kept]).all()
    assert set(plan.status) <= {FITTED, COMBINED, HIDDEN, LEFT_OUT}
