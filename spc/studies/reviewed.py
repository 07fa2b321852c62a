"""What is said of one run that is reviewed."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from spc.plan import Plan
from spc.studies.advice import Advice
from spc.studies.closer_look import CloserLook
from spc.studies.evidence import Omission
from spc.studies.fit_noise import FitNoise
from spc.studies.hit_check import SuspectHit
from spc.studies.statuses import ReportedStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewedPoint:
    """One fit point of a run; lengths in mm.

    Parameters
    ----------
    point, group
        Its names.
    used
        False where it was omitted or not measured.
    residual
        What the fit left there.
    usual
        What it usually leaves there on this mould; NaN without a history.
    leverage, redundancy
        Share of an error that moves the part, and share that shows; they add to one.
    standardised
        Residual less the usual one, over its own standard deviation from the history; without a
        history, the residual internally studentised.
    p
        Chance of such a residual at any of the distinct residuals with nothing wrong.
    studentised
        Externally studentised residual, sigma from this fit alone.
    detectable
        Smallest error found at ALPHA 0.001 with power 0.80; infinite where nothing is checked.
    harm, harmed
        Largest shift that such an error brings to a check point, and that point.
    moves
        The signed shift that such an error brings to each check point, by name.
    tied
        Points that the fit cannot tell from it.
    near
        Points that it can hardly tell from it (residuals correlated beyond 0.9).
    mistaken
        Chance that the point with the larger residual is the wrong one of this and its nearest
        neighbour in correlation, at the size seen; NaN where it does not apply.
    hit_sd
        Standard deviation of its hits.
    """

    point: str
    group: str
    used: bool
    residual: float
    usual: float
    leverage: float
    redundancy: float
    standardised: float
    p: float
    studentised: float
    detectable: float
    harm: float
    harmed: str
    moves: Mapping[str, float]
    tied: tuple[str, ...]
    near: tuple[str, ...]
    mistaken: float
    hit_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewedMode:
    """One mode of what the fit leaves.

    Parameters
    ----------
    name, description
        In words.
    score
        In mm, with the standard deviation of one reading.
    usual, sd
        Of the reference pieces; NaN without.
    z
        Score less the usual one in ``sd``.
    """

    name: str
    description: str
    score: float
    usual: float
    sd: float
    z: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPoint:
    """One check point of a run; lengths in mm.

    Parameters
    ----------
    point, group
        Its names.
    deviation
        After the fit; NaN where not measured.
    lower, upper
        Tolerance; NaN where none.
    usual, z
        Usual deviation on this mould, and the distance from it in standard deviations.
    from_alignment
        Standard deviation that the alignment alone brings, from probing noise.
    measuring
        Standard deviation of one reading when the piece is measured again, from the gauge study;
        NaN without one.
    zone
        ``conforms``, ``not proven`` or ``does not conform`` by the guard band of that (ISO
        14253-1); empty where it cannot be judged.
    hit_sd
        Standard deviation of its hits.
    """

    point: str
    group: str
    deviation: float
    lower: float
    upper: float
    usual: float
    z: float
    from_alignment: float
    measuring: float
    zone: str
    hit_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherFit:
    """A result of the same run that is not its working one.

    Parameters
    ----------
    result_set, omitted, fitted_at
        Which.
    noise, worst_point, worst_residual
        Its figures, mm.
    """

    result_set: str
    omitted: str
    fitted_at: datetime
    noise: float
    worst_point: str
    worst_residual: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A run reviewed; lengths in mm.

    Parameters
    ----------
    plan
        The plan of its working fit.
    run_id, run, serial, mould, batch, operator, device, study, measured_at
        The run.
    superseded
        True where the piece was measured again later.
    advice
        The verdict, in words first.
    n_points, dof
        Fit points used and degrees of freedom left.
    omitted
        Points left out.
    noise
        Noise estimate with ``dof`` degrees of freedom.
    worst_point, worst_residual, limit, limit_source
        Largest residual, the limit it is held against, and where that comes from.
    probing, probing_dof
        Standard deviation of a point's mean from probing alone, and its degrees of freedom
        (infinite where it was asked for).
    measured
        The measuring noise that the fit is held against: where it comes from, and its degrees of
        freedom.
    p_probing, p_again
        Chance that probing alone, and that measuring alone with set-up and hands in it, leaves this
        much; NaN where it cannot be said.
    t2, p_usual
        Hotelling's T² of the modes against usual pieces, and its chance.
    usual
        Which pieces are usual, or why it cannot be said.
    history_noise
        Standard deviation of a reading that the point tests use.
    hit_sd, hit_dof
        Pooled spread of hits of this run.
    points, modes, checks
        The tables.
    omissions
        The fit as it would be without each point.
    suspects
        Hits that do not belong.
    closer
        Gross mistakes, the second opinion, the run at 20 °C and the arm's stations.
    others
        Earlier fits and fits of other result sets.
    statuses
        What the run's file reported of its characteristics, beside what its own numbers say.
    """

    plan: Plan
    run_id: str
    run: str
    serial: str
    mould: str
    batch: str
    operator: str
    device: str
    study: str
    measured_at: datetime | None
    superseded: bool
    advice: Advice
    n_points: int
    dof: int
    omitted: tuple[str, ...]
    noise: float
    worst_point: str
    worst_residual: float
    limit: float
    limit_source: str
    probing: float
    probing_dof: float
    measured: FitNoise
    p_probing: float
    p_again: float
    t2: float
    p_usual: float
    usual: str
    history_noise: float
    hit_sd: float
    hit_dof: int
    points: tuple[ReviewedPoint, ...]
    modes: tuple[ReviewedMode, ...]
    checks: tuple[CheckedPoint, ...]
    omissions: tuple[Omission, ...]
    suspects: tuple[SuspectHit, ...]
    closer: CloserLook
    others: tuple[OtherFit, ...]
    statuses: tuple[ReportedStatus, ...]
