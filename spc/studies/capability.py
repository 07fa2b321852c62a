"""Capability of check points: given where the chart is stable, refused in words elsewhere."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.capability.indices import Capability, capability
from spc.errors import InputError
from spc.plan import FIT, Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.chosen_set import past_of
from spc.studies.history import History
from spc.studies.lines import FEWEST
from spc.studies.moments import BATCH
from spc.studies.monitor import Monitor, charted
from spc.studies.spans import in_span

#: Batches looked at where no span is named: the newest ones.
LAST_BATCHES = 12
#: Required minimum where none is named (common practice, no published source).
REQUIRED = 1.33
#: Fewest pieces for an index (common practice, no published source).
FEWEST_PIECES = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class PointCapability:
    """One check point; lengths in mm.

    Parameters
    ----------
    point
        Its name.
    lower, upper
        Tolerance; NaN where none.
    n, batches
        Pieces and batches that it stands on.
    mean, sd, smallest, largest
        Of the pieces; ``sd`` is that of a piece of a batch not yet seen.
    stable
        True where its chart over the same span shows no signal.
    cp, cpk, pp, ppk
        Indices; NaN where they are withheld.
    cp_low, cp_high, cpk_low, cpk_high, pp_low, pp_high, ppk_low, ppk_high
        Their intervals.
    outside
        Pieces seen outside the tolerance.
    verdict
        ``shown``, ``not shown``, ``open`` or ``withheld``.
    reason
        The verdict in words.
    """

    point: str
    lower: float
    upper: float
    n: int
    batches: int
    mean: float
    sd: float
    smallest: float
    largest: float
    stable: bool
    cp: float
    cp_low: float
    cp_high: float
    cpk: float
    cpk_low: float
    cpk_high: float
    pp: float
    pp_low: float
    pp_high: float
    ppk: float
    ppk_low: float
    ppk_high: float
    outside: int
    verdict: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilityStudy:
    """Capability of a part's check points over a span.

    Parameters
    ----------
    plan
        The plan.
    span
        The span in words.
    pieces, batches, moulds
        What it stands on.
    required
        The minimum asked for.
    level
        Confidence level of the intervals.
    points
        One entry a check point, in the plan's order.
    remarks
        What the reader must know.
    """

    plan: Plan
    span: str
    pieces: int
    batches: int
    moulds: tuple[str, ...]
    required: float
    level: float
    points: tuple[PointCapability, ...]
    remarks: tuple[str, ...]


def capability_study(
    store: Store,
    part: str | None = None,
    revision: str | None = None,
    *,
    span: str | None = None,
    mould: str | None = None,
    points: tuple[str, ...] = (),
    required: float = REQUIRED,
    result_set: str = "",
) -> CapabilityStudy:
    """Judge check points against their tolerances.

    Parameters
    ----------
    store
        An open store.
    part, revision
        The part.
    span
        Span of batches or days; None for the last batches.
    mould
        Only this mould.
    points
        Only these check points; a fit point is refused.
    required
        The minimum index asked for.
    result_set
        Set of results to judge; empty for the working one.
    """
    past = past_of(store, part, revision, result_set)
    plan = past.plan
    _refuse(plan, points)
    if mould is not None:
        past = past.where(np.asarray(past.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError(f"no piece of mould '{mould}'", do="see 'spc run list' for the moulds")
    inside, words = last_batches(past.runs) if span is None else (in_span(past.runs, span), span)
    past = past.where(inside)
    if past.runs.empty:
        raise InputError("no piece lies in the span", do="widen --span, or name another --mould")
    return judged(past, read.events(store, plan.part), words, points=points, required=required)


def _refuse(plan: Plan, points: tuple[str, ...]) -> None:
    for name in points:
        point = plan.point(name)
        if point is None:
            raise InputError(f"no point '{name}' in the plan", do="see 'spc plan show'")
        if point.role == FIT:
            raise InputError(
                f"'{name}' is a fit point: the fit pulls its deviation towards zero, so an index "
                "of it would flatter",
                do="ask for check points; they are judged after the fit",
            )


def last_batches(
    runs: pd.DataFrame, batches: int = LAST_BATCHES
) -> tuple[npt.NDArray[np.bool_], str]:
    """Return the runs of the newest batches, and that in words."""
    labels = runs["batch"].astype(object).where(runs["batch"] != "", runs["measured_at"].dt.date)
    codes = pd.factorize(labels)[0]
    first = max(0, int(codes.max()) + 1 - batches)
    return codes >= first, f"the last {int(codes.max()) + 1 - first} batches"


def judged(
    past: History,
    events: pd.DataFrame,
    words: str,
    *,
    points: tuple[str, ...] = (),
    required: float = REQUIRED,
) -> CapabilityStudy:
    """Judge the check points of a history that is already cut to its span."""
    if not 0.0 < required < np.inf:
        raise InputError(f"--required {required:g}", do="ask for a number above 0, such as 1.33")
    names = points or tuple(p.id for p in past.plan.check_points)
    at = np.array([past.geometry.names.index(name) for name in names], dtype=np.int64)
    batch = past.runs["mould"].astype(str) + " " + past.runs["batch"].astype(str)
    lower, upper = past.geometry.lower[at], past.geometry.upper[at]
    found = capability(past.deviations[:, at], lower, upper, batch=list(batch))
    chart = charted(past, events, names=names, by=BATCH, baseline=_everything(past))
    return CapabilityStudy(
        plan=past.plan,
        span=words,
        pieces=int(past.runs["piece_id"].nunique()),
        batches=int(batch.nunique()),
        moulds=tuple(sorted(set(past.runs["mould"].astype(str)))),
        required=required,
        level=found.level,
        points=tuple(
            _point(past, found, chart, name, place, int(at[place]), required)
            for place, name in enumerate(names)
        ),
        remarks=_remarks(past, chart),
    )


def _everything(past: History) -> str:
    """Return the span of the whole history: stability is judged within the span itself."""
    days = past.runs["measured_at"].dt.strftime("%Y-%m-%d")
    return f"{days.iloc[0]}..{days.iloc[-1]}"


def _remarks(past: History, chart: Monitor) -> tuple[str, ...]:
    moulds = set(past.runs["mould"])
    said = (
        ["pieces of all moulds are taken together, as a customer gets them; each mould's chart "
         "must be stable"]
        if len(moulds) > 1
        else []
    )  # fmt: skip
    return (*said, *(r for r in chart.remarks if "charted apart" not in r))


def _point(
    past: History, found: Capability, chart: Monitor, name: str, place: int, column: int,
    required: float,
) -> PointCapability:  # fmt: skip
    reason = _why_withheld(found, chart, name, place)
    values = past.deviations[:, column]
    beyond = (values < found.lower[place]) | (values > found.upper[place])
    indices = {key: float(getattr(found, key)[place]) if not reason else np.nan for key in _INDICES}
    verdict, words = ("withheld", reason) if reason else _verdict(found, place, required)
    return PointCapability(
        point=name,
        lower=float(found.lower[place]),
        upper=float(found.upper[place]),
        n=int(found.n[place]),
        batches=int(found.batches[place]),
        mean=float(found.mean[place]),
        sd=float(found.sd_overall[place]),
        smallest=float(found.smallest[place]),
        largest=float(found.largest[place]),
        stable=not any(s.series == name for s in chart.signals),
        outside=int(beyond.sum()),
        verdict=verdict,
        reason=words,
        **indices,
    )


_INDICES = tuple(
    f"{key}{end}" for key in ("cp", "cpk", "pp", "ppk") for end in ("", "_low", "_high")
)


def _why_withheld(found: Capability, chart: Monitor, name: str, place: int) -> str:
    """Return why no index may be given, or an empty text."""
    if np.isnan(found.lower[place]) and np.isnan(found.upper[place]):
        return "the plan gives no tolerance"
    if found.n[place] < FEWEST_PIECES:
        return (
            f"{found.n[place]} pieces; an index needs {FEWEST_PIECES}, so only the range is given"
        )
    if chart.n_baseline[place] < FEWEST:
        return (
            f"{chart.n_baseline[place]} batches are too few to tell whether the process is "
            f"stable; {FEWEST} are needed"
        )
    if chart.notes[place].startswith("no limits"):
        return chart.notes[place]
    mine = [s for s in chart.signals if s.series == name]
    if mine:
        first = min(mine, key=lambda s: s.since)
        more = f" and {len(mine) - 1} more" if len(mine) > 1 else ""
        mould = f" of mould {first.mould}" if first.mould else ""
        what = f"{first.rule}{mould} at {first.first}{more}"
        return f"not stable: {what}; an index would foretell nothing"
    if np.isnan(found.ppk[place]):
        return found.note[place] or "the pieces do not vary"
    return ""


def _verdict(found: Capability, place: int, required: float) -> tuple[str, str]:
    """Judge the required minimum on the lower bound of Ppk."""
    low, high = float(found.ppk_bound[place]), float(found.ppk_upper_bound[place])
    n, batches = int(found.n[place]), int(found.batches[place])
    stands_on = f"{n} pieces of {batches} batches"
    if low >= required:
        return "shown", f"at least {required:g} is shown by {stands_on}"
    if high < required:
        return "not shown", f"below {required:g}, on {stands_on}"
    return "open", f"{stands_on} neither show nor rule out {required:g}"
