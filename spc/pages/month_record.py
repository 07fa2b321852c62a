"""Parts of the month's page: how the fits went, what was not measured, cautions, signatures."""

from collections.abc import Iterator

import numpy as np

from spc.pages.blocks import Cell, badge, bullets, columns, fold, long, table, tall_table
from spc.pages.chart_words import exact, said
from spc.pages.display import NONE, count, length, moment, number, probability
from spc.pages.figures.net import facing
from spc.pages.html import Html, el
from spc.pages.month_brief import left_out
from spc.pages.reading import readings
from spc.studies.fit_checks import FitChecks
from spc.studies.limit_sets import PLAIN, LimitSet
from spc.studies.month import Month
from spc.studies.series import HITS, NOISE, WORST

#: The short print lists frozen limits up to so many.
FEW_LIMITS = 12


def alignment_section(month: Month) -> Iterator[Html | None]:
    """Return how the fits went: their noise, and every run that asks for a look."""
    yield el("div", _charted(month), class_="fine")
    yield el("h3", "Runs and points that ask for a look")
    listed = [*_held(month), *_suspects(month), *_remeasured(month), *_gaps(month),
              *_omitted(month)]  # fmt: skip
    if not listed:
        yield el("p", "None: every point of every piece was measured once, every fit lies within "
                 "the plan's limit, no hit stands out, and no point was left out.")  # fmt: skip
    yield from listed
    yield from _counts(month)
    yield el("h3", "What the fit cannot see")
    yield from _unseen(month)


def _charted(month: Month) -> Iterator[Html]:
    study = month.monitor
    for name in (NOISE, WORST, HITS):
        if name in study.series.names:
            column = study.series.names.index(name)
            spoken = study.series.spoken[column]
            yield el("h3", spoken[:1].upper() + spoken[1:])
            yield from said(study, readings(study, column))


def _held(month: Month) -> Iterator[Html]:
    if not month.held:
        return
    unit = month.plan.unit
    heads = columns("piece", "run", "batch", "advice", "fit point", f"residual, {unit}#")
    rows = [
        (h.serial, h.run, h.batch or NONE, badge("hold"), h.point, exact(h.residual, unit))
        for h in month.held
    ]
    limit = length(month.plan.residual_limit or float("nan"), unit)
    caption = f"Fits with a residual beyond the plan's limit of {limit} {unit}"
    yield tall_table("held", caption, heads, rows, marked=[True] * len(rows))


def _suspects(month: Month) -> Iterator[Html]:
    if not month.suspects:
        return
    unit = month.plan.unit
    heads = columns("piece", "run", "batch", "time (UTC)", "point", "hit", f"off, {unit}#",
                    f"spread of the point, {unit}#", f"usual, {unit}#", "by chance#")  # fmt: skip
    rows = [
        (
            s.serial, s.run, s.batch or NONE, moment(s.measured_at), s.point,
            str(s.hit) if s.hit else "one of two", exact(s.off, unit),
            exact(s.spread, unit, signed=False), exact(s.usual, unit, signed=False),
            probability(s.p),
        )
        for s in month.suspects
    ]  # fmt: skip
    caption = (
        "Hits that do not belong to their point: its hits spread far more than those of the run's "
        "other points. Probe the point again"
    )
    yield tall_table("suspects", caption, heads, rows, marked=[True] * len(rows))


def _remeasured(month: Month) -> Iterator[Html]:
    if not month.remeasured:
        return
    rows = [
        (r.serial, r.batch or NONE, r.earlier, r.later, moment(r.measured_at))
        for r in month.remeasured
    ]
    heads = columns("piece", "batch", "run left out", "run in force", "measured again (UTC)")
    yield tall_table("remeasured", "Pieces measured again; both runs are kept", heads, rows)


def _gaps(month: Month) -> Iterator[Html]:
    if not month.gaps:
        return
    rows = [(g.serial, g.batch or NONE, len(g.points), ", ".join(g.points)) for g in month.gaps]
    heads = columns("piece", "batch", "points#", "which~")
    yield tall_table("gaps", "Points that were not measured", heads, rows)


