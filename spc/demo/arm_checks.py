"""Weekly checks of the arms against two reference bars."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from spc.demo.schedule import FIRST_DAY, Batch, local, zoned

#: Bars, their certified lengths and the standard uncertainty of these, mm.
BARS = {"bar-500": (500.012, 0.002), "bar-1000": (1000.031, 0.003)}
#: What every reading is off by, and how readings and days differ, mm. The arm stays as it is.
OFFSET, READING_SD, DAY_SD = 0.006, 0.010, 0.006
READINGS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmCheck:
    """One reading of a bar.

    Parameters
    ----------
    checked_at
        When, with its zone.
    device, artefact, place
        The arm, the bar, and where in its reach.
    reference, uncertainty, reading
        mm.
    """

    checked_at: datetime
    device: str
    artefact: str
    place: str
    reference: float
    uncertainty: float
    reading: float


def arm_checks(batches: tuple[Batch, ...], rng: np.random.Generator) -> tuple[ArmCheck, ...]:
    """Return the readings of every Wednesday from the first batch to the last."""
    days = (batches[-1].measured.date() - FIRST_DAY).days
    found = []
    for day in range(0, days + 1, 7):
        at = zoned(local(FIRST_DAY + timedelta(days=day), 6.75))
        shift = rng.normal(0.0, DAY_SD)
        for bar, (reference, uncertainty) in BARS.items():
            for off in rng.normal(OFFSET + shift, READING_SD, READINGS):
                found.append(
                    ArmCheck(
                        checked_at=at,
                        device="arm-1",
                        artefact=bar,
                        place="middle",
                        reference=reference,
                        uncertainty=uncertainty,
                        reading=reference + off,
                    )
                )
    return tuple(found)
