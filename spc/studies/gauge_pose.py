"""The pose in a gauge study: only of runs that share a set-up, an arm and its stations."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.alignment.geometry import geometry as plan_geometry
from spc.alignment.rotation import vector_from_rotation
from spc.gauge.pose import PoseRepeat, pose_repeat, probed_pose
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array
from spc.studies.gauge_figures import hit_noise
from spc.studies.history import History
from spc.studies.hits import transforms_of

#: Runs with all of these alike found the piece and the arm where they were.
_SAME = ["serial", "operator", "setup", "device", "probe", "station"]


def gauge_pose(store: Store, past: History) -> PoseRepeat | None:
    """Return how the pose repeats within set-ups; None where no set-up was probed twice.

    Parameters
    ----------
    store
        An open store.
    past
        Runs of the study.
    """
    rotation, translation = transforms_of(store, list(past.runs["run_id"]), past.result_set)
    runs = past.runs.assign(station=_stations(store, list(past.runs["run_id"])))
    usable = np.isfinite(rotation).all(axis=(1, 2)) & (runs["setup"] != "").to_numpy()
    if not usable.any():
        return None
    group = np.asarray(runs[usable].groupby(_SAME, dropna=False).ngroup(), dtype=np.int64)
    plan = past.geometry
    held = plan_geometry(plan.nominals, plan.normals, plan.weights)
    moves = moves_in_group(rotation[usable], translation[usable], group, held.centre, held.size)
    hit, _, hits = hit_noise(past)
    predicted = probed_pose(held.design, held.weights, hit / float(np.sqrt(hits)))
    return pose_repeat(moves, group, predicted, held.size)


def _stations(store: Store, run_ids: list[str]) -> list[str]:
    """Return the stations that each run was probed from, as one text."""
    hits = read.hits(store, run_ids)
    if "station" not in hits:
        return [""] * len(run_ids)
    seen = hits.groupby("run_id")["station"].agg(lambda s: "\n".join(sorted(set(map(str, s)))))
    return list(pd.Series(run_ids).map(seen).fillna(""))


def moves_in_group(
    rotation: Array, translation: Array, group: npt.NDArray[np.int64], centre: Array, reach: float
) -> Array:
    """Return the motion of each run's fit against the first of its group, (runs, 6), mm.

    Taken at the middle of the fit points, where shift and turn are told apart as in the plan.
    """
    _, first, inverse = np.unique(group, return_index=True, return_inverse=True)
    base, origin = rotation[first][inverse], translation[first][inverse]
    turn = rotation @ np.swapaxes(base, 1, 2)
    shift = (turn @ (centre - origin)[..., None])[..., 0] + translation - centre
    return np.hstack([shift, vector_from_rotation(turn) * reach])
