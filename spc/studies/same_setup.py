"""Runs of one set-up: which of a gauge study's runs found the piece where an earlier one left it.

A run that probes a set-up again, nothing lifted, shows probing and no re-alignment. Counted as a
set-up of its own it would make re-alignment, and so the gauge, look better than it is.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.alignment.geometry import geometry as plan_geometry
from spc.alignment.rotation import vector_from_rotation
from spc.gauge.pose import probed_pose
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.gauge_figures import hit_noise
from spc.studies.history import History, study_runs
from spc.studies.hits import transforms_of

#: Runs with all of these alike are said to have found the piece and the arm where they were.
SAME = ["serial", "operator", "setup", "device", "probe", "station"]
#: A pose further off than this many times what probing makes of it is another place. Placing by
#: hand differs by far more; probing never does (common practice, no published source).
ELSEWHERE = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Where each run of a study found its piece.

    Parameters
    ----------
    place
        Code of the place, (runs,): runs with one code found piece and arm where they were.
    again
        True where an earlier run found the piece at the same place, (runs,).
    renamed
        Runs whose set-up is one that the study holds already, though the piece lay elsewhere.
    moves
        Pose of each run against the first of its place, (runs, 6), mm, turns as arcs at ``reach``;
        NaN where a run has no transformation.
    predicted
        What probing alone makes of the pose, (6,), mm.
    reach
        Distance from the middle of the fit points that arcs are told at, mm.
    """

    place: npt.NDArray[np.int64]
    again: npt.NDArray[np.bool_]
    renamed: int
    moves: Array
    predicted: Array
    reach: float


def lifted_runs(store: Store, plan: Plan, study: str) -> tuple[History, History, Places]:
    """Return the first run of each set-up of a study, all its runs, and where each lay.

    Raises
    ------
    NotFoundError
        Where there is no such study.
    """
    past = study_runs(store, plan, study)
    found = places(store, past)
    return past.where(~found.again), past, found


def places(store: Store, past: History) -> Places:
    """Return where each run found its piece, by what it says of its set-up and by its pose.

    Parameters
    ----------
    store
        An open store.
    past
        Runs of a study, in the order they were measured.
    """
    rotation, translation = transforms_of(store, list(past.runs["run_id"]), past.result_set)
    plan = past.geometry
    held = plan_geometry(plan.nominals, plan.normals, plan.weights)
    hit, _, hits = hit_noise(past)
    predicted = probed_pose(held.design, held.weights, hit / float(np.sqrt(hits)))
    said = _said(past.runs.assign(station=stations_of(store, list(past.runs["run_id"]))))
    place, moves = np.arange(len(said)), np.full((len(said), 6), np.nan)
    for label in np.unique(said):
        mine = np.flatnonzero(said == label)
        place[mine], moves[mine] = _apart(
            rotation[mine], translation[mine], mine, held.centre, held.size, predicted
        )
    names, first, code = np.unique(place, return_index=True, return_inverse=True)
    return Places(
        place=code.astype(np.int64), again=~np.isin(np.arange(len(said)), first),
        renamed=len(names) - len(np.unique(said)),
        moves=moves, predicted=predicted, reach=held.size,
    )  # fmt: skip


def _said(runs: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Return codes of the set-ups that runs say; one that says none is a set-up of its own."""
    code = np.asarray(runs.groupby(SAME, dropna=False).ngroup(), dtype=np.int64)
    alone = (runs["setup"] == "").to_numpy()
    return np.where(alone, code.max(initial=0) + 1 + np.arange(len(runs)), code)


def _apart(
    rotation: Array, translation: Array, rows: npt.NDArray[np.int64], centre: Array, reach: float,
    predicted: Array,
) -> tuple[npt.NDArray[np.int64], Array]:  # fmt: skip
    """Return a row of each run's place, and the run's motion against it.

    A pose that is not known contradicts nothing that a run says, nor does any where the noise is
    not known.
    """
    moves = np.full((len(rows), 6), np.nan)
    bound = np.where(np.isfinite(predicted), ELSEWHERE * np.sqrt(2.0) * predicted, np.inf)
    left = np.flatnonzero(np.isfinite(rotation).all(axis=(1, 2)))
    place = np.full(len(rows), rows[left[0]] if left.size else rows[0])
    while left.size:
        base = left[0]
        seen = motions(rotation[left], translation[left], rotation[base], translation[base],
                       centre, reach)  # fmt: skip
        here = ~(np.abs(seen) > bound).any(axis=1)
        place[left[here]], moves[left[here]] = rows[base], seen[here]
        left = left[~here]
    return place, moves


def motions(
    rotation: Array, translation: Array, base: Array, origin: Array, centre: Array, reach: float
) -> Array:
    """Return the motion of each fit against one of them, (runs, 6), mm.

    Taken at the middle of the fit points, where shift and turn are told apart as in the plan.

    Parameters
    ----------
    rotation, translation
        Fits, (runs, 3, 3) and (runs, 3).
    base, origin
        The fit they are held against, (3, 3) and (3,).
    centre, reach
        Middle of the fit points, (3,), and the distance that turns are told at, mm.
    """
    turn = rotation @ base.T
    shift = (turn @ (centre - origin)[..., None])[..., 0] + translation - centre
    return np.hstack([shift, vector_from_rotation(turn) * reach])


def stations_of(store: Store, run_ids: list[str]) -> list[str]:
    """Return the stations that each run was probed from, as one text; empty where not known."""
    hits = read.hits(store, run_ids)
    seen = hits.groupby("run_id")["station"].agg(lambda s: "+".join(sorted(set(map(str, s)))))
    return list(pd.Series(run_ids, dtype=object).map(seen).fillna(""))


def setup_notes(found: Places, study: str, *, told: bool = False) -> tuple[str, ...]:
    """Return what the reader must know of runs that share a set-up.

    Parameters
    ----------
    found
        Where each run lay.
    study
        Its name.
    told
        Whether re-probing is told apart, so that no run is left out.
    """
    said = []
    if found.renamed:
        said.append(
            f"{found.renamed} runs say the set-up of an earlier run, but their piece lay elsewhere "
            "by far more than probing makes: they are taken as lifted, and counted as set-ups of "
            "their own"
        )
    again = int(found.again.sum())
    if again and not told:
        said.append(
            f"{again} runs probed a set-up again without lifting the piece: the components stand "
            "on the first run of each set-up, re-probing inside set-up; 'spc gauge study "
            f"{study} --with reprobe' tells the two apart"
        )
    return tuple(said)
