"""Streams: which pieces share a chart, by mould and by cavity."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError
from spc.studies.arrays import Array
from spc.studies.history import History
from spc.studies.limit_sets import LimitSet
from spc.studies.moments import MOULD
from spc.studies.series import SeriesSet
from spc.studies.sharing import (
    APART,
    MOULDS,
    STANDARDISED,
    TOGETHER,
    Comparison,
    compared,
    in_words,
    words_of,
)

AUTO = "auto"
#: Between the name of a mould and that of its cavity, where cavities are charted apart.
CAVITY = " cavity "
UNKNOWN = "unknown"
#: Unit of a value that is counted in its own group's standard deviations.
SIGMA = "sigma"
#: Fewest baseline pieces by which a group is standardised (common practice, no published source).
FEWEST_PIECES = 8
#: More moulds than this are not all named in the name of their chart.
NAMED = 4

Names = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharing:
    """How moulds and cavities share charts.

    Parameters
    ----------
    moulds
        ``apart``, ``together``, or ``standardised``: one chart of all moulds, each piece as its
        distance from its own mould's centre in its own standard deviations.
    cavities
        The same for the cavities of a mould; ``auto`` for apart where the baseline tells them
        apart, and together elsewhere.
    """

    moulds: str = APART
    cavities: str = AUTO

    @property
    def plain(self) -> bool:
        """Whether a chart holds plain values of one mould or cavity, as frozen limits do."""
        return self.moulds == APART and self.cavities != STANDARDISED


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Streams:
    """A history whose runs are named by the chart that they are on.

    Parameters
    ----------
    past
        The history; its column ``mould`` names the chart, and another keeps the mould.
    series
        The series, standardised where that was asked for.
    comparisons
        What the baseline says of moulds and cavities that might share a chart.
    said
        What else must be said.
    """

    past: History
    series: SeriesSet
    comparisons: tuple[Comparison, ...] = ()
    said: tuple[str, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """What charts say of all this."""
        return (*(one.words for one in self.comparisons), *self.said)

    @property
    def words_of_one(self) -> tuple[str, ...]:
        """What the chart of one series says: that moulds are apart goes without saying there."""
        told = [one for one in self.comparisons if (one.of, one.charted) != (MOULDS, APART)]
        return (*(one.words for one in told), *self.said)


def in_streams(
    past: History, series: SeriesSet, every: SeriesSet, inside: npt.NDArray[np.bool_],
    sharing: Sharing, by: str, sets: tuple[LimitSet, ...] = (),
) -> Streams:  # fmt: skip
    """Name each run by its chart, and say whether the data support it.

    Parameters
    ----------
    past
        The runs.
    series, every
        The series charted, and all those by which moulds and cavities are compared: a series
        looked at alone is then on the same charts as among the others.
    inside
        (runs,), the baseline.
    sharing
        What was asked for.
    by, sets
        Frozen limits of charts by piece or batch: cavities stay as they were frozen.
    """
    if MOULD in past.runs:  # named before, for a cavity that was asked for
        return Streams(past=past, series=series)
    moulds = past.runs["mould"].astype(str).to_numpy(dtype=object)
    scaled = scaled_values(every)
    groups, found, said = _by_cavity(past, scaled, every, inside, sharing.cavities, by, sets)
    if len(set(moulds) - {""}) > 1:
        one = compared(past.runs, moulds, scaled, inside, every, None, past.plan.unit)
        found.append(
            replace(one, charted=sharing.moulds, words=words_of(one, sharing.moulds, False))
        )
    if STANDARDISED in (sharing.moulds, sharing.cavities):
        series, lost = _standardised(series, groups, inside)
        said += [*lost, *(["frozen limits judge plain values, not these"] if sets else [])]
    elif sharing.moulds == TOGETHER and sets:
        said.append("frozen limits are those of single moulds, and judge no chart of them together")
    named = _named(past, moulds, _charts(moulds, groups, sharing))
    return Streams(past=named, series=series, comparisons=tuple(found), said=tuple(said))


def scaled_values(series: SeriesSet) -> Array:
    """Return (runs, series) in the charted scale."""
    return np.where(series.skewed, np.cbrt(series.values**2), series.values)


def _by_cavity(
    past: History, scaled: Array, every: SeriesSet, inside: npt.NDArray[np.bool_], asked: str,
    by: str, sets: tuple[LimitSet, ...],
) -> tuple[Names, list[Comparison], list[str]]:  # fmt: skip
    """Return each run's mould, or its cavity where cavities have each a centre of their own."""
    moulds = past.runs["mould"].astype(str).to_numpy(dtype=object)
    cavities = cavities_of(past.runs)
    groups, found, said = moulds.copy(), [], []
    for mould in sorted(set(moulds)):
        mine = moulds == mould
        own = cavities[mine]
        known = len(set(own) - {""})
        form, frozen = asked, ""
        if known > 1:
            one = compared(
                past.runs[mine], own, scaled[mine], inside[mine], every, mould, past.plan.unit
            )
            if asked == AUTO:
                frozen = _frozen_form(sets, by, mould)
                form = frozen or (APART if one.differ else TOGETHER)
            words = words_of(one, form, bool(frozen))
            found.append(replace(one, charted=form, words=words))
        if form in (APART, STANDARDISED) and known and len(set(own)) > 1:
            groups[mine] = [stream_name(mould, cavity) for cavity in own]
            said += _unnamed(mould, int((own == "").sum()))
    return groups, found, said


