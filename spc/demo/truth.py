"""The truth of the scenario: what happened, and how large everything is after alignment."""

from dataclasses import dataclass
from datetime import datetime

from spc.demo.settings import Settings

PerPoint = dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchTruth:
    """One batch.

    Parameters
    ----------
    id, mould, operator, device, unit, pieces, upside_down
        As in its result file.
    moulded
        First shot.
    shift_percent
        Size that the new resin lot adds, percent.
    warp_mm
        Twist that the worn mould adds, mm at the corner of the hood's plan view.
    """

    id: str
    mould: str
    operator: str
    device: str
    unit: str
    pieces: int
    upside_down: bool
    moulded: datetime
    shift_percent: float
    warp_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The change of size with the new resin lot.

    Parameters
    ----------
    batch
        First batch made of it; it lasts to the end, in both moulds.
    percent
        Change of size; negative is smaller.
    seen_mm
        Change of the deviation after alignment at each check point.
    in_batch_sigma
        The same over the spread of batch means of one mould at that point, where the effect of
        temperature and age is taken off first.
    in_batch_sigma_uncorrected
        The same where it is not: their effect on the batches before the change adds to the spread.
    best_point
        Check point where that is largest.
    best_possible
        Largest signal to noise of any combination of check points.
    """

    batch: str
    percent: float
    seen_mm: PerPoint
    in_batch_sigma: PerPoint
    in_batch_sigma_uncorrected: PerPoint
    best_point: str
    best_possible: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Warp:
    """The slow twist of one mould.

    Parameters
    ----------
    mould, batch
        The mould, and its first warped batch; batches of the other mould are untouched.
    growth_mm
        Twist that each batch of the mould adds, mm at the corner of the hood's plan view.
    by_batch_mm
        Twist of each warped batch.
    seen_mm_last
        Deviation after alignment that it causes in the last warped batch, at every point
        (residual at fit points).
    shows_at
        Check points that see at least half of the largest.
    growth_in_batch_sigma
        Growth of one batch over the spread of batch means, at each check point.
    best_point, best_possible
        As for the change of size, for the growth of one batch.
    three_sigma_batch
        First batch in which the warp at the best point reaches three batch sigma; empty if none.
    """

    mould: str
    batch: str
    growth_mm: float
    by_batch_mm: PerPoint
    seen_mm_last: PerPoint
    shows_at: tuple[str, ...]
    growth_in_batch_sigma: PerPoint
    best_point: str
    best_possible: float
    three_sigma_batch: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Something wrong with one reading.

    Parameters
    ----------
    batch, serial, run, point
        Where.
    hit
        Number of the hit; 0 where it is the whole patch.
    size_mm
        Error along the normal, positive outwards; 0 where nothing was measured.
    """

    batch: str
    serial: str
    run: str
    point: str
    hit: int = 0
    size_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Knock:
    """A piece knocked on its stand half way through a run, and measured again.

    Parameters
    ----------
    batch, serial
        Which piece.
    spoiled_run, good_run
        Its first and its second run.
    from_point
        First point probed after the knock.
    """

    batch: str
    serial: str
    spoiled_run: str
    good_run: str
    from_point: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Components:
    """Variances after alignment at the check points, mm².

    Parameters
    ----------
    by_point
        Component, then point.
    pooled
        Component: the mean over the check points.
    """

    by_point: dict[str, PerPoint]
    pooled: PerPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTruth:
    """The gauge study.

    Parameters
    ----------
    name, pieces, operators, placings, hits
        Its design.
    force_n
        Newtons with which each operator pushes.
    components
        ``hit``: one hit. ``setup``: a new placing, = ``setup_flex`` + ``setup_pose`` (the pose
        error that the hits on the fit points cause). ``operator_piece``. ``operator``: variance
        (n - 1) of the three operators' own offsets. ``piece_ten``: variance (n - 1) of the ten
        pieces of the study. ``piece_process``: a piece of the whole early process (mould, batch and
        piece). ``reported``: one reported patch, = hit/3 + setup + operator + operator_piece.
    """

    name: str
    pieces: tuple[str, ...]
    operators: tuple[str, ...]
    placings: int
    hits: int
    force_n: PerPoint
    components: Components


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """All of it; None where it did not happen.

    Parameters
    ----------
    seed, part, revision
        Which scenario.
    settings
        The process's constants.
    batches
        In order.
    step, warp, bad_hit, missing_patch, missing_hit, knock
        What went wrong.
    study
        The gauge study.
    process
        Variances in production: ``batch``, ``piece``, ``measurement`` of one reported patch
        without the operator's own offset, ``operator``.
    mould_difference_mm
        K2 less K1, after alignment.
    seen_mm_per_percent, seen_mm_per_mm_twist
        Deviation after alignment at every point for one percent of size and 1 mm of twist.
    """

    seed: int
    part: str
    revision: str
    settings: Settings
    batches: tuple[BatchTruth, ...]
    step: Step | None
    warp: Warp | None
    bad_hit: Reading | None
    missing_patch: Reading | None
    missing_hit: Reading | None
    knock: Knock | None
    study: StudyTruth
    process: Components
    mould_difference_mm: PerPoint
    seen_mm_per_percent: PerPoint
    seen_mm_per_mm_twist: PerPoint
