"""The measurement plan: which points are probed, where, and what each is for."""

from dataclasses import dataclass

FIT, CHECK = "fit", "check"
LEAST_SQUARES, EXACT_HOLD = "least squares", "exact hold"
#: Second opinions on a fit that a plan can ask for; shown beside it, never instead.
HUBER, TRIMMED = "huber", "least trimmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPoint:
    """One patch of the plan; lengths in millimetres.

    Parameters
    ----------
    id
        Name of the point, unique in the plan.
    role
        ``fit`` (holds the alignment) or ``check`` (is judged after it).
    nominal
        Position on the CAD surface, (x, y, z).
    normal
        Outward unit normal of the CAD surface there.
    lower, upper
        Tolerance on the signed deviation along the normal; None where untoleranced.
    group
        Optional letter of like points.
    weight
        Weight in the fit; 1 where not said.
    panel
        Sides of the free panel that the patch is in the middle of, mm; None where not said.
    """

    id: str
    role: str
    nominal: tuple[float, float, float]
    normal: tuple[float, float, float]
    lower: float | None = None
    upper: float | None = None
    group: str = ""
    weight: float = 1.0
    panel: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """What a plan says of the probe.

    Parameters
    ----------
    centres
        True where the results hold centres of the ball, not points of the surface.
    ball_diameter
        Diameter of the ball, mm; None where not said.
    sigma
        Standard deviation of one point's reading from probing, mm; None where not said.
    """

    centres: bool = False
    ball_diameter: float | None = None
    sigma: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """What a plan says of the part's material; None where it does not.

    Parameters
    ----------
    expansion
        Linear thermal expansion, per kelvin.
    wall
        Wall thickness, mm.
    modulus_gpa
        Young's modulus, GPa.
    poisson
        Poisson's ratio.
    """

    expansion: float | None = None
    wall: float | None = None
    modulus_gpa: float | None = None
    poisson: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A measurement plan of one part revision; lengths in millimetres.

    Parameters
    ----------
    plan_id
        Content hash: the same plan has the same identity in every store.
    part, revision, name
        Part number, its revision, and what people call it.
    unit
        Unit in which the part's pages are shown.
    method
        ``least squares`` or ``exact hold``.
    residual_limit
        Hold a run whose largest residual is beyond this; None where the plan sets none.
    points
        The points in the plan's order.
    source
        The text of the plan as the user wrote it.
    second_opinion
        ``huber`` or ``least trimmed``, shown beside the fit; empty where none is asked for.
    probe, material
        What the plan says of them; None where nothing.
    """

    plan_id: str
    part: str
    revision: str
    name: str
    unit: str
    method: str
    residual_limit: float | None
    points: tuple[PlanPoint, ...]
    source: str
    second_opinion: str = ""
    probe: Probe | None = None
    material: Material | None = None

    @property
    def ball_radius(self) -> float:
        """Radius by which the results stand off the surface, mm; 0 for points of the surface."""
        probe = self.probe
        return probe.ball_diameter / 2 if probe and probe.centres and probe.ball_diameter else 0.0

    @property
    def fit_points(self) -> tuple[PlanPoint, ...]:
        """Points that hold the alignment, in order."""
        return tuple(p for p in self.points if p.role == FIT)

    @property
    def check_points(self) -> tuple[PlanPoint, ...]:
        """Points judged after the alignment, in order."""
        return tuple(p for p in self.points if p.role == CHECK)

    def point(self, name: str) -> PlanPoint | None:
        """Return the point of that name, or None."""
        return next((p for p in self.points if p.id == name), None)
