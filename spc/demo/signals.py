"""How large the planted signals are, seen after alignment and against the spread of batches."""

import numpy as np

from spc.demo.alignment import seen
from spc.demo.components import hit_means, operators
from spc.demo.hood import Hood
from spc.demo.incidents import WORN_MOULD, Incidents
from spc.demo.layers import Array, Layers, scale_pattern, twist_pattern
from spc.demo.pieces import conditions
from spc.demo.schedule import Batch
from spc.demo.settings import Settings
from spc.demo.sheets import Sheet
from spc.demo.truth import Step, Warp


def batch_mean_covariance(hood: Hood, s: Settings, layers: Layers, size: float) -> Array:
    """Return the covariance (points, points) of a batch's mean after alignment, mm².

    ``size`` is the pieces in a batch; one operator measures a batch; one mould; temperature and
    age are taken as known.
    """
    each = layers.piece.covariance() + layers.pairing.covariance() + layers.setup.covariance()
    within = (each + hit_means(hood, s)) / size
    m = seen(hood)
    return np.asarray(m @ (layers.batch.covariance() + operators(hood, s) + within) @ m.T)


def step_truth(
    hood: Hood, wrong: Incidents, spread: Array, sheets: tuple[Sheet, ...], s: Settings
) -> Step | None:
    """Return what the change of resin lot does, or None where there is none."""
    if wrong.shift_batch is None:
        return None
    size = seen(hood) @ scale_pattern(hood)
    change = wrong.shift_percent * size
    sigmas, best, possible = _against(hood, change, spread)
    mixed = spread + conditions_variance(s, sheets[: wrong.shift_batch]) * np.outer(size, size)
    return Step(
        batch=sheets[wrong.shift_batch].runs[0].batch,
        percent=wrong.shift_percent,
        seen_mm=hood.by_name(change, checks=True),
        in_batch_sigma=sigmas,
        in_batch_sigma_uncorrected=_against(hood, change, mixed)[0],
        best_point=best,
        best_possible=possible,
    )


def conditions_variance(s: Settings, sheets: tuple[Sheet, ...]) -> float:
    """Return the variance (percent²) that temperature and age add to these batches' means."""
    means = [
        float(
            conditions(
                s,
                np.array([r.hours_since_moulding for r in sheet.runs]),
                np.array([r.part_temp_c for r in sheet.runs]),
            ).mean()
        )
        for sheet in sheets
    ]
    return float(np.var(means, ddof=1)) if len(means) > 1 else 0.0


def warp_truth(
    hood: Hood, batches: tuple[Batch, ...], wrong: Incidents, spread: Array
) -> Warp | None:
    """Return what the worn mould does, or None where there is no wear."""
    if wrong.warp_batch is None:
        return None
    one = seen(hood) @ twist_pattern(hood)
    sigmas, best, possible = _against(hood, wrong.warp_growth * one, spread)
    grown = {b.id: w for b, w in zip(batches, wrong.warp(batches), strict=True) if w}
    at_check = hood.by_name(np.abs(one), checks=True)
    most = max(at_check.values())
    return Warp(
        mould=WORN_MOULD,
        batch=batches[wrong.warp_batch].id,
        growth_mm=wrong.warp_growth,
        by_batch_mm=grown,
        seen_mm_last=hood.by_name(max(grown.values()) * one),
        shows_at=tuple(n for n, v in at_check.items() if v >= most / 2),
        growth_in_batch_sigma=sigmas,
        best_point=best,
        best_possible=possible,
        three_sigma_batch=next(
            (b for b, w in grown.items() if w / wrong.warp_growth * abs(sigmas[best]) >= 3.0), ""
        ),
    )


def _against(hood: Hood, signal: Array, spread: Array) -> tuple[dict[str, float], str, float]:
    """Return the signal in batch sigma at each check point, the best point, the best of all."""
    check = ~hood.fit
    ratio = hood.by_name(signal / np.sqrt(np.diag(spread)), checks=True)
    d = signal[check]
    possible = float(np.sqrt(d @ np.linalg.solve(spread[np.ix_(check, check)], d)))
    return ratio, max(ratio, key=lambda n: abs(ratio[n])), possible
