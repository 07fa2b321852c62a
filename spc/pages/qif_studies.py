"""A month's studies as QIF 3.0 study plans and results (ISO 23952), one characteristic a study.

The standard ties a study to a characteristic in its plan, and results to the plan: so each study
has both. The results of a production study must hold an issue, so that a chart without a signal is
a simple study with the same values.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

import numpy as np
import numpy.typing as npt

from spc.pages.display import moment
from spc.pages.qif_elements import (
    Ids,
    decimal,
    identified,
    own_id,
    put,
    put_list,
    put_values,
    refer,
)
from spc.pages.qif_plan import Held
from spc.pages.qif_signals import Causes, control_methods, issues, put_details, rules_of
from spc.studies.capability import CapabilityStudy
from spc.studies.capability_points import PointCapability
from spc.studies.month import Month
from spc.studies.point_state import PointState
from spc.studies.signals import ListedSignal

SIMPLE, CAPABILITY, PRODUCTION = "Simple", "Capability", "Production"
#: A verdict that the standard has a word for; the others are said in our own.
_STATUS = {"shown": "PASS", "not shown": "FAIL", "": "INFORMATIONAL"}
#: How pieces come to be measured is not recorded, so that no frequency can be stated.
_SAMPLING = "each piece that was brought to be measured"

Value = tuple[str, float | int | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """A study's plan and results.

    Parameters
    ----------
    plan, results
        The two elements.
    """

    plan: Element
    results: Element


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Said:
    """What is said of a study: of its plan, and of what was found."""

    name: str
    words: str
    verdict: str
    samples: int
    found: str = ""
    subgroup: int | None = None


def plan_of(kind: str, held: Held, name: str, words: str, ids: Ids) -> Element:
    """Return the plan of a study of one characteristic, as far as all plans are alike."""
    plan = identified(f"{kind}StudyPlan", ids)
    refer(plan, "CharacteristicItemIds", [held.item])
    put(plan, "Name", name)
    put(plan, "Description", words)
    return plan


def results_of(
    kind: str, held: Held, plan: Element, said: tuple[str, str, str], values: Sequence[Value],
    ids: Ids, found: Sequence[Element] = (),
) -> Element:  # fmt: skip
    """Return results as far as all are alike; ``said`` is name, words and verdict."""
    name, words, verdict = said
    results = identified(f"{kind}StudyResults", ids)
    _put_status(results, verdict)
    put_list(results, "StudyIssues", found)
    put(results, "Name", name)
    put(results, "Description", words)
    put(results, "StudyId", own_id(plan))
    stats = Element(f"{held.kind}CharacteristicStats")
    _put_status(stats, verdict)
    put_values(stats, "ValueStats", values)
    put_list(results, "CharacteristicsStats", [stats])
    return results


def _put_status(parent: Element, verdict: str) -> None:
    status = put(parent, "Status")
    if verdict in _STATUS:
        put(status, "StatsEvalStatusEnum", _STATUS[verdict])
    else:
        put(status, "OtherStatsEvalStatus", verdict)


def _study(
    kind: str, held: Held, said: _Said, values: Sequence[Value], ids: Ids,
    found: Sequence[Element] = (),
) -> Study:  # fmt: skip
    plan = plan_of(kind, held, said.name, said.words, ids)
    told = (said.name, f"{said.words} {said.found}".strip(), said.verdict)
    study = Study(plan=plan, results=results_of(kind, held, plan, told, values, ids, found))
    for element in (study.plan, study.results):
        put(element, "NumberOfSamples", said.samples)
        if said.subgroup is not None:
            put(element, "SubgroupSize", said.subgroup)
    return study


def month_study(month: Month, state: PointState, held: Held, ids: Ids) -> Study:
    """Return what was read at a point in the month, all moulds together."""
    values: list[Value] = [
        ("TotalNumber", month.runs), ("EffectiveNumber", state.n), ("Average", state.mean),
        ("Maximum", state.largest), ("Minimum", state.smallest), ("StandardDeviation", state.sd),
        *_outside(state),
    ]  # fmt: skip
    said = _Said(
        name=f"{month.period.name}, {state.point}", verdict="", samples=state.n,
        words=f"Readings of {month.period.name}, all moulds together.",
    )  # fmt: skip
    return _study(SIMPLE, held, said, values, ids)


def capability_study(study: CapabilityStudy, point: PointCapability, held: Held, ids: Ids) -> Study:
    """Return the capability of a point; an index that is withheld is absent."""
    values: list[Value] = [
        ("TotalNumber", study.pieces), ("EffectiveNumber", point.n),
        ("NumberSubgroups", point.batches), ("Average", point.mean), ("Maximum", point.largest),
        ("Minimum", point.smallest), *_outside(point), ("Cp", point.cp), ("Cpk", point.cpk),
        ("Pp", point.pp), ("Ppk", point.ppk), ("Cpm", point.cpm),
    ]  # fmt: skip
    said = _Said(
        name=f"capability, {point.point}", words=f"Pieces of {study.span}, all moulds together.",
        found=f"{point.reason} {point.note}".strip(), verdict=point.verdict, samples=point.n,
    )  # fmt: skip
    made = _study(CAPABILITY, held, said, values, ids)
    threshold = put(made.plan, f"{study.index.capitalize()}Threshold")
    put(threshold, "Limit", decimal(study.required))
    return made


def _outside(point: PointState | PointCapability) -> list[Value]:
    """Return pieces outside, and on which side where the figures tell."""
    if not (np.isfinite(point.lower) or np.isfinite(point.upper)):
        return []
    over = under = None
    if not point.smallest < point.lower:
        over, under = point.outside, 0
    elif not point.largest > point.upper:
        over, under = 0, point.outside
    return [("NumberOutOfTolerance", point.outside), ("NumberOverUpperTolerance", over),
            ("NumberUnderLowerTolerance", under)]  # fmt: skip


def chart_studies(month: Month, point: str, held: Held, causes: Causes, ids: Ids) -> list[Study]:
    """Return a point's charts of the month, one a mould that was measured in it."""
    chart = month.monitor
    column = chart.series.names.index(point)
    inside = chart.rows.times >= np.datetime64(month.period.start)
    inside &= np.isfinite(chart.values[:, column])
    made = []
    for mould in dict.fromkeys(chart.rows.moulds):
        rows = np.flatnonzero(inside & np.array([m == mould for m in chart.rows.moulds]))
        if rows.size:
            signals = [s for s in month.listed if (s.series, s.mould) == (point, mould)]
            made.append(_chart(month, (point, mould, column), rows, signals, held, causes, ids))
    return made


