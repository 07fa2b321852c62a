"""Known faults planted into a plan, to see what its fit would catch, and how often.

Every trial is a whole alignment: noise on every point, the fault, a random pose, the fit, the
tests. Nothing is taken from theory, so it also checks what the theory promises.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from spc.alignment.assess import Assessment, assess
from spc.alignment.checks import as_fraction, as_plan, as_positive, as_weights
from spc.alignment.faces import find_faces
from spc.alignment.form import fit_form
from spc.alignment.formplan import FormPlan, form_plan
from spc.alignment.formwords import HIDDEN
from spc.alignment.modes import ResidualModes, mode_scores, residual_modes
from spc.alignment.patterns import TWIST, size_patterns, twist_of
from spc.alignment.reliability import reliability
from spc.alignment.rotation import rotation_from_vector
from spc.errors import DataError

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

OVERALL, POINT = "overall residual test", "worst-point test"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fault:
    """A fault to plant.

    Parameters
    ----------
    name
        In words.
    displacement
        (points,), mm, by which each point is off along its normal, positive outwards.
    guilty
        Points that are wrong themselves; empty where the part has changed as a whole.
    """

    name: str
    displacement: Array
    guilty: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rehearsal:
    """What was seen of one fault.

    Parameters
    ----------
    fault
        What was planted.
    figures
        Names of the figures that were watched: the overall residual test, the worst-point test,
        each residual mode, each shape that the plan can tell, each check patch.
    rates
        (figures,), share of trials in which each raised its hand at ``alpha``.
    errors
        (figures,), standard errors of these shares.
    right
        Share of trials in which the worst-point test spoke and named a guilty point's set;
        NaN where no point is guilty.
    wrong
        Share in which it spoke and named another.
    exact
        Share in which it spoke and the set it named holds guilty points only.
    median_shift
        (points,), mm, median change of the deviation at each point that the fault brought.
    sigma, alpha, trials
        As asked for.
    """

    fault: Fault
    figures: tuple[str, ...]
    rates: Array
    errors: Array
    right: float
    wrong: float
    exact: float
    median_shift: Array
    sigma: float
    alpha: float
    trials: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stage:
    """What stays the same for all faults of a rehearsal.

    Parameters
    ----------
    nominals, normals, weights
        Of the plan, as checked.
    modes, form
        What its residuals and its points can tell.
    labels
        Names of the points.
    sigma, alpha
        As asked for.
    """

    nominals: Array
    normals: Array
    weights: Array
    modes: ResidualModes
    form: FormPlan
    labels: tuple[str, ...]
    sigma: float
    alpha: float


def bad_touch(n_points: int, point: int, size: float) -> Fault:
    """Return the fault of one point that reads ``size`` mm too far out (in, where negative)."""
    return bad_touches(n_points, {point: size})


def bad_touches(n_points: int, sizes: dict[int, float]) -> Fault:
    """Return the fault of several points that are off at once, by index and mm."""
    displacement = np.zeros(n_points)
    for point, size in sizes.items():
        if not 0 <= point < n_points:
            raise DataError(f"point {point} is not one of 0 to {n_points - 1}")
        displacement[point] = size
    parts = ", ".join(f"point {point} off by {size:g} mm" for point, size in sizes.items())
    return Fault(name=parts, displacement=displacement, guilty=tuple(sizes))


def nothing_wrong(n_points: int) -> Fault:
    """Return no fault at all: what is seen of it are false alarms."""
    return Fault(name="nothing wrong", displacement=np.zeros(n_points), guilty=())


def size_change(nominals: ArrayLike, normals: ArrayLike, per_cent: float) -> Fault:
    """Return the fault of a part that is larger by ``per_cent`` (smaller, where negative)."""
    p, n = as_plan(nominals, normals)
    column = size_patterns(p, n)[0].column
    return Fault(name=f"size {per_cent:+g} %", displacement=per_cent * column, guilty=())


def face_twist(nominals: ArrayLike, normals: ArrayLike, face: str, size: float) -> Fault:
    """Return the fault of a twisted face (``+z`` and so on), its corners off by ``size`` mm."""
    p, n = as_plan(nominals, normals)
    faces = {one.name: one for one in find_faces(p, n, np.ones(len(p), dtype=np.bool_))}
    if face not in faces:
        raise DataError(f"no face {face!r}; the plan has {', '.join(faces)}")
    column = twist_of(faces[face], p).column
    name = f"{TWIST} of the {face} face by {size:g} mm"
    return Fault(name=name, displacement=size * column, guilty=())


def rehearse(
    nominals: ArrayLike,
    normals: ArrayLike,
    weights: ArrayLike,
    faults: tuple[Fault, ...],
    *,
    sigma: float,
    alpha: float = 0.0027,
    trials: int = 2000,
    placement: float = 2.0,
    labels: tuple[str, ...] | None = None,
    rng: np.random.Generator,
) -> tuple[Rehearsal, ...]:
    """Plant faults and count what is seen of them.

    Parameters
    ----------
    nominals, normals
        (points, 3), mm and outward unit normals.
    weights
        (points,); 0 = check point. A point of weight w is probed with σ / sqrt(w); a check point
        with σ.
    faults
        What to plant, one after another, on the same noise.
    sigma
        SD of a weight-one reading, mm, known to the tests.
    alpha
        Chance of a false alarm of each figure in one run.
    trials
        Runs a fault.
    placement
        SD by which a hand misses the planned place within the surface, mm.
    labels
        Names of the points for the figures.
    rng
        Source of noise and poses.

    Returns
    -------
    tuple of Rehearsal
        One a fault, in the same order.

    Raises
    ------
    DataError
        A plan whose fit points do not hold the part: there is nothing to rehearse.
    """
    p, n = as_plan(nominals, normals)
    w = as_weights(weights, (len(p),))
    as_positive(sigma, "sigma")
    as_positive(trials, "trials")
    form = form_plan(p, n)
    stage = _Stage(
        nominals=p,
        normals=n,
        weights=w,
        modes=residual_modes(p, n, w),
        form=form,
        labels=labels or tuple(f"point {k}" for k in range(len(p))),
        sigma=sigma,
        alpha=as_fraction(alpha, "alpha"),
    )
    noise = rng.standard_normal((trials, len(p))) * sigma / np.sqrt(np.where(w > 0.0, w, 1.0))
    missed = placement * rng.standard_normal((trials, len(p), 3))
    turns, shifts = rng.uniform(-np.pi, np.pi, (trials, 3)), rng.uniform(-1e3, 1e3, (trials, 1, 3))
    aside = missed - (missed * n).sum(-1, keepdims=True) * n
    rotation = rotation_from_vector(turns)

    def measured(fault: Fault) -> Array:
        off = noise + fault.displacement
        return np.asarray((p + aside + off[..., None] * n) @ rotation + shifts)

    base = assess(measured(nothing_wrong(len(p))), p, n, w, sigma=sigma)
    if not base.fit.converged.all():
        raise DataError("the fit points do not hold the part; a rehearsal needs a fit")
    return tuple(_seen(stage, fault, measured(fault), base) for fault in faults)


def _seen(stage: _Stage, fault: Fault, points: Array, base: Assessment) -> Rehearsal:
    run = assess(points, stage.nominals, stage.normals, stage.weights, sigma=stage.sigma)
    family = np.nan_to_num(run.tests.p_standardised_family, nan=1.0).min(axis=1, initial=1.0)
    spoke = family < stage.alpha
    raised = {OVERALL: np.nan_to_num(run.tests.p_overall, nan=1.0) < stage.alpha, POINT: spoke}
    raised |= _modes_raised(stage, run.fit.deviations)
    raised |= _shapes_raised(stage, run.fit.deviations)
    raised |= _patches_raised(stage, run.fit.deviations)
    rates = np.array([hands.mean() for hands in raised.values()])
    right, exact = _named(run, fault.guilty)
    trials = len(points)
    return Rehearsal(
        fault=fault,
        figures=tuple(raised),
        rates=rates,
        errors=np.sqrt(rates * (1.0 - rates) / trials),
        right=float((spoke & right).mean()) if fault.guilty else float("nan"),
        wrong=float((spoke & ~right).mean()),
        exact=float((spoke & exact).mean()) if fault.guilty else float("nan"),
        median_shift=np.median(run.fit.deviations - base.fit.deviations, axis=0),
        sigma=stage.sigma,
        alpha=stage.alpha,
        trials=trials,
    )


def _limit(alpha: float) -> float:
    return float(-ndtri(0.5 * alpha))


def _modes_raised(stage: _Stage, deviations: Array) -> dict[str, Bools]:
    scores = np.abs(mode_scores(stage.modes, deviations)) / stage.sigma
    limit = _limit(stage.alpha)
    return {f"mode: {name}": scores[:, k] > limit for k, name in enumerate(stage.modes.names)}


def _shapes_raised(stage: _Stage, deviations: Array) -> dict[str, Bools]:
    """Each visible shape fitted alone, all readings taken as of weight one."""
    found = fit_form(stage.form, deviations)
    score = np.abs(found.alone) / (found.alone_sd * stage.sigma)
    shapes = stage.form.patterns
    return {
        f"shape: {shapes[k].name}": score[:, k] > _limit(stage.alpha)
        for k, state in enumerate(stage.form.status)
        if state != HIDDEN
    }


def _patches_raised(stage: _Stage, deviations: Array) -> dict[str, Bools]:
    inflation = reliability(stage.nominals, stage.normals, stage.weights).inflation
    check = np.flatnonzero(stage.weights == 0.0)
    off = np.abs(deviations) > _limit(stage.alpha) * stage.sigma * inflation
    return {f"check patch: {stage.labels[k]}": off[:, k] for k in check}


def _named(run: Assessment, guilty: tuple[int, ...]) -> tuple[Bools, Bools]:
    """Return whether the set of the worst point holds a guilty one, and only guilty ones."""
    label, worst = run.tests.label, run.tests.worst
    same = (label == worst[:, None]) & (worst >= 0)[:, None]
    wrong = np.zeros(label.shape[1], dtype=np.bool_)
    wrong[list(guilty)] = True
    return (same & wrong).any(axis=1), (same <= wrong).all(axis=1) & same.any(axis=1)
