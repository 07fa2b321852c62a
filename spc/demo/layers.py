"""Layers of variation: each is a few patterns over the hood, plus each patch on its own.

The same object draws a layer's values and states its covariance, so that what the simulation does
and what the written truth says cannot part ways.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.demo.hood import HALF_LENGTH, HALF_WIDTH, Hood
from spc.demo.settings import Settings

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One layer of normally distributed deviation.

    Parameters
    ----------
    patterns
        Shape (patterns, points): deviation of each point, mm, for one standard deviation.
    local
        Shape (points,): standard deviation of each point on its own, mm.
    """

    patterns: Array
    local: Array

    def draw(self, rng: np.random.Generator, size: int) -> Array:
        """Return ``size`` independent draws, shape (size, points), mm."""
        shared = rng.standard_normal((size, len(self.patterns))) @ self.patterns
        return shared + rng.standard_normal((size, self.local.size)) * self.local

    def covariance(self) -> Array:
        """Return the covariance over points, shape (points, points), mm²."""
        return self.patterns.T @ self.patterns + np.diag(self.local**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """Every random layer of the process and of the measurement.

    Parameters
    ----------
    base, mould, batch, piece
        Form error common to all, of a mould, of a batch, of a piece.
    pairing, setup
        Operator by piece, and each placing on the stand.
    """

    base: Layer
    mould: Layer
    batch: Layer
    piece: Layer
    pairing: Layer
    setup: Layer


def scale_pattern(hood: Hood) -> Array:
    """Return the deviation (points,) in mm of a hood one percent larger about its origin."""
    return np.asarray(np.einsum("ij,ij->i", hood.normal, hood.nominal) / 100.0)


def twist_pattern(hood: Hood) -> Array:
    """Return the deviation (points,) for twist that lifts the corner of the plan view by 1 mm."""
    x, y = hood.nominal[:, 0], hood.nominal[:, 1]
    return hood.normal[:, 2] * x * y / (HALF_WIDTH * HALF_LENGTH)


def bow_pattern(hood: Hood) -> Array:
    """Return the deviation (points,) for a bow along y that lifts nose and tail by 1 mm."""
    return hood.normal[:, 2] * (hood.nominal[:, 1] / HALF_LENGTH) ** 2


def layers_of(hood: Hood, s: Settings) -> Layers:
    """Return the layers that these settings describe."""
    scale, twist, bow = scale_pattern(hood), twist_pattern(hood), bow_pattern(hood)
    each = np.ones(len(hood.patches))
    none = np.empty((0, each.size))
    return Layers(
        base=Layer(patterns=none, local=s.base_local_sd * each),
        mould=Layer(patterns=none, local=s.mould_local_sd * each),
        batch=Layer(
            patterns=np.stack([s.batch_scale_sd * scale, s.batch_twist_sd * twist]),
            local=s.batch_local_sd * each,
        ),
        piece=Layer(
            patterns=np.stack(
                [s.piece_scale_sd * scale, s.piece_twist_sd * twist, s.piece_bow_sd * bow]
            ),
            local=s.piece_local_sd * each,
        ),
        pairing=Layer(
            patterns=s.pairing_force_sd * hood.give[None, :], local=s.pairing_local_sd * each
        ),
        setup=Layer(
            patterns=s.setup_twist_sd * twist[None, :],
            local=s.setup_local_sd + s.setup_local_per_give * hood.give,
        ),
    )