def _omitted(month: Month) -> Iterator[Html]:
    if not month.omitted:
        return
    rows = [
        (o.serial, o.run, o.batch or NONE, o.point, o.reason, o.why,
         "against the data" if o.forced else "with the data", moment(o.decided_at))
        for o in month.omitted
    ]  # fmt: skip
    heads = columns("piece", "run", "batch", "fit point", "reason", "in words~", "decided",
                    "when (UTC)")  # fmt: skip
    caption = "Points left out of fits, and why; the readings are kept"
    yield tall_table("omitted", caption, heads, rows, marked=[o.forced for o in month.omitted])


def _counts(month: Month) -> Iterator[Html]:
    if not any(c.remeasured or c.omitted for c in month.counts):
        return
    rows = [(c.month, c.runs, c.remeasured, c.omitted, c.forced) for c in month.counts]
    heads = columns("month", "runs#", "measured again#", "points left out#", "against the data#")
    yield long(table("counts", "Month by month: a rising count is a signal too", heads, rows))


def _unseen(month: Month) -> Iterator[Html | None]:
    """Return how large a wrong reading at each fit point may be without being seen."""
    found, unit = month.fit_checks, month.plan.unit
    if not np.isfinite(found.noise):
        yield el("p", f"How large a wrong reading would have to be cannot be said: "
                 f"{found.noise_words}.")  # fmt: skip
    else:
        yield el("p", _largest_unseen(found, unit))
    heads = columns("fit point", "share of an error that shows#",
                    f"largest unseen, {unit}#", f"it moves a check point by, {unit}#", "which",
                    "cannot be told from~")  # fmt: skip
    rows = [
        (p.point, number(p.redundancy), exact(p.detectable, unit, signed=False),
         exact(p.harm, unit, signed=False), p.harmed or NONE, ", ".join(p.tied) or NONE)
        for p in found.points
    ]  # fmt: skip
    caption = (
        "Every fit point: an error up to the largest unseen would be missed (a test at 0.1 % false "
        "alarms finds a larger one four times in five)"
    )
    yield fold("unseen", "Every fit point", table("unseen-table", caption, heads, rows),
               kind="long")  # fmt: skip
    if found.note:
        yield el("p", f"{found.note[:1].upper()}{found.note[1:]}.")


def _largest_unseen(found: FitChecks, unit: str) -> str:
    never = [p.point for p in found.points if np.isinf(p.detectable)]
    seen = [p for p in found.points if np.isfinite(p.detectable)]
    said = f"Nothing checks {', '.join(never)}: any error there passes. " if never else ""
    if not seen:
        return said
    # Of points alike the first is named, whatever the last digit of their figures is.
    worst = max(seen, key=lambda p: round(p.detectable, 9))
    harm = (
        f", and would move {worst.harmed} by up to {length(worst.harm, unit)} {unit}"
        if worst.harmed
        else ""
    )
    return (
        f"{said}A wrong reading of up to {length(worst.detectable, unit)} {unit} at {worst.point} "
        f"would not be seen by the fit{harm}. That is reckoned from {length(found.noise, unit)} "
        f"{unit}, one standard deviation of a reading about the form of its mould "
        f"({found.noise_words})."
    )


def limits_section(month: Month) -> Iterator[Html]:
    """Return the frozen limits in force, or what the charts' limits stand on instead."""
    if not month.limits:
        yield el(
            "p",
            "No limits are frozen: those on the charts stand on "
            f"{month.monitor.baseline} and are worked out anew from the same runs each time.",
        )
        return
    unit = month.plan.unit
    heads = columns("series", "mould", "one point is", f"lower, {unit}#", f"centre, {unit}#",
                    f"upper, {unit}#", "values#", "baseline", "in force from (UTC)",
                    "why~")  # fmt: skip
    rows = [
        (s.series, s.mould or NONE, f"a {s.by}", exact(s.lower, unit), _center(s, unit),
         exact(s.upper, unit), s.n, s.baseline, moment(s.valid_from), s.why)
        for s in month.limits
    ]  # fmt: skip
    own = {s.series for s in month.limits}
    rest = [n for n in month.monitor.series.names if n not in own]
    yield el(
        "p",
        f"{count(len(month.limits), 'set')} of limits {'is' if len(month.limits) == 1 else 'are'} "
        f"frozen. The other {count(len(rest), 'series', 'series')} on the charts have limits that "
        f"stand on {month.monitor.baseline}.",
    )
    caption = f"In force at the end of the {month.period.word}"
    whole = table("limits-in-force", caption, heads, rows)
    if len(rows) <= FEW_LIMITS:
        yield whole
        return
    yield long(whole)
    yield left_out("They are listed on the page itself.")


