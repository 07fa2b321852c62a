"""What moving the arm costs, for the terminal."""

from math import isfinite

from spc.pages.display import NONE, count, length, number, share
from spc.pages.text import table
from spc.plan import FIT
from spc.studies.moves import MovedPoint, Moves, SeatedJoin


def moves_text(found: Moves) -> str:
    """Return what the seats prove, then the budget of each point."""
    unit = found.plan.unit
    named = f"run {found.run}, " if found.run else ""
    return "\n".join([
        f"{found.plan.part} {found.plan.revision}, moves of the arm: {named}"
        f"standard deviations in {unit}, {found.level:.0%} intervals",
        *(f"note: {text}" for text in found.notes),
        "",
        *(line for join in found.joins for line in _join(join, unit)),
        *_proof(found),
        "",
        f"without a move: {found.alone_from}",
        "all points probed after a move share its error: more hits do not help against it",
        _table(found),
    ])  # fmt: skip


def _join(join: SeatedJoin, unit: str) -> list[str]:
    where = f"Move to station {join.station}: " if join.station else "One move: "
    lines = [
        f"{where}{count(join.seats, 'seat')} left {length(join.residual, unit)} {unit} (root mean "
        f"square); the noise of a seat behind it is {length(join.noise, unit)} "
        f"({length(join.noise_low, unit)} to {length(join.noise_high, unit)}). It adds up to "
        f"{length(join.worst, unit)} to a point, at {join.worst_at}.",
    ]
    return [*lines, *([f"note: {join.note}"] if join.note else [])]


def _proof(found: Moves) -> list[str]:
    """Return what this residual would prove on other numbers of seats, in figures."""
    unit = found.plan.unit
    residual = length(found.joins[0].residual, unit)
    rows = [
        (str(t.seats), str(t.dof), share(t.shown), length(t.noise, unit), length(t.high, unit))
        for t in found.tell
    ]
    head = ("seats", "degrees of freedom", "of the noise shown", "noise of a seat", "as much as")
    few, many = found.tell[0], found.tell[-1]
    return [
        "",
        f"What a residual of {residual} proves: on three seats the noise of a seat may be as much "
        f"as {length(few.high, unit)}, on {many.seats} no more than {length(many.high, unit)}.",
        table(head, rows, "rrrrr"),
    ]


def _table(found: Moves) -> str:
    unit, steps = found.plan.unit, len(found.points[0].total)
    alike = found.run == ""
    heads = [f"after {k}" for k in range(1, steps + 1)] if alike else ["with them"]
    head = ("point", "probed after", "without", "one move adds" if alike else "the moves add",
            "interval", *heads, "of variance")  # fmt: skip
    rows = [_row(p, unit) for p in found.points if p.probed_after or p.one > 0 or p.role != FIT]
    return table(head, rows, " " + " " + "r" * (steps + 4))


def _row(p: MovedPoint, unit: str) -> tuple[str, ...]:
    ends = f"{length(p.one_low, unit)} to {length(p.one_high, unit)}" if p.one > 0 else NONE
    return (
        p.point, "yes" if p.probed_after else "no", length(p.alone, unit), length(p.one, unit),
        ends, *(length(t, unit) for t in p.total),
        share(p.share) if isfinite(p.share) else number(p.share),
    )  # fmt: skip
