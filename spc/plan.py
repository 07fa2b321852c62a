"""The measurement plan: which points are probed, where, and what each is for."""

from dataclasses import dataclass

FIT, CHECK = "fit", "check"
LEAST_SQUARES, EXACT_HOLD = "least squares", "exact hold"


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
    """

    id: str
    role: str
    nominal: tuple[float, float, float]
    normal: tuple[float, float, float]
    lower: float | None = None
    upper: float | None = None
    group: str = ""
    weight: float = 1.0


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
