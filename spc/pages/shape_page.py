"""The page of the piece as a whole: one chart of many values at once, and what made a signal."""

from dataclasses import replace

import numpy as np
import pandas as pd

from spc.pages.beside import NOWHERE, Place
from spc.pages.blocks import bullets, columns, figure_block, fold, section, table, tall_table
from spc.pages.chart_tables import events_fold
from spc.pages.chart_words import EVENT_KEY
from spc.pages.display import NONE, count, moment, number
from spc.pages.figures.limited import Limited, limited_figure
from spc.pages.figures.positions import positions
from spc.pages.html import Html, el, joined
from spc.pages.shape_text import POINTS, named_points
from spc.pages.shell import Page, page_html
from spc.studies.moments import PIECE
from spc.studies.shape import ShapeStudy

#: Sets of values named for a signal, the smallest first.
MADE_BY = 3


def shape_page(study: ShapeStudy, events: pd.DataFrame, place: Place = NOWHERE) -> str:
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
    plan, rows = study.plan, study.rows
    panels = _panels(study)
    names = tuple(
        f"{label}, {moment(t.item())}"
        for label, t in zip(rows.labels, rows.times.astype("datetime64[us]"), strict=True)
    )
    figures = {}
    if panels:
        where = replace(positions(rows.times), names=names)
        figures["figure"] = limited_figure(panels, where, events)
    newest = rows.times.max().astype("datetime64[us]").item()
    return page_html(Page(
        title=f"The {rows.by} as a whole",
        kicker=f"{plan.part} {plan.revision}, {plan.name}. Measured up to {moment(newest)} UTC",
        body=joined(_body(study, events, figures["figure"].layout.height if figures else 0)),
        figures=figures, fingerprint=place.fingerprint, library=place.library, up=place.up,
        contents=[("chart", "Chart"), ("signals", "Signals"), ("how", "Limits"),
                  ("values-section", "Values")],
    ))  # fmt: skip


def _body(study: ShapeStudy, events: pd.DataFrame, height: int) -> list[Html]:
    answer = el("div", el("p", _answer(study)), class_="answer act" if study.signals else "answer")
    key = _key(study, EVENT_KEY * (not events.empty))
    chart = figure_block("figure", f"{study.plan.part} as a whole", key, height)
    return [
        answer,
        section("chart", "Chart", chart if height else el("p", "There is nothing to draw.")),
        section("signals", "Signals, and what made them", _signals(study)),
        section("how", "Limits and what they stand on", bullets(_how(study))),
        section(
            "values-section", "Values and events",
            fold("all-values", f"One row a {study.rows.by}", _values(study)), events_fold(events),
        ),
    ]  # fmt: skip


def _answer(study: ShapeStudy) -> str:
    what = study.rows.by
    if not study.pieces:
        return f"No {what} could be judged."
    if not study.signals:
        return f"No {what} is unlike the baseline as a whole."
    found = {(s.mould, s.label): s for s in study.signals}
    newest = max(study.signals, key=lambda s: s.at)
    mould = f" of mould {newest.mould}" if newest.mould else ""
    made = f", by {newest.made_by[0]}" if newest.made_by else ""
    made += f", {POINTS} {named_points(newest)}" if newest.points else ""
    many = count(len(found), what, "batches" if what != PIECE else None)
    verb = "is" if len(found) == 1 else "are"
    return f"{many} {verb} unlike the baseline as a whole, the newest {newest.label}{mould}{made}."


def _key(study: ShapeStudy, of_events: str) -> Html:
    return el(
        "p",
        f"Each dot is Hotelling's T² of a {study.rows.by}: how far its "
        f"{count(len(study.values), 'value')} together lie from the mean of its mould, with their "
        "spread and their hanging together counted in. It has no unit and no direction: the table "
        "says what made a signal. The dashed line is the control limit, stricter over the shaded "
        f"baseline that it stands on. {of_events}".rstrip(),
        class_="quiet small",
    )


def _panels(study: ShapeStudy) -> list[Limited]:
    rows = study.rows
    moulds = np.array(rows.moulds, dtype=object)
    out = []
    for mould in dict.fromkeys(rows.moulds):
        mine = np.flatnonzero(moulds == mould)
        for heading, values, limit in (
            (f"T² of the {rows.by}", study.t2, study.limit),
            ("T² of the moving average", study.average, study.average_limit),
        ):
            if np.isfinite(values[mine]).any():
                nothing = np.full(len(mine), np.nan)
                out.append(Limited(
                    group=f"Mould {mould}" if mould else "Mould not recorded", heading=heading,
                    tools=rows.tools_of(mould), rows=mine, values=values[mine],
                    center=nothing, lower=nothing, upper=limit[mine],
                    baseline=rows.baseline[mine], decimals=1,
                ))  # fmt: skip
    return out


def _signals(study: ShapeStudy) -> Html:
    if not study.signals:
        return el("p", _answer(study))
    in_points = any(s.points for s in study.signals)
    rows = [
        (s.label, s.mould or NONE, moment(s.at), s.chart, number(s.t2, 1), number(s.limit, 1),
         " or ".join(s.made_by[:MADE_BY]) or NONE, *((named_points(s),) if in_points else ()))
        for s in sorted(study.signals, key=lambda s: (s.at, s.label), reverse=True)
    ]  # fmt: skip
    heads = columns(study.rows.by, "mould", "time (UTC)", "chart", "T²#", "limit#", "made by~",
                    *((f"{POINTS}~",) if in_points else ()))  # fmt: skip
    caption = (
        f"{count(len(rows), 'signal')}, the newest first; without the values named there would be "
        "none"
    )
    return tall_table("signal-list", caption, heads, rows, short=False)


def _how(study: ShapeStudy) -> list[str]:
    known = ", ".join(
        f"{n} of mould {mould}" if mould else str(n) for mould, n in study.pieces.items()
    )
    what = "pieces" if study.rows.by == PIECE else "batches"
    said = [
        f"Judged together: {', '.join(study.values)}.",
        f"Limits from {study.baseline} ({known or 'no'} {what}), covariance {study.method}; one "
        "false alarm in 370 for each chart.",
    ]
    if study.shares:
        said.append("The share of a component is what it carries of the baseline's variance.")
    return said + [f"{text[:1].upper()}{text[1:]}." for text in study.notes]


def _values(study: ShapeStudy) -> Html:
    rows, found = study.rows, np.flatnonzero(np.isfinite(study.t2))
    heads = columns(rows.by, "mould", "time (UTC)", "T²#", "limit#", "beyond")
    beyond = study.t2 > study.limit
    listed = [
        (rows.labels[k], rows.moulds[k] or NONE,
         moment(rows.times[k].astype("datetime64[us]").item()), number(float(study.t2[k]), 1),
         number(float(study.limit[k]), 1), "yes" if beyond[k] else "")
        for k in found
    ]  # fmt: skip
    caption = f"Hotelling's T² of every {rows.by} that could be judged"
    return table("values", caption, heads, listed, marked=beyond[found].tolist())
