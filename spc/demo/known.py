"""Work out the truth of a scenario from the constants that drew it."""

import numpy as np

from spc.demo.alignment import seen
from spc.demo.components import process_truth, study_truth
from spc.demo.hood import PART, REVISION, Hood
from spc.demo.incidents import Incidents, Slip
from spc.demo.layers import Layers, scale_pattern, twist_pattern
from spc.demo.pieces import Pieces
from spc.demo.schedule import Batch, zoned
from spc.demo.settings import Settings
from spc.demo.sheets import Sheet
from spc.demo.signals import batch_mean_covariance, step_truth, warp_truth
from spc.demo.truth import BatchTruth, Knock, Reading, Truth


def truth_of(
    seed: int,
    hood: Hood,
    s: Settings,
    layers: Layers,
    batches: tuple[Batch, ...],
    pieces: Pieces,
    wrong: Incidents,
    sheets: tuple[Sheet, ...],
    gauge: Sheet,
) -> Truth:
    """Return the truth of this scenario."""
    spread = batch_mean_covariance(hood, s, layers, len(pieces.serial) / len(batches))
    m = seen(hood)
    return Truth(
        seed=seed,
        part=PART,
        revision=REVISION,
        settings=s,
        batches=_batches(batches, wrong),
        step=step_truth(hood, wrong, spread, sheets, s),
        warp=warp_truth(hood, batches, wrong, spread),
        bad_hit=_reading(wrong.bad_hit, batches, pieces),
        missing_patch=_reading(wrong.missing_patch, batches, pieces),
        missing_hit=_reading(wrong.missing_hit, batches, pieces),
        knock=_knock(wrong.bump, batches, pieces),
        study=study_truth(hood, s, layers, pieces, gauge),
        process=process_truth(hood, s, layers),
        mould_difference_mm=hood.by_name(m @ np.diff(pieces.mould_form, axis=0)[0]),
        seen_mm_per_percent=hood.by_name(m @ scale_pattern(hood)),
        seen_mm_per_mm_twist=hood.by_name(m @ twist_pattern(hood)),
    )


def _batches(batches: tuple[Batch, ...], wrong: Incidents) -> tuple[BatchTruth, ...]:
    def shift(i: int) -> float:
        return wrong.shift_percent if i >= (wrong.shift_batch or 0) else 0.0

    return tuple(
        BatchTruth(
            id=b.id,
            mould=b.mould,
            operator=b.operator,
            device=b.device,
            unit=b.unit,
            pieces=b.size,
            upside_down=b.upside_down,
            moulded=zoned(b.moulded),
            shift_percent=shift(i),
            warp_mm=warp,
        )
        for i, (b, warp) in enumerate(zip(batches, wrong.warp(batches), strict=True))
    )


def _reading(slip: Slip | None, batches: tuple[Batch, ...], pieces: Pieces) -> Reading | None:
    if slip is None:
        return None
    serial = pieces.serial[pieces.of(slip.batch, slip.piece)]
    return Reading(
        batch=batches[slip.batch].id,
        serial=serial,
        run=f"{serial}-1",
        point=slip.point,
        hit=slip.hit,
        size_mm=slip.size,
    )


def _knock(slip: Slip | None, batches: tuple[Batch, ...], pieces: Pieces) -> Knock | None:
    if slip is None:
        return None
    serial = pieces.serial[pieces.of(slip.batch, slip.piece)]
    return Knock(
        batch=batches[slip.batch].id,
        serial=serial,
        spoiled_run=f"{serial}-1",
        good_run=f"{serial}-2",
        from_point=slip.point,
    )
