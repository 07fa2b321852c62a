"""The readings of a month at 24 h and 20 °C, beside the raw ones."""

import numpy as np

from spc.store import read
from spc.store.connection import Store
from spc.studies.adjusted import adjusted
from spc.studies.adjusted_tables import AdjustedReading, adjusted_readings
from spc.studies.chosen_set import past_of
from spc.studies.month import Month
from spc.studies.shape_series import shapes_of


def readings_of_month(store: Store, month: Month) -> tuple[AdjustedReading, ...]:
    """Return every reading of a check point in the month; none where nothing can be adjusted.

    The slopes stand on what was measured up to the month's end, as all of the month does.
    """
    past = past_of(store, month.plan.part, month.plan.revision)
    past = past.where(np.asarray(past.runs["measured_at"] < month.period.end))
    events = read.events(store, month.plan.part)
    found = adjusted(past, events[events["happened_at"] < month.period.end], shapes_of(past))
    if not np.isfinite(found.change).any():
        return ()
    inside = past.runs["measured_at"] >= month.period.start
    return adjusted_readings(past, found, np.asarray(inside))
