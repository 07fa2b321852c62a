"""Parts of the month's page: capability against what is asked for, and the gauge study."""

from collections.abc import Iterator

from spc.interval import Interval
from spc.pages.beside import Beside
from spc.pages.blocks import Cell, badge, bullets, columns, fold, table
from spc.pages.display import NONE, against, count, span
from spc.pages.gauge_tables import component_table, group_table, study_words, verdict_table
from spc.pages.html import Html, el
from spc.pages.month_parts import finite, sentences
from spc.studies.capability_points import PointCapability
from spc.studies.month import Month

#: Verdicts, what needs action first.
ORDER = ("not shown", "cannot be shown", "refused", "shown")


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


def gauge_section(month: Month, beside: Beside) -> Iterator[Html | None]:
    """Return what the newest gauge study says of the measuring."""
    yield el("h3", "The gauge study")
    if month.gauge is None:
        yield el("p", *sentences([month.gauge_note]))
        return
    study = month.gauge
    unit = month.plan.unit
    yield el("p", study_words(study, unit))
    yield beside.link(beside.gauge, "The study's own page, with its figures")
    yield verdict_table(study)
    yield group_table(study, unit)
    yield fold("components", "Where the variation comes from", component_table(study, unit))
    yield bullets(sentences([*study.notes, *study.pooled.notes]))