def _center(one: LimitSet, unit: str) -> Cell:
    # A figure that cannot be below zero is charted as its power two thirds.
    return exact(one.center if one.scale == PLAIN else max(one.center, 0.0) ** 1.5, unit)


def cautions_section(month: Month) -> Iterator[Html | None]:
    """Return what was not measured, and what must not be read into the page."""
    yield el(
        "div",
        el("h3", "Not measured"), bullets(not_measured(month)),
        el("h3", "Cautions"), el("div", bullets(CAUTIONS), class_="caution"),
        class_="fine",
    )  # fmt: skip


def not_measured(month: Month) -> list[str]:
    """Return what the page is silent about, one sentence each."""
    plan = month.plan
    looks = {facing(p.normal) for p in plan.points}
    blind = [axis for axis in "xyz" if not {f"+{axis}", f"-{axis}"} <= looks]
    untoleranced = [p.id for p in plan.check_points if p.lower is None and p.upper is None]
    missing = sum(len(gap.points) for gap in month.gaps)
    said = [
        "Wall thickness, leaks, strength, impact, material and welds.",
        f"The part between its {count(len(plan.points), 'point')}: nothing is known of it.",
        f"The {count(len(plan.fit_points), 'fit point')} as features: they hold the alignment, and "
        "what the fit leaves of them is no measure of their form.",
    ]
    if blind:
        said.append(
            f"Size along {' and '.join(blind)}: the plan has points facing one way only there, so "
            "a part that is too large or too small looks like one that lies elsewhere."
        )
    if untoleranced:
        named = ", ".join(untoleranced[:6]) + (" …" if len(untoleranced) > 6 else "")
        said.append(f"Tolerance: the plan gives none at {named}.")
    if missing:
        pieces = count(len(month.gaps), "piece")
        said.append(f"{count(missing, 'planned point')} on {pieces} (listed under Measuring).")
    return said


CAUTIONS = (
    "This page describes the pieces that were measured, at the age, temperature and support they "
    "were measured at. It releases nothing: release follows your own procedure and a person who "
    "may decide it.",
    "Only points of the outer form were looked at. A part can be good here and still be unsafe.",
    "A small fit residual does not prove a right alignment: where fit points hardly check one "
    "another, an error moves the whole part and leaves no residual.",
    "A reading nearer to its tolerance than the measuring can tell proves neither side. Hold the "
    "piece; do not measure it over and over until it passes, and do not average repeats for that.",
    "Control limits are not tolerances: a process in control can make parts outside the tolerance.",
    "A capability index is no count of bad parts in a million.",
    "If an arm check fails or is overdue, every result since the last good check is in doubt, of "
    "parts already shipped too.",
    "No value is corrected for the part's age or temperature. Warmth and shrinkage look the same "
    "here.",
    "The results hold for the support and clamping they were measured in; restrained or free, a "
    "part may differ by more than its tolerance.",
    "A trend carried on into the future supposes that nothing changes; it replaces no inspection.",
    "Where a characteristic bears on safety, leaving out a point, changing a limit or measuring "
    "again needs a reason and a second person's agreement.",
    "A mating face inside its tolerance does not show that a closure seals or holds.",
    "Tanks for fuels or chemicals fall under product standards (such as EN 13575, EN 13341 or "
    "ASTM D1998) that ask for tests of wall, impact, pressure, leaks and material. Charts of outer "
    "form are none of these and no evidence of them.",
)


def sign_off(month: Month) -> Iterator[Html]:
    """Return lines to sign on paper."""
    yield el(
        "p",
        f"{month.plan.part} {month.plan.revision}, {month.period.name}, data fingerprint "
        f"{month.fingerprint}. A later change of the data gives another fingerprint and makes this "
        "page a new revision.",
    )
    head = el("tr", (el("th", name, scope="col") for name in ("", "name", "date", "signature")))
    rows = (
        el("tr", el("th", role, scope="row"), (el("td", "") for _ in range(3)))
        for role in ("Prepared", "Reviewed", "Accepted")
    )
    whole = el("table", el("thead", head), el("tbody", rows), class_="sign")
    yield el("div", whole, class_="scroll", tabindex="0", role="region", aria_label="Signatures")
