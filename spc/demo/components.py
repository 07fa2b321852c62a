"""Variance components as they are seen after alignment, by exact linear propagation."""

import numpy as np

from spc.demo.alignment import carried, seen, seen_variance
from spc.demo.hood import Hood
from spc.demo.layers import Array, Layers, scale_pattern
from spc.demo.pieces import Pieces
from spc.demo.probing import HITS
from spc.demo.settings import Settings
from spc.demo.sheets import Sheet
from spc.demo.truth import Components, StudyTruth

#: Variance of rounding the temperature to 0.1 degrees.
ROUNDED_C2 = 0.1**2 / 12


def operators(hood: Hood, s: Settings) -> Array:
    """Return the covariance of the operators' own offsets, variance with n - 1, mm²."""
    force = float(np.var(list(s.hands.values()), ddof=1))
    return force * np.outer(hood.give, hood.give)


def hit_means(hood: Hood, s: Settings) -> Array:
    """Return the covariance of the patches' means of three hits, from the hits alone, mm²."""
    return np.eye(hood.fit.size) * s.hit_sd**2 / HITS


def flex(hood: Hood, s: Settings, layers: Layers) -> Array:
    """Return the covariance of a new placing in the study, with the piece's warmth, mm²."""
    warmth = (100 * s.expansion) ** 2 * (s.study_sd_c**2 + ROUNDED_C2)
    pattern = scale_pattern(hood)
    return np.asarray(layers.setup.covariance() + warmth * np.outer(pattern, pattern))


def pose_variance(hood: Hood, s: Settings) -> Array:
    """Return the variance at every point from the pose error that the fit points' hits cause."""
    return np.asarray((carried(hood) ** 2).sum(axis=1) * s.hit_sd**2 / HITS)


def study_truth(
    hood: Hood, s: Settings, layers: Layers, pieces: Pieces, gauge: Sheet
) -> StudyTruth:
    """Return the gauge study's design and what it should find."""
    ten = sorted({run.serial for run in gauge.runs})
    forms = pieces.form[[pieces.serial.index(t) for t in ten]] @ seen(hood).T
    return StudyTruth(
        name=gauge.runs[0].study,
        pieces=tuple(ten),
        operators=tuple(s.hands),
        placings=max(int(run.setup) for run in gauge.runs),
        hits=HITS,
        force_n=dict(s.hands),
        components=_pooled(hood, _study_variances(hood, s, layers, forms)),
    )


def _study_variances(hood: Hood, s: Settings, layers: Layers, forms: Array) -> dict[str, Array]:
    process = (layers.mould, layers.batch, layers.piece)
    hit = np.full(hood.fit.size, s.hit_sd**2)
    setup_flex = seen_variance(hood, flex(hood, s, layers))
    setup = setup_flex + pose_variance(hood, s)
    pairing = seen_variance(hood, layers.pairing.covariance())
    operator = seen_variance(hood, operators(hood, s))
    return {
        "hit": hit,
        "setup": setup,
        "setup_flex": setup_flex,
        "setup_pose": pose_variance(hood, s),
        "operator_piece": pairing,
        "operator": operator,
        "reported": hit / HITS + setup + pairing + operator,
        "piece_ten": np.var(forms, axis=0, ddof=1) if len(forms) > 1 else np.full(hit.size, np.nan),
        "piece_process": seen_variance(hood, np.sum([p.covariance() for p in process], axis=0)),
    }


def process_truth(hood: Hood, s: Settings, layers: Layers) -> Components:
    """Return the variances in production, temperature and age taken as known."""
    measurement = layers.setup.covariance() + layers.pairing.covariance() + hit_means(hood, s)
    parts = {
        "batch": layers.batch.covariance(),
        "piece": layers.piece.covariance(),
        "measurement": measurement,
        "operator": operators(hood, s),
    }
    return _pooled(hood, {name: seen_variance(hood, c) for name, c in parts.items()})


def _pooled(hood: Hood, variances: dict[str, Array]) -> Components:
    return Components(
        by_point={name: hood.by_name(v, checks=True) for name, v in variances.items()},
        pooled={name: float(v[~hood.fit].mean()) for name, v in variances.items()},
    )
