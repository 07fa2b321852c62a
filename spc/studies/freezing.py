"""Freeze limits from a baseline, and retire them; each a row that stays."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spc.charts.sigma import MOVING_RANGE
from spc.errors import InputError
from spc.identity import content_hash
from spc.store import read, write
from spc.store.connection import Store, now
from spc.studies.chart_signals import Signal
from spc.studies.history import production
from spc.studies.limit_sets import FREEZE, PLAIN, RETIRE, TWO_THIRDS, LimitSet, limit_sets
from spc.studies.lines import WIDTH
from spc.studies.monitor import Monitor, charted, touching
from spc.studies.spans import in_span_of
from spc.studies.streams import AUTO, CAVITY, Sharing


@dataclass(frozen=True, slots=True, kw_only=True)
class Frozen:
    """What became of a freeze.

    Parameters
    ----------
    sets
        The sets made.
    known
        Sets that were frozen before with the very same content.
    ended
        How many of those judge no more, since they were retired or followed by others.
    skipped
        Series and mould without limits, each with the reason.
    inside
        Signals within the baseline itself: pieces it may be wrong to learn from.
    """

    sets: tuple[LimitSet, ...]
    known: int
    ended: int
    skipped: tuple[str, ...]
    inside: tuple[Signal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Retired:
    """Sets that were retired.

    Parameters
    ----------
    sets
        How many.
    series
        Their series.
    """

    sets: int
    series: tuple[str, ...]


def freeze(
    store: Store, *, names: tuple[str, ...], baseline: str, by: str, since: str | None, why: str,
    who: str, rules: tuple[str, ...], part: str | None = None, revision: str | None = None,
    mould: str | None = None, cavities: str = AUTO,
) -> Frozen:  # fmt: skip
    """Freeze limits of series (all where none is named) from a baseline.

    Parameters
    ----------
    store
        An open store.
    names
        Series.
    baseline
        Span that the limits stand on.
    by
        piece or batch.
    since
        First day on which they judge; the end of the baseline where None.
    why, who
        The decision.
    rules
        Rules that go with them.
    part, revision, mould
        What they are for.
    cavities
        Whether the cavities of a mould have each limits of their own: ``apart``, ``together``, or
        ``auto`` for what the baseline asks.
    """
    require_reason(why)
    plan = read.plan(store, part, revision)
    whole = production(store, plan)
    past = whole if mould is None else whole.where(np.asarray(whole.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError(f"no run of mould '{mould}'", do="name another")
    chart = charted(
        past, read.events(store, plan.part), names=names or None, by=by, baseline=baseline,
        rules=rules, whole=whole.runs, sharing=Sharing(cavities=cavities),
    )  # fmt: skip
    runs = past.runs[in_span_of(whole.runs, past.runs, baseline)]
    rows, skipped = _rows(chart, runs, since, why, who)
    before = {s.limit_set_id: s for s in limit_sets(store, plan.part, plan.revision)}
    fresh = rows[~rows["limit_set_id"].isin(before)]
    if len(fresh):
        write.append(
            store, {"limit_set": fresh}, action="limits frozen",
            subject=f"{plan.part} {plan.revision}", who=who, why=why, sets=len(fresh),
            baseline=baseline,
        )  # fmt: skip
    made = set(fresh["limit_set_id"])
    ended = [k for k in rows["limit_set_id"] if k in before and before[k].valid_to is not None]
    return Frozen(
        sets=tuple(
            s for s in limit_sets(store, plan.part, plan.revision) if s.limit_set_id in made
        ),
        known=len(rows) - len(fresh),
        ended=len(ended),
        skipped=skipped,
        inside=touching(chart, chart.rows.baseline),
    )


def require_reason(*texts: str) -> None:
    """Refuse a decision without a word why: it would be of no use to whoever reads it later."""
    if not all(text.strip() for text in texts):
        raise InputError("no reason given", do="say it in words")


def _rows(
    chart: Monitor, runs: pd.DataFrame, since: str | None, why: str, who: str
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    rows, skipped = [], []
    moulds = np.array(chart.rows.moulds, dtype=object)
    for column, name in enumerate(chart.series.names):
        for mould in sorted(set(chart.rows.moulds)):
            at = int(np.flatnonzero(moulds == mould)[0])
            if np.isfinite(chart.sigma[at, column]) and np.isfinite(chart.center[at, column]):
                rows.append(_row(chart, runs, name, column, mould, at, since, why, who))
            else:
                reason = chart.notes[column] or "no value of this mould in the baseline"
                skipped.append(f"{name}, mould {mould or 'unknown'}: {reason}")
    return pd.DataFrame(rows, columns=_COLUMNS), tuple(skipped)


def _row(
    chart: Monitor, runs: pd.DataFrame, name: str, column: int, mould: str, at: int,
    since: str | None, why: str, who: str,
) -> dict[str, Any]:  # fmt: skip
    skewed = bool(chart.series.skewed[column])
    center = float(chart.center[at, column])
    valid = pd.Timestamp(since) if since else runs["measured_at"].max() + pd.Timedelta("1us")
    # The same runs may be fitted anew, a point left out: then these are other limits. Nine decimals
    # leave room for the last digits in which computers differ.
    content = [
        chart.plan.part, chart.plan.revision, name, mould, chart.rows.by, str(valid),
        sorted(runs["run_id"]), list(chart.rules), f"{center:.9f}",
        f"{chart.sigma[at, column]:.9f}",
    ]  # fmt: skip
    return {
        "limit_set_id": content_hash("limits", *content), "action": FREEZE,
        "part": chart.plan.part, "revision": chart.plan.revision, "series": name, "mould": mould,
        "unit_of_time": chart.rows.by, "scale": TWO_THIRDS if skewed else PLAIN,
        "center": float(np.cbrt(center**2)) if skewed else center,
        "sigma": float(chart.sigma[at, column]), "sigma_df": float(chart.sigma_df[at, column]),
        "lower": float(chart.lower[at, column]), "upper": float(chart.upper[at, column]),
        "n": int(chart.n_baseline[at, column]), "estimator": MOVING_RANGE, "width": WIDTH,
        "rules": ", ".join(chart.rules), "baseline": chart.baseline,
        "baseline_from": runs["measured_at"].min(), "baseline_to": runs["measured_at"].max(),
        "baseline_runs": content_hash(sorted(runs["run_id"])), "valid_from": valid, "why": why,
        "decided_at": pd.Timestamp(now()), "who": who,
    }  # fmt: skip


_COLUMNS = [
    "limit_set_id", "action", "part", "revision", "series", "mould", "unit_of_time", "scale",
    "center", "sigma", "sigma_df", "lower", "upper", "n", "estimator", "width", "rules", "baseline",
    "baseline_from", "baseline_to", "baseline_runs", "valid_from", "why", "decided_at", "who",
]  # fmt: skip


def retire(
    store: Store, names: tuple[str, ...], *, at: str, why: str, who: str,
    part: str | None = None, revision: str | None = None, mould: str | None = None,
) -> Retired:  # fmt: skip
    """Retire the sets in force of series (all where none is named) from a day on."""
    require_reason(why)
    plan = read.plan(store, part, revision)
    known = limit_sets(store, plan.part, plan.revision)
    chosen = [
        s
        for s in known
        if s.valid_to is None
        and (not names or s.series in names)
        and (mould is None or s.mould == mould or s.mould.startswith(f"{mould}{CAVITY}"))
    ]
    if not chosen:
        raise InputError("no limits in force to retire", do="'spc limits list' shows what there is")
    rows = [
        {
            "limit_set_id": s.limit_set_id, "action": RETIRE, "part": s.part,
            "revision": s.revision, "series": s.series, "mould": s.mould, "unit_of_time": s.by,
            "valid_from": pd.Timestamp(at), "why": why, "decided_at": pd.Timestamp(now()),
            "who": who,
        }
        for s in chosen
    ]  # fmt: skip
    write.append(
        store, {"limit_set": pd.DataFrame(rows)}, action="limits retired",
        subject=f"{plan.part} {plan.revision}", who=who, why=why, sets=len(rows),
    )  # fmt: skip
    return Retired(sets=len(rows), series=tuple(dict.fromkeys(s.series for s in chosen)))


def listed(
    store: Store, part: str | None = None, revision: str | None = None
) -> tuple[LimitSet, ...]:
    """Return every set of a part, in order of validity."""
    plan = read.plan(store, part, revision)
    return limit_sets(store, plan.part, plan.revision)
