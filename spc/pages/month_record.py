"""Parts of the month's page: how the fits went, what was not measured, cautions, signatures."""

from collections.abc import Iterator

from spc.pages.blocks import badge, bullets, columns, table
from spc.pages.chart_words import exact, said
from spc.pages.display import NONE, count, length, moment, probability
from spc.pages.figures.net import facing
from spc.pages.html import Html, el
from spc.pages.reading import readings
from spc.studies.month import Month
from spc.studies.series import HITS, NOISE, WORST


def alignment_section(month: Month) -> Iterator[Html]:
    """Return how the fits went: their noise, and every run that asks for a look."""
    study = month.monitor
    for name in (NOISE, WORST, HITS):
        if name in study.series.names:
            column = study.series.names.index(name)
            spoken = study.series.spoken[column]
            yield el("h3", spoken[:1].upper() + spoken[1:])
            yield from said(study, readings(study, column))
    yield el("h3", "Runs and points that ask for a look")
    listed = [*_held(month), *_suspects(month), *_remeasured(month), *_gaps(month)]
    if not listed:
        yield el("p", "None: every point of every piece was measured once, every fit lies within "
                 "the plan's limit, and no hit stands out.")  # fmt: skip
    yield from listed


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
    yield table("held", caption, heads, rows, marked=[True] * len(rows))


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
    yield table("suspects", caption, heads, rows, marked=[True] * len(rows))


def _remeasured(month: Month) -> Iterator[Html]:
    if not month.remeasured:
        return
    rows = [
        (r.serial, r.batch or NONE, r.earlier, r.later, moment(r.measured_at))
        for r in month.remeasured
    ]
    heads = columns("piece", "batch", "run left out", "run in force", "measured again (UTC)")
    yield table("remeasured", "Pieces measured again; both runs are kept", heads, rows)


def _gaps(month: Month) -> Iterator[Html]:
    if not month.gaps:
        return
    rows = [(g.serial, g.batch or NONE, len(g.points), ", ".join(g.points)) for g in month.gaps]
    heads = columns("piece", "batch", "points#", "which~")
    yield table("gaps", "Points that were not measured", heads, rows)


def cautions_section(month: Month) -> Iterator[Html | None]:
    """Return what was not measured, and what must not be read into the page."""
    yield el("h3", "Not measured")
    yield bullets(not_measured(month))
    yield el("h3", "Cautions")
    yield el("div", bullets(CAUTIONS), class_="caution")


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
