"""A baseline proposed: the longest stretch without a change, and what it would leave out."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.charts.baseline import Proposal, propose_baseline
from spc.errors import InputError
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.baselines import baseline_of
from spc.studies.chosen_set import past_of
from spc.studies.limit_sets import limit_sets
from spc.studies.moments import BATCH, ChartRows, chart_rows, labels_of
from spc.studies.series import all_series
from spc.studies.shared_changes import Again, propose_again
from spc.studies.streams import AUTO, CAVITY, UNKNOWN, Sharing, Streams, in_streams


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A batch or piece of the stretch that might be left out, if a cause is found.

    Parameters
    ----------
    label, at
        Which.
    series
        The series at which it stands out.
    reason
        What it did.
    """

    label: str
    at: datetime
    series: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change of level found in the history.

    Parameters
    ----------
    label, at
        The first batch or piece after it.
    series
        The series at which it stands out.
    p
        Its probability if nothing had changed.
    seen_in
        Mould in which it was found, where this one was asked for it there and then; empty where it
        stands out by itself.
    event
        The last event before it that concerns the mould; nearest is not cause.
    """

    label: str
    at: datetime
    series: tuple[str, ...]
    p: float
    seen_in: str
    event: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MouldProposal:
    """The stretch proposed for one mould.

    Parameters
    ----------
    mould
        The mould.
    first, last
        First and last batch or piece of it.
    since, until
        Their times, UTC.
    n
        How many there are.
    left_out, changes
        Candidates to leave out, and the changes that bound the stretches.
    note
        What to beware of.
    """

    mould: str
    first: str
    last: str
    since: datetime
    until: datetime
    n: int
    left_out: tuple[LeftOut, ...]
    changes: tuple[Change, ...]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineProposal:
    """A baseline proposed for a part.

    Parameters
    ----------
    plan
        The plan.
    by
        batch or piece.
    moulds
        One proposal a mould.
    span
        Days that lie in the stretches of all moulds, as ``--baseline`` takes them; empty where
        there are none in common.
    common
        Batches or pieces of all moulds in these days: what limits would stand on.
    remarks
        Whether the cavities of a mould are looked at apart, and why.
    """

    plan: Plan
    by: str
    moulds: tuple[MouldProposal, ...]
    span: str
    common: int
    remarks: tuple[str, ...]


def propose(
    store: Store, part: str | None = None, revision: str | None = None, *, by: str = BATCH,
    mould: str | None = None, cavities: str = AUTO,
) -> BaselineProposal:  # fmt: skip
    """Propose a baseline from the fit's figures, its modes and the check points, mould by mould.

    Cavities are looked at as they are charted: ``apart`` or ``together``, or ``auto`` for apart
    where the usual baseline tells them apart, or their limits were frozen so.
    """
    past = past_of(store, part, revision)
    if mould is not None and mould not in set(past.runs["mould"]):
        raise InputError(f"no run of mould '{mould}'", do="name another")
    series = all_series(past)
    sets = limit_sets(store, past.plan.part, past.plan.revision)
    streams = in_streams(
        past, series, series, baseline_of(past.runs, by, None)[0], Sharing(cavities=cavities), by,
        sets,
    )  # fmt: skip
    past = streams.past
    columns = np.flatnonzero(~series.fit_point)
    scaled = np.where(series.skewed, np.cbrt(series.values**2), series.values)[:, columns]
    rows = chart_rows(past.runs, scaled, np.ones(len(past.runs), dtype=bool), by)
    names = tuple(series.names[k] for k in columns)
    events = read.events(store, past.plan.part)
    charts = [np.flatnonzero(rows.spans == span) for span in np.unique(rows.spans)]
    first = [propose_baseline(rows.values[at]) for at in charts]
    found = tuple(
        _one(rows, at, names, events, propose_again(rows, charts, first, number))
        for number, at in enumerate(charts)
        if mould is None or rows.tools[at[0]] == mould
    )
    # The few pieces that name no cavity, kept apart from those that do, bound nobody else's days.
    known = tuple(one for one in found if not one.mould.endswith(f"{CAVITY}{UNKNOWN}")) or found
    span = _common(known, past.runs, labels_of(past.runs, by))
    return BaselineProposal(
        plan=past.plan, by=by, moulds=found, span=span,
        common=_within(rows, {one.mould for one in known}, past.runs, span),
        remarks=_remarks(streams, mould),
    )  # fmt: skip


def _remarks(streams: Streams, mould: str | None) -> tuple[str, ...]:
    """Return what is said of the cavities, where one mould is asked for of its own alone."""
    others = {one.words for one in streams.comparisons if mould not in (None, one.mould)}
    return tuple(text for text in streams.words_of_one if text not in others)


def _within(rows: ChartRows, moulds: set[str], runs: pd.DataFrame, span: str) -> int:
    """Return how many rows of these charts lie in a span with all of their pieces."""
    if not span:
        return 0
    since, until = (pd.Timestamp(one) for one in span.split(".."))
    inside = (runs["measured_at"] >= since) & (runs["measured_at"] < until + pd.Timedelta("1D"))
    of = chart_rows(runs, np.zeros((len(runs), 1)), inside.to_numpy(), rows.by)
    mine = np.array([one in moulds for one in of.moulds])
    return int((of.baseline & mine).sum())


def _one(
    rows: ChartRows, at: npt.NDArray[np.int64], names: tuple[str, ...], events: pd.DataFrame,
    again: Again,
) -> MouldProposal:  # fmt: skip
    found, mould, tool = again.proposal, rows.moulds[at[0]], rows.tools[at[0]]
    kept = at[found.start : found.stop]
    mine = events[events["mould"].isin(["", tool])]
    own = [_change(rows, at, b.run, b.points, b.p, "", names, mine) for b in again.breaks]
    own += [
        _change(rows, at, c.run, c.points, c.p, c.mould or "unknown", names, mine)
        for c in again.changes
    ]
    return MouldProposal(
        mould=mould, first=rows.labels[kept[0]], last=rows.labels[kept[-1]],
        since=_time(rows, kept[0]), until=_time(rows, kept[-1]), n=found.n,
        left_out=_left_out(rows, at, found, names), changes=tuple(sorted(own, key=lambda c: c.at)),
        note=found.note,
    )  # fmt: skip


def _time(rows: ChartRows, at: int) -> datetime:
    return pd.Timestamp(rows.times[at]).to_pydatetime()


def _left_out(
    rows: ChartRows, at: npt.NDArray[np.int64], found: Proposal, names: tuple[str, ...]
) -> tuple[LeftOut, ...]:
    return tuple(
        LeftOut(
            label=rows.labels[at[c.run]], at=_time(rows, at[c.run]),
            series=tuple(names[k] for k in c.points), reason=c.reason,
        )
        for c in found.candidates
    )  # fmt: skip


def _change(
    rows: ChartRows, at: npt.NDArray[np.int64], run: int, points: tuple[int, ...], p: float,
    seen_in: str, names: tuple[str, ...], events: pd.DataFrame,
) -> Change:  # fmt: skip
    when = _time(rows, at[run])
    before = events[
        (events["happened_at"] <= when)
        & (events["happened_at"] > when - pd.Timedelta("21D"))
        & (events["kind"] != "arm check")
    ]
    event = ""
    if len(before):
        event = f"{before['kind'].iloc[-1]}: {before['note'].iloc[-1]}".rstrip(": ")
    return Change(
        label=rows.labels[at[run]], at=when, series=tuple(names[k] for k in points), p=p,
        seen_in=seen_in, event=event,
    )  # fmt: skip


def _common(found: tuple[MouldProposal, ...], runs: pd.DataFrame, labels: "pd.Series[str]") -> str:
    """Return the days in all stretches, to the last run of a batch that took more than one."""
    ends = [
        runs["measured_at"][(runs["mould"] == f.mould) & (labels == f.last)].max() for f in found
    ]
    since, until = max(pd.Timestamp(f.since) for f in found), min(ends)
    return f"{since:%Y-%m-%d}..{until:%Y-%m-%d}" if since <= until else ""
