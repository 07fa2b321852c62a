"""Other kinds of chart of one series: batches, subgroups, cumulative sums, and counts."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.counts import count_limits
from spc.errors import InputError
from spc.plan import Plan
from spc.store.connection import Store
from spc.studies.baselines import baseline_of
from spc.studies.chosen_set import past_of
from spc.studies.kind_limits import limits_in_words, without_limits
from spc.studies.kind_panels import (
    Laid,
    Made,
    batch_panels,
    counted,
    cusum_panels,
    range_panels,
    sd_panels,
    step_panels,
    unseen_points,
)
from spc.studies.kind_results import TWO_THIRDS, Fact, KindStudy, Panel, PanelSignal
from spc.studies.limit_sets import limit_sets
from spc.studies.lines import Lines, baseline_lines, with_sets
from spc.studies.moments import BATCH, ChartRows, chart_rows
from spc.studies.order import MEASURED, in_order
from spc.studies.series import all_series, chosen
from spc.studies.sharing import STANDARDISED
from spc.studies.streams import SIGMA, Sharing, Streams, in_streams, narrowed, scaled_values

BATCHES, MEAN_RANGE, MEAN_SD, CUSUM = "batches", "mean-range", "mean-sd", "cusum"
STEPS, COUNTS = "steps", "counts"
KINDS = (BATCHES, MEAN_RANGE, MEAN_SD, CUSUM, STEPS, COUNTS)
#: Name of the series that counts check points outside tolerance on a piece.
OUT_OF_TOLERANCE = "out-of-tolerance"

_MADE: dict[str, Callable[[Laid], Made]] = {
    BATCHES: batch_panels, MEAN_RANGE: range_panels, MEAN_SD: sd_panels, CUSUM: cusum_panels,
    STEPS: step_panels,
}  # fmt: skip


def kind_study(
    store: Store, name: str, kind: str, part: str | None = None, revision: str | None = None, *,
    baseline: str | None = None, mould: str | None = None, cavity: str | None = None,
    order: str = MEASURED, result_set: str = "", by: str = BATCH,
    sharing: Sharing = Sharing(),  # noqa: B008 - frozen
) -> KindStudy:  # fmt: skip
    """Chart one series in another way.

    Frozen limits judge it as far as they hold what the kind needs; a baseline that is named looks
    past them.

    Parameters
    ----------
    store
        An open store.
    name
        The series; for counts ``out-of-tolerance``.
    kind
        ``batches``: means of batches limited by their own variation, their moving range, and the
        spread within. ``mean-range``, ``mean-sd``: means limited by the spread within subgroups
        (batches), which alarms falsely where batches differ by more than that. ``cusum``:
        cumulative sums with a head start. ``steps``: limits that allow for neighbours that hang
        together, and the errors of foretelling each value from the one before. ``counts``: check
        points out of tolerance a piece.
    part, revision, baseline, mould, cavity, order, result_set, by, sharing
        As for a monitor; ``by`` matters to cumulative sums and steps only.
    """
    if kind not in KINDS:
        raise InputError(f"no kind of chart '{kind}'", do=f"use values, {', '.join(KINDS)}")
    if (kind == COUNTS) != (name == OUT_OF_TOLERANCE):
        raise InputError(
            f"kind '{kind}' with series '{name}'",
            do=f"chart {OUT_OF_TOLERANCE} with --kind {COUNTS}, and other series otherwise",
        )
    whole = in_order(past_of(store, part, revision, result_set), order)
    past = narrowed(whole, mould, cavity)
    what = by if kind in (CUSUM, STEPS) else BATCH
    inside, words = baseline_of(past.runs, what, baseline, whole.runs)
    sets = limit_sets(store, past.plan.part, past.plan.revision) if baseline is None else ()
    every = all_series(past)
    series = every if kind == COUNTS else chosen(every, (name,))
    streams = in_streams(past, series, every, inside, sharing, what, sets)
    if kind == COUNTS:
        return _counts(streams, inside, words, sharing, frozen=bool(sets))
    values = scaled_values(streams.series)
    rows = chart_rows(streams.past.runs, values, inside, what)
    sets = sets if sharing.plain else ()
    lines = with_sets(baseline_lines(rows), rows, series.names, sets)
    laid = Laid(past=streams.past, values=values, rows=rows, lines=lines, baseline=words)
    limits = limits_in_words(lines, rows, sets, words)
    return _single(streams, kind, laid, _MADE[kind](laid), limits)


def _counts(
    streams: Streams, inside: npt.NDArray[np.bool_], words: str, sharing: Sharing, *, frozen: bool
) -> KindStudy:
    past = streams.past
    if STANDARDISED in (sharing.moulds, sharing.cavities):
        raise InputError("counts cannot be standardised", do="chart them apart or together")
    out, toleranced = counted(past)
    if not toleranced.any():
        raise InputError("no check point of the plan has a tolerance", do="give tolerances")
    rows = chart_rows(past.runs, out, inside, BATCH)
    total = rows.values[:, 0] * rows.pieces
    found = count_limits(total, rows.pieces, rows.baseline, spans=rows.spans)
    panel = Panel(
        name="check points out of tolerance a piece", unit="points a piece",
        values=found.rate[:, 0], center=np.broadcast_to(found.center, len(rows.labels)),
        lower=found.lower[:, 0], upper=found.upper[:, 0],
    )  # fmt: skip
    facts = (
        Fact(name="dispersion against pure counting", value=float(found.dispersion[0]),
             low=np.nan, high=np.nan, unit=""),
        Fact(name="limits widened by", value=float(found.spread[0]), low=np.nan, high=np.nan,
             unit=""),
    )  # fmt: skip
    notes = [n for n in found.notes if n]
    if frozen:
        notes.append(f"no limits of counts can be frozen: these are from {words}")
    notes += [*unseen_points(past, toleranced), *streams.words_of_one]
    made = Made(panels=(panel,), facts=facts, notes=tuple(notes))
    named = (OUT_OF_TOLERANCE, "check points out of tolerance")
    return _study(past.plan, named, COUNTS, rows, words, f"limits from {words}", made)


def _single(streams: Streams, kind: str, laid: Laid, made: Made, limits: str) -> KindStudy:
    """Return the study of one series; what is no length in mm is not called one."""
    rows, series = laid.rows, streams.series
    said = [*made.notes, *_bare(laid.lines, rows)]
    said += without_limits(laid.lines, rows, "batches" if rows.by == BATCH else "pieces")
    unit = SIGMA if series.units == (SIGMA,) else "mm"
    if series.skewed[0]:
        said.append("charted as its power two thirds, which is close to normal")
        unit = TWO_THIRDS
    if unit == SIGMA:
        said.append("in standard deviations of each piece's own mould or cavity")
    panels = tuple(replace(p, unit=unit if p.unit == "mm" else p.unit) for p in made.panels)
    facts = tuple(replace(f, unit=unit if f.unit == "mm" else f.unit) for f in made.facts)
    whole = Made(panels=panels, facts=facts, notes=(*said, *streams.words_of_one))
    named = (series.names[0], series.spoken[0])
    return _study(laid.past.plan, named, kind, rows, laid.baseline, limits, whole)


def _bare(lines: Lines, rows: ChartRows) -> tuple[str, ...]:
    """Name the moulds that have neither a baseline value nor frozen limits."""
    centered = np.isfinite(lines.center[:, 0])
    bare = set(rows.moulds) - {m for m, c in zip(rows.moulds, centered, strict=True) if c}
    bare -= set(lines.frozen_moulds[0])
    if not bare:
        return ()
    named = " and ".join(sorted(m or "unknown" for m in bare))
    verb = "has" if len(bare) == 1 else "have"
    return (f"mould {named} {verb} no baseline value, so no centre to be charted about",)


def _study(
    plan: Plan, named: tuple[str, str], kind: str, rows: ChartRows, words: str, limits: str,
    made: Made,
) -> KindStudy:  # fmt: skip
    return KindStudy(
        plan=plan, series=named[0], spoken=named[1], kind=kind, labels=rows.labels,
        moulds=rows.moulds, tools=rows.tools, times=rows.times, sizes=rows.pieces,
        in_baseline=rows.baseline, baseline=words, limits=limits, panels=made.panels,
        facts=made.facts,
        signals=tuple(s for panel in made.panels for s in _signals(panel, rows)),
        notes=made.notes,
    )  # fmt: skip


def _signals(panel: Panel, rows: ChartRows) -> list[PanelSignal]:
    return [
        PanelSignal(
            panel=panel.name, mould=rows.moulds[k], label=rows.labels[k],
            at=pd.Timestamp(rows.times[k]).to_pydatetime(), value=float(panel.values[k]),
            limit=float(
                panel.upper[k] if panel.values[k] > panel.upper[k] else panel.lower[k]
            ),
        )
        for k in np.flatnonzero(panel.beyond)
    ]  # fmt: skip
