"""A bridge between two ways of measuring, for the terminal."""

from spc.pages.display import count, length, number, probability
from spc.pages.text import table
from spc.studies.bridge import Bridge


def bridge_text(found: Bridge) -> str:
    """Return whether the change made a step, then each point."""
    unit = found.plan.unit
    steps = [p for p in found.points if p.step and p.role == "check"]
    checks = sum(p.role == "check" for p in found.points)
    if steps:
        worst = max(steps, key=lambda p: abs(p.offset))
        verdict = (
            f"A step is shown at {len(steps)} of {count(checks, 'check point')}, most at "
            f"{worst.point}: {length(worst.offset, unit, signed=True)} {unit}. Do not read it as "
            "drift of the moulding: freeze limits anew, or correct the cause."
        )
    else:
        widest = max(found.points, key=lambda p: p.offset_high - p.offset_low)
        verdict = (
            f"No step is shown at {count(checks, 'check point')}; one of up to "
            f"{length((widest.offset_high - widest.offset_low) / 2, unit)} {unit} could hide at "
            f"{widest.point}."
        )
    rows = [
        (
            p.point, p.role, str(p.n), length(p.offset, unit, signed=True),
            f"{length(p.offset_low, unit, signed=True)} to "
            f"{length(p.offset_high, unit, signed=True)}",
            probability(p.p_offset), number(p.ratio),
            f"{number(p.ratio_low)} to {number(p.ratio_high)}", probability(p.p_ratio),
            "step" if p.step else "",
        )
        for p in found.points
    ]  # fmt: skip
    head = (
        "point",
        "role",
        "pieces",
        "offset",
        "interval",
        "p",
        "spread ratio",
        "interval",
        "p",
        "",
    )
    return "\n".join([
        f"{found.before} to {found.after}: {count(len(found.pieces), 'piece')} measured on both "
        f"sides; lengths in {unit}, {found.level:.0%} intervals",
        *(f"note: {text}" for text in found.notes),
        "",
        verdict,
        "",
        table(head, rows, "  rrrrrrr"),
    ])  # fmt: skip
