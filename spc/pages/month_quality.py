"""Parts of the month's page: capability against what is asked for, and the gauge study."""

from collections.abc import Iterator

from spc.interval import Estimate, Interval
from spc.pages.blocks import Cell, badge, bullets, columns, fold, table
from spc.pages.chart_words import exact
from spc.pages.display import NONE, against, count, moment, number, share, span
from spc.pages.html import Html, el
from spc.pages.month_parts import finite, sentences
from spc.studies.capability_points import PointCapability
from spc.studies.gauge import GaugeStudy
from spc.studies.month import Month
from spc.units import MILLIMETRES

#: Verdicts, what needs action first.
ORDER = ("not shown", "cannot be shown", "refused", "shown")
#: What a gauge may be asked to do.
USES = {
    "watch": "watch a process drift",
    "sort": "sort pieces to the tolerance",
    "guide": "guide an improvement",
}
#: What a study may say to that.
STATES = ("shown", "not shown", "cannot tell from this study")
#: What a study's components are called on a page.
COMPONENTS = {
    "hit": "one hit",
    "setup": "a new placing of the piece",
    "operator_piece": "person by piece",
    "operator": "person",
    "piece": "pieces",
}


def capability_section(month: Month) -> Iterator[Html | None]:
    """Return every check point's index with its range, or why there is none."""
    able = month.capability
    counts = {v: sum(p.verdict == v for p in able.points) for v in ORDER}
    asked = f"{able.required:g}"
    yield el(
        "p",
        f"Over {able.span} ({count(able.pieces, 'piece')}, "
        f"{count(able.batches, 'batch', 'batches')}), a capability of at least {asked} is shown at "
        f"{counts['shown']} of {count(len(able.points), 'check point')}, not shown at "
        f"{counts['not shown']}, cannot be shown by these pieces at {counts['cannot be shown']}, "
        f"and is refused at {counts['refused']}.",
    )
    yield bullets(sentences(able.remarks))
    ranked = sorted(able.points, key=lambda p: ORDER.index(p.verdict))
    heads = columns(
        "check point", f"{asked} is", "Ppk#", f"{100 * able.level:g} % range#", "Cpk#",
        f"{100 * able.level:g} % range#", "pieces#", "batches#", "outside#", "in words~",
    )  # fmt: skip
    rows = [_capability_row(p, able.required) for p in ranked]
    yield table(
        "capability-table",
        f"Capability against the {asked} asked for",
        heads,
        rows,
        marked=[p.verdict == "not shown" for p in ranked],
    )


def _capability_row(p: PointCapability, required: float) -> tuple[str | int | Html | Cell, ...]:
    return (
        p.point,
        badge(p.verdict),
        _index(p.ppk, required),
        _range(p.ppk_low, p.ppk_high),
        _index(p.cpk, required),
        _range(p.cpk_low, p.cpk_high),
        p.n,
        p.batches,
        p.outside,
        p.reason,
    )


def _index(value: float, required: float) -> Cell:
    return Cell(shown=against(value, required), value=repr(value) if finite(value) else "")


def _range(low: float, high: float) -> str:
    return span(Interval(low=low, high=high)) if finite(low, high) else NONE


def gauge_section(month: Month) -> Iterator[Html | None]:
    """Return what the newest gauge study says of the measuring."""
    yield el("h3", "The gauge study")
    if month.gauge is None:
        yield el("p", *sentences([month.gauge_note]))
        return
    study = month.gauge
    unit = month.plan.unit
    whole = study.pooled.gauge.at(len(study.groups) - 1)
    other = ", by another person" if study.second == "operator" else ""
    yield el(
        "p",
        f"Study {study.study}, {moment(study.first.to_pydatetime())[:10]} to "
        f"{moment(study.last.to_pydatetime())[:10]}: {study.counts.in_words()}, "
        f"{count(len(study.points), 'check point')}. The same piece measured again, lifted, placed "
        f"and aligned anew{other}, varies by {_spread(whole, unit)} {unit} (one "
        f"standard deviation of a value that is the mean of {count(study.pooled.hits, 'hit')}).",
    )
    yield _verdicts(study)
    yield _groups(study, unit)
    yield fold("components", "Where the variation comes from", _components(study, unit))
    yield bullets(sentences([*study.notes, *study.pooled.notes]))


def _verdicts(study: GaugeStudy) -> Html:
    """Return what the gauge is good for, by the number of points; each use asks its own."""
    rows = []
    for key, use in USES.items():
        found = [getattr(verdict, key) for verdict in study.verdicts]
        states = [finding.state for finding in found]
        rows.append((
            use, *(states.count(state) for state in STATES), len(states),
            found[0].rule if found else NONE,
        ))  # fmt: skip
    heads = columns("fit to", *(f"{state}#" for state in STATES), "points#", "by which rule~")
    first = study.pooled_verdicts[-1].first.sentence if study.pooled_verdicts else ""
    caption = ["What the gauge is good for, in check points", *sentences([first])]
    return table("gauge-verdicts", ". ".join(caption), heads, rows)


def _groups(study: GaugeStudy, unit: str) -> Html:
    q = study.pooled
    heads = columns("group", "points#", f"measuring, {unit}#", f"range, {unit}#",
                    "share of the tolerance#", "range#", "share of all variation#", "range#",
                    "pieces told apart#")  # fmt: skip
    rows = []
    for at, (name, size) in enumerate(zip(study.groups, study.group_sizes, strict=True)):
        gauge, tolerance, all_of_it = (b.at(at) for b in (q.gauge, q.of_tolerance, q.of_study))
        rows.append((
            name if name.startswith(("all", "no ")) else f"group {name}", size,
            exact(gauge.value, unit, signed=False), span(gauge.interval, unit),
            share(tolerance.value), _shares(tolerance), share(all_of_it.value),
            _shares(all_of_it), _categories(q.distinct.at(at)),
        ))  # fmt: skip
    caption = (
        f"The measuring by groups of like points; {100 * q.gauge.level:g} % ranges. The share of "
        f"the tolerance is {q.spread:g} standard deviations over the tolerance, where the group's "
        "points have one in common"
    )
    return table("gauge-groups", caption, heads, rows)


def _categories(estimate: Estimate) -> str:
    """Return a number of categories cut to a whole one, with its range."""
    if not finite(estimate.value):
        return NONE
    within = estimate.interval
    ends = f" ({int(within.low)} to {int(within.high)})" if within and finite(within.high) else ""
    return f"{int(estimate.value)}{ends}"


def _shares(estimate: Estimate) -> str:
    within = estimate.interval
    if within is None or not finite(within.low, within.high):
        return NONE
    return f"{100 * within.low:.1f} to {share(within.high)}"


def _spread(estimate: Estimate, unit: str) -> str:
    shown = number(estimate.value / MILLIMETRES[unit], 3)
    return f"{shown} ({span(estimate.interval, unit)})" if estimate.interval else shown


def _components(study: GaugeStudy, unit: str) -> Html:
    at = len(study.groups) - 1
    rows = []
    for key, band in study.pooled.sd.items():
        one = band.at(at)
        rows.append((
            _component(key, study.second), exact(one.value, unit, signed=False),
            span(one.interval, unit), one.note,
        ))  # fmt: skip
    heads = columns("component", f"standard deviation, {unit}#", f"range, {unit}#", "note~")
    return table("gauge-components", "All check points together", heads, rows)


def _component(key: str, second: str) -> str:
    """Return a component's name; where one person probed alone, days stand for persons."""
    name = COMPONENTS.get(key, key)
    return name if second == "operator" else name.replace("person", second)