def cavities_of(runs: pd.DataFrame) -> Names:
    """Return the cavity of each run, empty where unknown."""
    if "cavity" not in runs:
        return np.full(len(runs), "", dtype=object)
    return runs["cavity"].fillna("").astype(str).to_numpy(dtype=object)


def stream_name(mould: str, cavity: str) -> str:
    """Return the name of the chart of one cavity of a mould."""
    return f"{mould or UNKNOWN}{CAVITY}{cavity or UNKNOWN}"


def stream_names(runs: pd.DataFrame, known: set[str]) -> Names:
    """Return the chart of each run, among those that there are: of its cavity, or of its mould."""
    moulds = runs["mould"].astype(str).to_numpy(dtype=object)
    own = [stream_name(m, c) for m, c in zip(moulds, cavities_of(runs), strict=True)]
    return np.array(
        [name if name in known else m for name, m in zip(own, moulds, strict=True)], dtype=object
    )


def narrowed(whole: History, mould: str | None, cavity: str | None) -> History:
    """Return the runs of one mould, one cavity, or both, where these are named.

    Raises
    ------
    InputError
        Where none is left.
    """
    past = whole if mould is None else whole.where(np.asarray(whole.runs["mould"] == mould))
    if past.runs.empty:
        raise InputError(f"no run of mould '{mould}' to chart", do="name another --mould")
    return past if cavity is None else one_cavity(past, cavity)


def one_cavity(past: History, cavity: str) -> History:
    """Return the runs of one cavity, on a chart of its own whatever the others are on.

    Raises
    ------
    InputError
        Where there is none of that name.
    """
    mine = cavities_of(past.runs) == cavity
    if not mine.any():
        known = ", ".join(sorted(set(cavities_of(past.runs)) - {""})) or "none"
        raise InputError(f"no run of cavity '{cavity}'", do=f"there is {known}")
    kept = past.where(np.asarray(mine))
    moulds = kept.runs["mould"].astype(str).to_numpy(dtype=object)
    names = np.array([stream_name(mould, cavity) for mould in moulds], dtype=object)
    return _named(kept, moulds, names)


def _unnamed(mould: str, pieces: int) -> list[str]:
    if not pieces:
        return []
    whose = "piece names" if pieces == 1 else "pieces name"
    return [
        f"{pieces} {whose} no cavity of mould {mould or UNKNOWN}: kept apart from those that do, "
        f"as '{stream_name(mould, '')}'"
    ]


def _frozen_form(sets: tuple[LimitSet, ...], by: str, mould: str) -> str:
    """Return how the cavities of a mould stood when its newest limits were frozen."""
    head = stream_name(mould, "x")[:-1]
    mine = [s for s in sets if s.by == by and (s.mould == mould or s.mould.startswith(head))]
    if not mine:
        return ""
    return TOGETHER if max(mine, key=lambda s: s.decided_at).mould == mould else APART


def _standardised(
    series: SeriesSet, groups: Names, inside: npt.NDArray[np.bool_]
) -> tuple[SeriesSet, list[str]]:
    """Return each piece about its own group's baseline mean, in its standard deviations."""
    x, z, lost = scaled_values(series), np.full(series.values.shape, np.nan), []
    for name in sorted(set(groups)):
        mine = groups == name
        base = x[mine & inside]
        there = np.isfinite(base)
        n = there.sum(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):  # nothing there: NaN
            mean = np.where(there, base, 0.0).sum(axis=0) / n
            sd = np.sqrt((np.where(there, base - mean, 0.0) ** 2).sum(axis=0) / (n - 1))
        usable = (n >= FEWEST_PIECES) & (sd > 0)
        z[mine] = (x[mine] - np.where(usable, mean, np.nan)) / np.where(usable, sd, np.nan)
        if not usable.any():
            known, pieces = int(n.max(initial=0)), int(mine.sum())
            lost.append(
                f"{name or UNKNOWN}: {known} baseline piece{'s' * (known != 1)}, {FEWEST_PIECES} "
                f"are needed to standardise by; its {pieces} "
                f"{'piece is' if pieces == 1 else 'pieces are'} not on the chart"
            )
    nothing = np.full(len(series.names), np.nan)
    return replace(
        series, values=z, skewed=np.zeros(len(series.names), dtype=bool), lower=nothing,
        upper=nothing, units=(SIGMA,) * len(series.names),
    ), lost  # fmt: skip


def _charts(moulds: Names, groups: Names, sharing: Sharing) -> Names:
    """Return the name of each run's chart."""
    if sharing.moulds == APART:
        return moulds if sharing.cavities in (STANDARDISED, TOGETHER) else groups
    names = sorted(set(_spoken(moulds)))
    shared = in_words(names) if len(names) <= NAMED else f"all {len(names)}"
    return np.full(len(moulds), shared, dtype=object)


def _spoken(moulds: Names) -> Names:
    return np.array([mould or UNKNOWN for mould in moulds], dtype=object)


def _named(past: History, moulds: Names, names: Names) -> History:
    changed = names != moulds
    if not changed.any():
        return past
    clash = set(names[changed]) & set(moulds[~changed])
    if clash:
        raise InputError(
            f"mould '{min(clash)}' has the name that a cavity's chart would get",
            do="use --cavities together",
        )
    return replace(past, runs=past.runs.assign(**{"mould": names, MOULD: moulds}))
