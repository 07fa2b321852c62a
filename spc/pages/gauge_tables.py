"""What a gauge study says, in words and tables shared by the month's page and its own."""

from collections.abc import Sequence

from spc.interval import Estimate
from spc.pages.blocks import Cell, columns, table
from spc.pages.chart_words import exact
from spc.pages.display import NONE, count, moment, number, share, span
from spc.pages.html import Child, Html
from spc.pages.month_parts import finite, sentences
from spc.pages.pose_text import pose_row
from spc.studies.gauge import GaugeStudy
from spc.studies.gauge_parts import spoken
from spc.units import MILLIMETRES

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
    "hit": "probing, one hit",
    "setup": "set-up: lifted and placed anew",
    "operator_piece": "operator by piece",
    "operator": "operator",
    "piece": "piece",
}


def study_words(study: GaugeStudy, unit: str) -> str:
    """Return when and what was studied, and how far the same piece varies, in two sentences."""
    whole = study.pooled.gauge.at(len(study.groups) - 1)
    other = ", by another operator" if study.second == "operator" else ""
    return (
        f"Study {study.study}, {moment(study.first.to_pydatetime())[:10]} to "
        f"{moment(study.last.to_pydatetime())[:10]}: "
        f"{spoken(study.counts.in_words(), study.second)}, "
        f"{count(len(study.points), 'check point')}. The same piece measured again, lifted, placed "
        f"and aligned anew{other}, varies by {_spread(whole, unit)} {unit} (one "
        f"standard deviation of a value that is the mean of {count(study.pooled.hits, 'hit')})."
    )


def verdict_table(study: GaugeStudy, *, advice: bool = True) -> Html:
    """Return what the gauge is good for, by the number of points; each use asks its own.

    Parameters
    ----------
    study
        The study.
    advice
        Whether the caption says what to improve first.
    """
    rows = []
    for key, use in USES.items():
        found = [getattr(verdict, key) for verdict in study.verdicts]
        states = [finding.state for finding in found]
        rows.append((
            use, *(states.count(state) for state in STATES), len(states),
            found[0].rule if found else NONE,
        ))  # fmt: skip
    heads = columns("fit to", *(f"{state}#" for state in STATES), "points#", "by which rule~")
    first = study.pooled_verdicts[-1].first.sentence if advice and study.pooled_verdicts else ""
    caption = ["What the gauge is good for, in check points", *sentences([first])]
    return table("gauge-verdicts", ". ".join(caption), heads, rows)


def group_table(study: GaugeStudy, unit: str) -> Html:
    """Return the measuring by groups of like points."""
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
            share(tolerance.value), shares(tolerance), share(all_of_it.value),
            shares(all_of_it), categories(q.distinct.at(at)),
        ))  # fmt: skip
    caption = (
        f"The measuring by groups of like points; {100 * q.gauge.level:g} % ranges. The share of "
        f"the tolerance is {q.spread:g} standard deviations over the tolerance, where the group's "
        "points have one in common"
    )
    return table("gauge-groups", caption, heads, rows)


def component_table(study: GaugeStudy, unit: str) -> Html:
    """Return the components of all check points together."""
    at = len(study.groups) - 1
    rows: list[Sequence[Child | Cell]] = []
    for key, band in study.pooled.sd.items():
        one = band.at(at)
        rows.append((
            component_word(key, study.second), exact(one.value, unit, signed=False),
            span(one.interval, unit), one.note,
        ))  # fmt: skip
    heads = ["component", f"standard deviation, {unit}#", f"range, {unit}#", "note~"]
    # A column without a word in it only takes room.
    shown = 4 if any(row[3] for row in rows) else 3
    return table("gauge-components", "All check points together", columns(*heads[:shown]),
                 [row[:shown] for row in rows])  # fmt: skip


def figure_table(study: GaugeStudy, unit: str) -> Html | None:
    """Return the fit's own figures over the study; None where there are none."""
    found = study.figures
    if found is None:
        return None
    parts = ("setup", "operator_piece", "operator", "piece")
    names = {**{k: component_word(k, study.second) for k in parts}, "setup": "placing and probing"}
    heads = columns("figure of the fit", *(f"{names[k]}, {unit}#" for k in parts),
                    f"measuring, {unit}#", f"range, {unit}#", "share of all variation#",
                    "range#")  # fmt: skip
    q = found.quantities
    rows: list[Sequence[Child | Cell]] = [
        (
            spoken, *(exact(float(q.sd[k].value[at]), unit, signed=False) for k in parts),
            exact(float(q.gauge.value[at]), unit, signed=False),
            span(q.gauge.at(at).interval, unit),
            share(float(q.of_study.value[at])), shares(q.of_study.at(at)),
        )
        for at, spoken in enumerate(found.spoken)
    ]  # fmt: skip
    caption = (
        "The fit's own figures, one value a run. What the fit leaves is told by its modes, which "
        "it does not pull to zero as it does the fit points"
    )
    return table("gauge-figures", caption, heads, rows)


def pose_table(study: GaugeStudy, unit: str) -> Html | None:
    """Return how the pose repeats within set-ups; None where no set-up was probed twice."""
    if study.pose is None:
        return None
    heads = columns("pose, probed again in one set-up", f"standard deviation, {unit}#", "range#",
                    f"probing alone makes, {unit}#")  # fmt: skip
    rows = [pose_row(study.pose, at, unit) for at in range(len(study.pose.names))]
    return table("gauge-pose", "Where the fit places a piece that nobody moved", heads, rows)


def component_word(key: str, second: str) -> str:
    """Return a component's name; where one operator probed alone, days stand for operators."""
    name = COMPONENTS.get(key, key)
    return name if second == "operator" else name.replace("operator", second)


def categories(estimate: Estimate) -> str:
    """Return a number of categories cut to a whole one, with its range."""
    if not finite(estimate.value):
        return NONE
    within = estimate.interval
    ends = f" ({int(within.low)} to {int(within.high)})" if within and finite(within.high) else ""
    return f"{int(estimate.value)}{ends}"


def shares(estimate: Estimate) -> str:
    """Return the range of a share, in per cent."""
    within = estimate.interval
    if within is None or not finite(within.low, within.high):
        return NONE
    return f"{100 * within.low:.1f} to {share(within.high)}"


def _spread(estimate: Estimate, unit: str) -> str:
    shown = number(estimate.value / MILLIMETRES[unit], 3)
    return f"{shown} ({span(estimate.interval, unit)})" if estimate.interval else shown
