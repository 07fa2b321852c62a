"""What the gauge can prove of each piece: it conforms, it does not, or neither is proven."""

from dataclasses import dataclass

import numpy as np

from spc.capability.conformity import CONFORMS, DOES_NOT_CONFORM, NOT_JUDGED, Conformity


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceZones:
    """Pieces by zone, each judged on all its points that have a tolerance and a gauge study.

    Parameters
    ----------
    points
        Number of points that a piece is judged on.
    conforming, not_proven, not_conforming
        Pieces that conform at every point, that fail at none but are not proven at one or lack
        one, and that do not conform at one or more.
    failing, doubtful
        Serials of the pieces that do not conform, and of those not proven.
    factor
        Guard band in standard uncertainties.
    rule
        The rule in words.
    """

    points: int
    conforming: int
    not_proven: int
    not_conforming: int
    failing: tuple[str, ...]
    doubtful: tuple[str, ...]
    factor: float
    rule: str


#: What the uncertainty of the rule is, and is not.
UNCERTAINTY = (
    "The standard uncertainty is the gauge study's standard deviation of one reading; what the "
    "study did not vary, such as the arm's calibration or the temperature, is not in it."
)


def piece_zones(found: Conformity, serials: tuple[str, ...]) -> PieceZones | None:
    """Judge whole pieces; None where no point could be judged.

    Parameters
    ----------
    found
        Zones of every reading, (pieces, points).
    serials
        Serial of each piece.
    """
    judged = (found.zone != NOT_JUDGED).any(axis=0)
    if not judged.any():
        return None
    zone = found.zone[:, judged]
    failing = (zone == DOES_NOT_CONFORM).any(axis=1)
    passing = (zone == CONFORMS).all(axis=1)
    names = np.array(serials, dtype=object)
    return PieceZones(
        points=int(judged.sum()),
        conforming=int(passing.sum()),
        not_proven=int((~passing & ~failing).sum()),
        not_conforming=int(failing.sum()),
        failing=tuple(names[failing]),
        doubtful=tuple(names[~passing & ~failing]),
        factor=found.factor,
        rule=f"{found.rule} {UNCERTAINTY}",
    )
