"""The page of one series in another kind of chart than plain values."""

from dataclasses import replace
from math import isfinite

import numpy as np
import pandas as pd

from spc.pages.beside import NOWHERE, Place
from spc.pages.blocks import bullets, columns, figure_block, fold, section, table, tall_table
from spc.pages.chart_tables import events_fold
from spc.pages.chart_words import EVENT_KEY
from spc.pages.display import NONE, count, decimals, length, moment, number, per
from spc.pages.figures.limited import Limited, limited_figure
from spc.pages.figures.positions import positions
from spc.pages.html import Html, el, joined
from spc.pages.kind_text import NO_CHART, fact_words
from spc.pages.shell import Page, page_html
from spc.studies.kind_results import Fact, KindStudy, Panel
from spc.studies.kinds import COUNTS

#: What a kind of chart is, in words.
IN_WORDS = {
    "batches": "batches: means, jumps, and the spread within",
    "mean-range": "means and ranges of batches",
    "mean-sd": "means and standard deviations of batches",
    "cusum": "cumulative sums",
    "steps": "limits that allow for neighbours",
    "counts": "counts by batch",
}
UNITS = {"sigma": "st. dev.", "mm^(2/3)": "mm^(2/3)"}
#: Kinds whose values are drawn about the centre of their mould.
LEVELLED = ("batches", "mean-range", "mean-sd", "steps")


def kind_page(study: KindStudy, events: pd.DataFrame, place: Place = NOWHERE) -> str:
    """Return the page.

    Parameters
    ----------
    study
        What is shown.
    events
        What happened to mould, material and arm, as the store has it.
    place
        Where the page lies.
    """
    plan = study.plan
    panels = _panels(study)
    names = tuple(
        f"{label}, {moment(t.item())}, {count(int(n), 'piece')}"
        for label, t, n in zip(
            study.labels, study.times.astype("datetime64[us]"), study.sizes, strict=True
        )
    )
    figures = {}
    if panels:
        where = replace(positions(study.times), names=names)
        figures["figure"] = limited_figure(panels, where, events)
    spoken = study.spoken[:1].upper() + study.spoken[1:]
    newest = study.times.max().astype("datetime64[us]").item()
    return page_html(Page(
        title=f"{spoken}: {IN_WORDS[study.kind]}",
        kicker=f"{plan.part} {plan.revision}, {plan.name}. Measured up to {moment(newest)} UTC",
        body=joined(_body(study, events, figures["figure"].layout.height if figures else 0)),
        figures=figures, fingerprint=place.fingerprint, library=place.library, up=place.up,
        contents=[("chart", "Chart"), ("signals", "Signals"), ("how", "Limits"),
                  ("values-section", "Values")],
    ))  # fmt: skip


def _body(study: KindStudy, events: pd.DataFrame, height: int) -> list[Html]:
    answer = el("div", el("p", _answer(study)), class_="answer act" if study.signals else "answer")
    key = _key(study, EVENT_KEY * (not events.empty))
    chart = figure_block("figure", f"{study.plan.part} {study.series}", key, height)
    said = (*study.notes, *(_fact(fact, study) for fact in study.facts if isfinite(fact.value)))
    return [
        answer,
        section("chart", "Chart", chart if height else el("p", "There is nothing to draw.")),
        section("signals", "Signals", _signals(study)),
        section(
            "how", "Limits and what they stand on",
            bullets(f"{text[:1].upper()}{text[1:]}." for text in (study.limits, *said)),
        ),
        section(
            "values-section", "Values and events",
            fold("all-values", "All values", *_values(study)), events_fold(events),
        ),
    ]  # fmt: skip


def _fact(fact: Fact, study: KindStudy) -> str:
    unit = study.plan.unit if fact.unit == "mm" else UNITS.get(fact.unit, "")
    return f"{fact_words(fact, study.plan.unit)} {unit}".strip()


def _answer(study: KindStudy) -> str:
    if not study.limited:
        return NO_CHART
    if not study.signals:
        return "No value lies beyond a limit."
    newest = max(study.signals, key=lambda s: s.at)
    mould = f" of mould {newest.mould}" if newest.mould else ""
    verb = "lies" if len(study.signals) == 1 else "lie"
    return (
        f"{count(len(study.signals), 'value')} {verb} beyond a limit, the newest at {newest.label}"
        f"{mould} ({_short(newest.panel)})."
    )


