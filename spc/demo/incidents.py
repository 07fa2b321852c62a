"""What goes wrong in the scenario, where and by how much; nothing in the null case."""

from dataclasses import dataclass

from spc.demo.schedule import Batch, place
from spc.demo.settings import Settings

WORN_MOULD = "K2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """Something that happened to one piece.

    Parameters
    ----------
    batch, piece
        Index of the batch, and of the piece within it.
    point
        Patch that it happened at.
    hit
        Number of the hit, from 1; 0 where it is the whole patch.
    size
        Error along the normal, mm; 0 where nothing was measured.
    """

    batch: int
    piece: int
    point: str
    hit: int = 0
    size: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Incidents:
    """All that goes wrong.

    Parameters
    ----------
    shift_batch, shift_percent
        Index of the first batch from the new resin lot, and the change of size in percent.
    warp_batch, warp_growth
        Index of the first warped batch, and the twist each batch of the mould adds, mm.
    bad_hit, missing_patch, missing_hit
        Single readings.
    bump
        The piece was knocked just before this point was probed, and measured again later.
    """

    shift_batch: int | None = None
    shift_percent: float = 0.0
    warp_batch: int | None = None
    warp_growth: float = 0.0
    bad_hit: Slip | None = None
    missing_patch: Slip | None = None
    missing_hit: Slip | None = None
    bump: Slip | None = None

    def warp(self, batches: tuple[Batch, ...]) -> list[float]:
        """Return the twist (mm) that the wear of the mould adds to each batch."""
        grown, out = 0.0, []
        for i, batch in enumerate(batches):
            worn = self.warp_batch is not None and i >= self.warp_batch
            here = worn and batch.mould == WORN_MOULD
            grown += self.warp_growth if here else 0.0
            out.append(grown if here else 0.0)
        return out


def incidents(s: Settings, batches: tuple[Batch, ...], *, null: bool) -> Incidents:
    """Return what goes wrong in a schedule of this length; nothing where ``null``."""
    if null:
        return Incidents()

    def slip(usual: int, piece: int, point: str, hit: int = 0, size: float = 0.0) -> Slip:
        at = place(usual, len(batches))
        return Slip(batch=at, piece=piece % batches[at].size, point=point, hit=hit, size=size)

    onset = place(23, len(batches))
    worn = (i for i in range(onset, len(batches)) if batches[i].mould == WORN_MOULD)
    return Incidents(
        shift_batch=place(13, len(batches)),
        shift_percent=s.shift_percent,
        warp_batch=next(worn, None),
        warp_growth=s.warp_growth,
        bad_hit=slip(16, 4, "flank-1", hit=2, size=1.9),
        missing_patch=slip(20, 6, "shoulder-left-rear"),
        missing_hit=slip(4, 2, "deck-3", hit=3),
        bump=slip(8, 5, "flank-3"),
    )
