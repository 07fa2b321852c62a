"""The constants of the simulated process, in one place."""

from dataclasses import dataclass, field

#: Newtons with which each operator pushes the probe against the part.
HANDS = (("ana", 0.6), ("zoë", 1.4), ("chidi", 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the process, the part and the measurement vary; lengths in mm, scale in percent.

    Twist is the vertical displacement at a corner of the hood's plan view (300, 450), growing with
    x·y; bow is the vertical displacement at the nose and at the tail against the middle, growing
    with y². Percent of scale is positive where the part is larger.

    Parameters
    ----------
    base_scale, base_local_sd
        Mean size against CAD (percent) and spread of the fixed form error all pieces share (mm).
    mould_local_sd
        Spread of each mould's own fixed form offset per patch.
    batch_scale_sd, batch_twist_sd, batch_local_sd
        Batch to batch.
    piece_scale_sd, piece_twist_sd, piece_bow_sd, piece_local_sd
        Piece to piece within a batch.
    shift_percent
        Change of size with the new resin lot (percent, negative is smaller).
    warp_growth
        Twist that each batch of the worn mould adds from the onset on, mm at the hood's corner.
    after_shrink
        Percent of size lost for each tenfold of hours since moulding, counted from 24 h.
    settled_hours
        Hours after which the part no longer shrinks.
    expansion
        Thermal expansion, 1/K.
    reference_c
        Temperature at which the part has its stated size, degrees Celsius.
    season_mean_c, season_swing_c, room_sd_c, part_sd_c
        Part temperature: yearly mean and half-swing, spread of batches, of pieces in a batch.
    study_c, study_sd_c
        Part temperature in the gauge study, mean and spread.
    coldest_c, hottest_c
        Limits of the room.
    hands
        Operators and the newtons with which each pushes; the patch gives way by its compliance.
    pairing_force_sd, pairing_local_sd
        Operator by piece: newtons, and mm per patch.
    setup_twist_sd, setup_local_sd, setup_local_per_give
        Flex of the piece each time it is placed on the stand: twist, and per patch a fixed part
        plus this many newtons times the patch's compliance.
    hit_sd
        Spread of a single hit along the normal.
    placement
        Least and largest distance by which the operator misses the patch's middle.
    triangle
        Least and largest radius of the triangle of three hits.
    """

    base_scale: float = -0.03
    base_local_sd: float = 0.15
    mould_local_sd: float = 0.12
    batch_scale_sd: float = 0.025
    batch_twist_sd: float = 0.08
    batch_local_sd: float = 0.05
    piece_scale_sd: float = 0.025
    piece_twist_sd: float = 0.12
    piece_bow_sd: float = 0.10
    piece_local_sd: float = 0.08
    shift_percent: float = -0.15
    warp_growth: float = 0.20
    after_shrink: float = 0.05
    settled_hours: float = 500.0
    expansion: float = 150e-6
    reference_c: float = 20.0
    season_mean_c: float = 21.0
    season_swing_c: float = 2.0
    room_sd_c: float = 1.0
    part_sd_c: float = 0.5
    study_c: float = 21.0
    study_sd_c: float = 0.15
    coldest_c: float = 17.0
    hottest_c: float = 27.0
    hands: dict[str, float] = field(default_factory=lambda: dict(HANDS))
    pairing_force_sd: float = 0.15
    pairing_local_sd: float = 0.015
    setup_twist_sd: float = 0.05
    setup_local_sd: float = 0.02
    setup_local_per_give: float = 0.15
    hit_sd: float = 0.04
    placement: tuple[float, float] = (1.0, 3.0)
    triangle: tuple[float, float] = (5.0, 8.0)
