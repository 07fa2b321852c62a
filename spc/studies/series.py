"""What can be charted: deviations of points, and the fit's own figures."""

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np

from spc.alignment.modes import mode_scores, residual_modes
from spc.errors import NotFoundError
from spc.plan import FIT
from spc.studies.arrays import Array
from spc.studies.history import History

#: Modes of what the fit leaves are named by this and their number.
MODE = "mode-"
#: The fit's own figures and what they are called.
NOISE, WORST, HITS = "fit-noise", "fit-worst", "hit-spread"
FIGURES = {
    NOISE: "noise estimate of the fit",
    WORST: "largest residual of the fit",
    HITS: "spread of hits within points",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesSet:
    """Several series of the same runs.

    Parameters
    ----------
    names
        Names of the series.
    spoken
        What each is called on a page.
    values
        (runs, series), mm, NaN where missing.
    skewed
        (series,), True for figures that cannot be below zero; they are charted as their power
        two thirds, which is close to normal (Wilson and Hilferty 1931), and shown in mm.
    fit_point
        (series,), True for the residual of a fit point.
    lower, upper
        (series,), tolerances in mm, NaN where none.
    units
        Unit of each series that is no length, such as ``%``; empty text for a length, nothing at
        all where every series is one.
    """

    names: tuple[str, ...]
    spoken: tuple[str, ...]
    values: Array
    skewed: np.typing.NDArray[np.bool_]
    fit_point: np.typing.NDArray[np.bool_]
    lower: Array
    upper: Array
    units: tuple[str, ...] = ()


#: Kinds of series, in the order in which they are read.
OF_THE_FIT, OF_CHECK_POINTS, OF_FIT_POINTS = 0, 1, 2


def kind_of_series(series: SeriesSet, column: int, points: Collection[str]) -> int:
    """Return the kind of a series: what it tells of the piece, from the whole to the single.

    Residuals of fit points come last: the fit pulls them to zero, and the modes say the same.

    Parameters
    ----------
    series
        The series.
    column
        The place of one among them.
    points
        Names of the plan's points.
    """
    if series.fit_point[column]:
        return OF_FIT_POINTS
    return OF_CHECK_POINTS if series.names[column] in points else OF_THE_FIT


def all_series(history: History) -> SeriesSet:
    """Return every series in the order of reading.

    The fit's own figures, the modes of what it leaves, then check points, and fit points last:
    their residuals are tied to each other, and the modes say the same in fewer numbers.
    """
    points = history.plan.points
    order = sorted(range(len(points)), key=lambda at: points[at].role == FIT)
    figures = np.column_stack([figure(history) for figure in _FIGURES.values()])
    modes, spoken, scores = mode_series(history)
    own = len(FIGURES) + len(modes)
    limit = history.plan.residual_limit
    bounds = np.full(own, np.nan)
    upper = bounds.copy()
    upper[list(FIGURES).index(WORST)] = np.nan if limit is None else limit
    names = (*FIGURES, *modes, *(points[at].id for at in order))
    return SeriesSet(
        names=names,
        spoken=(*FIGURES.values(), *spoken, *(f"deviation of {points[at].id}" for at in order)),
        values=np.hstack([figures, scores, history.deviations[:, order]]),
        skewed=np.arange(len(names)) < len(FIGURES),
        fit_point=np.concatenate([np.zeros(own, bool), history.geometry.is_fit[order]]),
        lower=np.concatenate([bounds, history.geometry.lower[order]]),
        upper=np.concatenate([upper, history.geometry.upper[order]]),
    )


def mode_series(history: History) -> tuple[tuple[str, ...], tuple[str, ...], Array]:
    """Return names, spoken names and scores (runs, modes) of what the fit leaves, mm.

    Scores are those of the plan with all its points; a run that lacks one has none.
    """
    geometry = history.geometry
    modes = residual_modes(geometry.nominals, geometry.normals, geometry.weights, geometry.names)
    if not modes.names:
        return (), (), np.empty((len(history.runs), 0))
    names = tuple(f"{MODE}{k}" for k in range(1, len(modes.names) + 1))
    return names, modes.names, mode_scores(modes, history.deviations)


def chosen(series: SeriesSet, names: tuple[str, ...]) -> SeriesSet:
    """Return only the series named, each once.

    Raises
    ------
    NotFoundError
        Where there is none of that name.
    """
    for name in names:
        if name not in series.names:
            raise NotFoundError(
                f"no series '{name}'; there are {', '.join(FIGURES)}, mode-1 and so on, and the "
                "plan's points ('spc chart list' shows them)"
            )
    names = tuple(dict.fromkeys(names))
    at = [series.names.index(name) for name in names]
    return SeriesSet(
        names=names,
        spoken=tuple(series.spoken[i] for i in at),
        values=series.values[:, at],
        skewed=series.skewed[at],
        fit_point=series.fit_point[at],
        lower=series.lower[at],
        upper=series.upper[at],
        units=tuple(series.units[i] for i in at) if series.units else (),
    )


def _noise(history: History) -> Array:
    return np.asarray(history.runs["noise"], dtype=np.float64)


def _worst(history: History) -> Array:
    return np.abs(np.asarray(history.runs["worst_residual"], dtype=np.float64))


def _hits(history: History) -> Array:
    return np.asarray(history.runs["hit_sd"], dtype=np.float64)


_FIGURES: dict[str, Callable[[History], Array]] = {NOISE: _noise, WORST: _worst, HITS: _hits}