def _chart(
    month: Month, place: tuple[str, str, int], rows: npt.NDArray[np.int64],
    signals: Sequence[ListedSignal], held: Held, causes: Causes, ids: Ids,
) -> Study:  # fmt: skip
    chart, (point, mould, column) = month.monitor, place
    value, low, high = (a[rows, column] for a in (chart.values, chart.lower, chart.upper))
    newest = chart.newest(column, mould)
    limited = bool(np.isfinite(high).any())
    values: list[Value] = [
        ("TotalNumber", int(chart.rows.pieces[rows].sum())), ("NumberSubgroups", len(rows)),
        ("UpperControlLimit", float(chart.upper[newest, column])),
        ("LowerControlLimit", float(chart.lower[newest, column])),
        ("NumberOutOfControl", int(((value > high) | (value < low)).sum()) if limited else None),
    ]  # fmt: skip
    sizes = set(chart.rows.pieces[rows].tolist())
    verdict = "signal" if signals else "no signal" if limited else "no limits"
    said = _Said(
        name=f"chart of {mould or 'mould not known'}, {point}",
        words=_chart_words(month, mould, column), verdict=verdict,
        found=" ".join(_signal_words(s) for s in signals),
        samples=int(chart.rows.pieces[rows].sum()),
        subgroup=sizes.pop() if len(sizes) == 1 else None,
    )  # fmt: skip
    if not signals:
        return _study(SIMPLE, held, said, values, ids)
    found = issues(signals, causes, ids)
    made = _study(PRODUCTION, held, said, values, ids, [issue for _, issue in found])
    methods = control_methods(rules_of(chart.rules, signals), ids)
    _put_sampling(made.plan, said.samples)
    put_list(made.plan, "ControlMethods", list(methods.values()))
    put_details(made.results, found, methods)
    return made


def _put_sampling(plan: Element, samples: int) -> None:
    method = put(plan, "SamplingMethod")
    put(method, "SampleSize", samples)
    put(method, "SamplingFrequency", 1)
    put(put(method, "SamplingInterval"), "OtherSamplingInterval", _SAMPLING)


def _chart_words(month: Month, mould: str, column: int) -> str:
    chart = month.monitor
    frozen = mould in chart.frozen_moulds[column]
    basis = "limits are frozen" if frozen else f"limits from {chart.baseline}"
    note = chart.notes[column]
    parts = (f"means of the batches of {month.period.name}", basis, *([note] if note else []))
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def _signal_words(signal: ListedSignal) -> str:
    rules = "; ".join((signal.rule, *signal.also))
    since, until = moment(signal.since), moment(signal.until)
    return (
        f"{signal.state.capitalize()}: {rules}, from {signal.first} ({since}) to {signal.last} "
        f"({until} UTC)."
    )
