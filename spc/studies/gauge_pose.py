"""The pose in a gauge study: only of runs that found piece and arm where an earlier run did."""

import numpy as np

from spc.gauge.pose import PoseRepeat, pose_repeat
from spc.studies.same_setup import Places


def gauge_pose(found: Places) -> PoseRepeat | None:
    """Return how the pose repeats within set-ups; None where no set-up was probed twice.

    Parameters
    ----------
    found
        Where each run of the study lay.
    """
    usable = np.isfinite(found.moves).all(axis=1)
    if not usable.any():
        return None
    return pose_repeat(found.moves[usable], found.place[usable], found.predicted, found.reach)