def _key(study: KindStudy, of_events: str) -> Html:
    return el(
        "p",
        "Dashed lines are the control limits, and the thin solid line, where there is one, is the "
        "centre. An orange diamond round a dot is a value beyond a limit. Control limits are no "
        "tolerances."
        + " The limits stand on the shaded baseline." * (not _frozen(study))
        + " Means and values are about the centre of their own mould." * (study.kind in LEVELLED)
        + f" {of_events}".rstrip(),
        class_="quiet small",
    )


def _frozen(study: KindStudy) -> bool:
    """Tell whether frozen limits judge, which stand on a baseline of their own."""
    return not study.limits.startswith("limits from")


def _short(name: str) -> str:
    """Return a panel's name as it fits above it on a phone; the words above say the rest."""
    return name.split(",")[0].removesuffix(" about the mould's centre")


def _heading(panel: Panel, study: KindStudy) -> str:
    """Return a panel's name with its unit, where the name does not say it."""
    if study.kind == COUNTS:
        return panel.name
    return f"{_short(panel.name)}, {_shown(panel, study)[1]}"


def _shown(panel: Panel, study: KindStudy) -> tuple[float, str, int]:
    """Return what one shown unit is in the panel's, its name, and the decimals it deserves."""
    if panel.unit == "mm":
        return per(study.plan.unit), study.plan.unit, decimals(study.plan.unit)
    return 1.0, UNITS.get(panel.unit, panel.unit), 2


def _panels(study: KindStudy) -> list[Limited]:
    """Return each mould's panels, those that have anything to show."""
    moulds, tools = np.array(study.moulds, dtype=object), np.array(study.tools, dtype=object)
    out = []
    for mould in dict.fromkeys(study.moulds):
        rows = np.flatnonzero(moulds == mould)
        for panel in study.panels:
            one, _, digits = _shown(panel, study)
            if np.isfinite(panel.values[rows]).any():
                lines = (panel.values, panel.center, panel.lower, panel.upper)
                values, center, lower, upper = (line[rows] / one for line in lines)
                base = study.in_baseline[rows] & (not _frozen(study))
                out.append(Limited(
                    group=f"Mould {mould}" if mould else "Mould not recorded",
                    heading=_heading(panel, study), tools=frozenset(tools[rows]), rows=rows,
                    values=values, center=center, lower=lower, upper=upper,
                    baseline=base, decimals=digits,
                ))  # fmt: skip
    return out


def _signals(study: KindStudy) -> Html:
    if not study.signals:
        return el("p", "No value lies beyond a limit." if study.limited else NO_CHART)
    by_name = {panel.name: panel for panel in study.panels}
    rows = [
        (s.label, s.mould or NONE, moment(s.at), _heading(by_name[s.panel], study),
         *(_figure(v, by_name[s.panel], study) for v in (s.value, s.limit)))
        for s in sorted(study.signals, key=lambda s: (s.at, s.panel), reverse=True)
    ]  # fmt: skip
    heads = columns("where", "mould", "time (UTC)", "chart~", "value#", "limit#")
    caption = f"{count(len(rows), 'value')} beyond a limit, the newest first"
    return tall_table("signal-list", caption, heads, rows, short=False)


def _figure(value: float, panel: Panel, study: KindStudy) -> str:
    return length(value, study.plan.unit) if panel.unit == "mm" else number(value)


def _values(study: KindStudy) -> list[Html]:
    tables = []
    for at, panel in enumerate(study.panels):
        unit = _shown(panel, study)[1]
        heads = columns("where", "mould", "time (UTC)", "pieces#", f"value, {unit}#",
                        "lower limit#", "centre#", "upper limit#", "beyond")  # fmt: skip
        lines = (panel.values, panel.lower, panel.center, panel.upper)
        rows = [
            (study.labels[k], study.moulds[k] or NONE,
             moment(study.times[k].astype("datetime64[us]").item()), int(study.sizes[k]),
             *(_figure(float(line[k]), panel, study) for line in lines),
             "yes" if panel.beyond[k] else "")
            for k in range(len(study.labels))
        ]  # fmt: skip
        caption = panel.name[:1].upper() + panel.name[1:]
        marked = panel.beyond.tolist()
        tables.append(table(f"values-{at + 1}", caption, heads, rows, marked=marked))
    return tables
