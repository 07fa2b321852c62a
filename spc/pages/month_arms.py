"""Part of the month's page: how the arms were checked."""

from collections.abc import Iterator
from math import isfinite

from spc.pages.blocks import badge, columns, long, table
from spc.pages.display import count, length, moment, number, probability
from spc.pages.html import Html, el
from spc.studies.month import Month
from spc.studies.month_arms import ArmChecks


def arms_section(month: Month) -> Iterator[Html]:
    """Return what the checks on reference artefacts say of each arm that measured."""
    yield el("h3", "The arm against its check standard")
    if not month.arms:
        yield el("p", "Which arm measured is not recorded, so no check speaks for it.")
        return
    unit = month.plan.unit
    for arm in month.arms:
        yield el("p", arm_words(arm, month), class_="act" if arm.last_good is False else None)
    judged = [arm for arm in month.arms if isfinite(arm.worst)]
    if not judged:
        return
    heads = columns("arm", "last check", "checks#", "readings inside#", "outside#", "not judged#",
                    f"farthest off, {unit}#", f"its limits, {unit}#", "artefact",
                    f"drift a month, {unit}#", "by chance#")  # fmt: skip
    rows = [_row(arm, unit) for arm in judged]
    yield long(table("arm-checks", f"Checks of the arm {month.period.within}", heads, rows,
                     marked=[arm.last_good is False for arm in judged]))  # fmt: skip


def _row(arm: ArmChecks, unit: str) -> tuple[str | int | Html, ...]:
    ends = [length(v, unit, signed=True) for v in (arm.worst_lower, arm.worst_upper)]
    state = {True: "inside", False: "outside", None: "not judged"}[arm.last_good]
    return (
        arm.device, badge(state), arm.checks, arm.good, arm.bad, arm.unjudged,
        length(arm.worst, unit, signed=True), " to ".join(ends), arm.worst_artefact,
        length(arm.drift_a_month, unit, signed=True), probability(arm.drift_p),
    )  # fmt: skip


def arm_words(arm: ArmChecks, month: Month) -> str:
    """Return what is known of one arm, in sentences."""
    runs = f"{arm.device} measured {count(arm.runs, 'run')} {month.period.within}"
    if arm.last_checked is None:
        return f"{runs}. No reading of it on a reference artefact is recorded: nothing is known."
    day = moment(arm.last_checked)[:10]
    state = {
        True: f"The last check, of {day}, lies inside its limits.",
        False: f"The last check, of {day}, lies outside its limits: "
        f"{count(arm.in_doubt, 'run')} since the last good one are in doubt, shipped or not.",
        None: f"The last check was on {day}; too few earlier ones say what it should read.",
    }[arm.last_good]
    bad = f", {count(arm.bad, 'reading')} outside its limits" if arm.bad else ""
    return f"{runs}, and was {_times(arm.checks)}{bad}. {state}{_apart(arm)}"


def _times(number_of: int) -> str:
    return f"checked {count(number_of, 'time')}" if number_of else "not checked in that time"


def _apart(arm: ArmChecks) -> str:
    if not isfinite(arm.longest_days):
        return " Some runs have no check before them."
    days = "a day" if arm.longest_days < 1 else f"{number(arm.longest_days, 0)} days"
    return f" No run lies farther than {days} behind the check before it."
