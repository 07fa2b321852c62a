"""Deviations of single hits, worked out again from the positions kept and the working fit."""

import json

import numpy as np
import pandas as pd

from spc.alignment.hits import hit_deviations
from spc.store import read
from spc.store.connection import Store
from spc.studies.arrays import Array, hit_array
from spc.studies.history import History


def hit_deviations_of(store: Store, past: History) -> tuple[Array, Array]:
    """Return deviations and numbers of the hits of runs, both (runs, points, hits), NaN missing.

    Runs without positions (results fitted elsewhere) have none.
    """
    run_ids = list(past.runs["run_id"])
    hits = read.hits(store, run_ids)
    place = pd.Series(np.arange(len(run_ids)), index=run_ids)
    rows = hits["run_id"].map(place)
    names = past.geometry.names
    laid = hit_array(hits, rows, len(run_ids), names)
    same = hits["hit"].to_numpy(dtype=np.float64)
    numbers = hit_array(hits.assign(x=same, y=same, z=same), rows, len(run_ids), names)[..., 0]
    rotation, translation = transforms_of(store, run_ids, past.result_set)
    geometry = past.geometry
    deviations = hit_deviations(laid, rotation, translation, geometry.aims, geometry.normals)
    return deviations, numbers


def transforms_of(store: Store, run_ids: list[str], result_set: str) -> tuple[Array, Array]:
    """Return the rotations (runs, 3, 3) and shifts (runs, 3), mm, of the fits; NaN where none."""
    moved = (
        read.transforms(store, run_ids, result_set=result_set).set_index("run_id").reindex(run_ids)
    )
    rotation = np.full((len(run_ids), 3, 3), np.nan)
    translation = np.full((len(run_ids), 3), np.nan)
    for at, (turn, shift) in enumerate(zip(moved["rotation"], moved["translation"], strict=True)):
        if isinstance(turn, str) and turn:
            rotation[at] = np.array(json.loads(turn)).reshape(3, 3)
            translation[at] = json.loads(shift)
    return rotation, translation
