"""Parts of the month's page: capability against what is asked for, and the gauge study."""

from collections.abc import Iterator

import numpy as np
import plotly.graph_objects as go

from spc.pages.beside import Beside
from spc.pages.blocks import (
    Cell,
    badge,
    bullets,
    columns,
    figure_block,
    fold,
    long,
    tall_table,
)
from spc.pages.display import against, count
from spc.pages.figures.ranges import ACT, OPEN, PLAIN, Range, ranges_figure
from spc.pages.gauge_tables import component_table, group_table, study_words, verdict_table
from spc.pages.html import Html, el
from spc.pages.month_arms import arms_section
from spc.pages.month_brief import all_in_one
from spc.pages.month_parts import finite, index_range, names, sentences
from spc.studies.capability_points import PointCapability
from spc.studies.month import Month

#: Verdicts, what needs action first.
ORDER = ("not shown", "cannot be shown", "refused", "shown")


#: How each verdict is drawn.
STYLES = {"not shown": ACT, "cannot be shown": OPEN, "shown": PLAIN}


def capability_figure(month: Month) -> go.Figure | None:
    """Return each index with its bounds against what is asked for; None without any index.

    The bars reach from bound to bound and not over the two-sided range, so that picture and verdict
    cannot say different things.
    """
    able = month.capability
    given = [p for p in _ranked(month) if finite(p.ppk)]
    if not given:
        return None
    rows = [
        Range(
            name=p.point, value=p.ppk, low=p.bound, high=p.upper_bound,
            style=STYLES.get(p.verdict, OPEN),
            pointed=f"Ppk {against(p.ppk, able.required)} ({index_range(p.bound, p.upper_bound)})",
        )
        for p in given
    ]  # fmt: skip
    asked = f"{able.required:g}"
    words = {PLAIN: f"{asked} is shown", OPEN: "cannot be shown", ACT: "not shown"}
    used = {style: text for style, text in words.items() if any(r.style == style for r in rows)}
    axis = f"Ppk between its lower and its upper {100 * able.level:g} % bound (no unit)"
    return ranges_figure(rows, axis, named=used, bound=(able.required, f"{asked} asked for"))


def _ranked(month: Month) -> list[PointCapability]:
    """Return check points, what needs action first and the smallest index before the others."""
    return sorted(
        month.capability.points,
        key=lambda p: (ORDER.index(p.verdict), p.ppk if finite(p.ppk) else np.inf),
    )


def capability_section(month: Month, figure: go.Figure | None) -> Iterator[Html | None]:
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
    if figure is not None:
        without = [p.point for p in able.points if not finite(p.ppk)]
        none = f" None is given for {names(without)}; why stands in the table." if without else ""
        said = (
            "Each dot is a check point's index. Its bar reaches from the lower to the upper bound, "
            "each of which holds by itself; what is asked for is shown where the whole bar lies "
            f"right of the dashed upright.{none}"
        )
        yield long(figure_block("ppk", f"{month.plan.part} capability", said,
                                figure.layout.height, wide=True))  # fmt: skip
    ranked = _ranked(month)
    heads = columns(
        "check point", f"{asked} is", "Ppk#", f"{100 * able.level:g} % range#", "Cpk#",
        f"{100 * able.level:g} % range#", "pieces#", "batches#", "outside#", "in words~",
    )  # fmt: skip
    rows = [_capability_row(p, able.required) for p in ranked]
    caption = f"Capability against the {asked} asked for"
    marked = [p.verdict == "not shown" for p in ranked]
    yield long(tall_table("capability-table", caption, heads, rows, marked=marked))
    yield from all_in_one(month)


def _capability_row(p: PointCapability, required: float) -> tuple[str | int | Html | Cell, ...]:
    return (
        p.point,
        badge(p.verdict),
        _index(p.ppk, required),
        index_range(p.ppk_low, p.ppk_high),
        _index(p.cpk, required),
        index_range(p.cpk_low, p.cpk_high),
        p.n,
        p.batches,
        p.outside,
        p.reason,
    )


def _index(value: float, required: float) -> Cell:
    return Cell(shown=against(value, required), value=repr(value) if finite(value) else "")


def gauge_section(month: Month, beside: Beside) -> Iterator[Html | None]:
    """Return what the newest gauge study says of the measuring."""
    yield from arms_section(month)
    yield el("h3", "The gauge study")
    if month.gauge is None:
        yield el("p", *sentences([month.gauge_note]))
        return
    study = month.gauge
    unit = month.plan.unit
    yield el("p", study_words(study, unit))
    yield beside.link(beside.gauge, "The study's own page, with its figures")
    yield verdict_table(study)
    yield long(
        group_table(study, unit),
        fold("components", "Where the variation comes from", component_table(study, unit)),
        bullets(sentences([*study.notes, *study.pooled.notes])),
    )
