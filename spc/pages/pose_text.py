"""The pose in a gauge study, for the terminal: figures where it means something, else why not."""

from spc.gauge.pose import PoseRepeat
from spc.pages.display import NONE, count, length
from spc.pages.text import table

#: Why the pose of pieces that were placed anew is no figure.
FREE = (
    "The pose is no figure of this study: no piece was probed twice in one set-up, and a piece "
    "placed anew lies where it was put. What the pose's noise does to readings is in set-up."
)


def pose_lines(pose: PoseRepeat | None, unit: str) -> list[str]:
    """Return the spread of the pose within set-ups beside what probing makes of it.

    Parameters
    ----------
    pose
        The spread, or None.
    unit
        Unit to show lengths in.
    """
    if pose is None:
        return pose_words(pose, unit)
    head = ("pose, probed again in one set-up", "sd", "interval", "probing alone makes")
    rows = [pose_row(pose, at, unit) for at in range(len(pose.names))]
    return ["", table(head, rows, " rrr"), *pose_words(pose, unit)]


def pose_words(pose: PoseRepeat | None, unit: str) -> list[str]:
    """Return what the pose's spread stands on and what it cannot say; why there is none, else.

    Parameters
    ----------
    pose
        The spread, or None.
    unit
        Unit to show lengths in.
    """
    if pose is None:
        return [FREE]
    return [
        f"Pose: from {count(pose.groups, 'set-up')} probed more than once, "
        f"{count(pose.dof, 'degree')} of freedom; turns as arcs {length(pose.reach, unit)} {unit} "
        "from the middle of the fit points. Far more than probing alone makes means that arm or "
        "piece was moved between. Between set-ups the pose is where the piece was put, and no "
        "figure of measuring.",
    ]


def pose_row(pose: PoseRepeat, at: int, unit: str) -> tuple[str, ...]:
    """Return one component: its name, spread, interval, and what probing makes of it."""
    value, low, high = (
        length(float(ends[at]), unit) for ends in (pose.sd.value, pose.sd.low, pose.sd.high)
    )
    made = length(float(pose.predicted[at]), unit)
    return pose.names[at], value, NONE if value == NONE else f"{low} to {high}", made
