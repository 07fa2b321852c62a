"""Spans of a history by date or by batch: '2026-04-01..2026-06-30', 'B01..B12', '2026-10'."""

import re
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.errors import InputError, NotFoundError

_DAY = re.compile(r"[12]\d{3}-\d{2}-\d{2}")
_MONTH = re.compile(r"[12]\d{3}-(0[1-9]|1[0-2])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A period of time, from its first moment up to, not including, its end.

    Parameters
    ----------
    name
        What it is called on a page.
    start, end
        UTC.
    """

    name: str
    start: pd.Timestamp
    end: pd.Timestamp

    @property
    def is_month(self) -> bool:
        """Whether it is a calendar month."""
        return self.start == self.start.normalize().replace(day=1) and (
            self.end == self.start + pd.DateOffset(months=1)
        )

    @property
    def word(self) -> str:
        """Return what it is: 'month' or 'period'."""
        return "month" if self.is_month else "period"

    @property
    def within(self) -> str:
        """Return it for the end of a sentence: 'in October 2026', 'from 2026-09-01 to …'."""
        return f"in {self.name}" if self.is_month else f"from {self.name}"


def month(text: str) -> Period:
    """Return the calendar month 'YYYY-MM', UTC."""
    if not _MONTH.fullmatch(text):
        raise InputError(f"'{text}' is not a month", do="write it as 2026-10")
    start = pd.Timestamp(f"{text}-01")
    return Period(name=f"{start:%B %Y}", start=start, end=start + pd.DateOffset(months=1))


def days_between(first: str, last: str) -> Period:
    """Return the period from one day (or month) to another, both included, UTC."""
    start, end = day(first), day(last)
    after = end + (pd.DateOffset(months=1) if _MONTH.fullmatch(last) else pd.DateOffset(days=1))
    if after <= start:
        raise InputError(f"the period from {first} to {last} ends before it begins",
                         do="turn it round")  # fmt: skip
    whole = Period(name=f"{start:%B %Y}", start=start, end=after)
    if whole.is_month:
        return whole
    until = after - pd.Timedelta("1D")
    return Period(name=f"{start:%Y-%m-%d} to {until:%Y-%m-%d}", start=start, end=after)


def asked_period(month_text: str | None, first: str | None, last: str | None) -> Period:
    """Return the period that somebody asked for: a month, or from one day to another.

    Raises
    ------
    InputError
        Where neither is named, or both, or one day without the other, or what is no date.
    """
    days = first is not None or last is not None
    if month_text is not None and not days:
        return month(month_text)
    if month_text is None and first is not None and last is not None:
        return days_between(first, last)
    if month_text is not None:
        raise InputError(f"both the month {month_text} and days are named", do="name one of them")
    if days:
        raise InputError(f"'{first or last}' is one end of a period", do="name --from and --to")
    raise InputError("no month is named", do="write it as 2026-10, or say --from DAY --to DAY")


def in_span(runs: pd.DataFrame, text: str) -> npt.NDArray[np.bool_]:
    """Return which runs lie in a span given by its first and last day, month or batch.

    Parameters
    ----------
    runs
        Columns measured_at and batch, in the order of time.
    text
        'FIRST..LAST', both included, or one day, month or batch.
    """
    first, dots, last = text.partition("..")
    ends = (first.strip(), (last if dots else first).strip())
    if not all(ends):
        raise InputError(
            f"'{text}' is not a span", do="write FIRST..LAST, with days, months or batches"
        )
    if all(_is_date(end) for end in ends):
        return _in_days(runs, *ends)
    return _in_batches(runs, *ends)


def in_span_of(
    whole: pd.DataFrame, runs: pd.DataFrame, text: str
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Return which of ``runs`` lie in a span of the ``whole`` history that they were taken from.

    A span that ends with a batch of one mould says something of the runs of the others too.
    """
    return np.asarray(runs["run_id"].isin(set(whole["run_id"][in_span(whole, text)])))


def _is_date(text: str) -> bool:
    return bool(_DAY.fullmatch(text) or _MONTH.fullmatch(text))


def _in_days(runs: pd.DataFrame, first: str, last: str) -> npt.NDArray[np.bool_]:
    start, end = day(first), day(last)
    after = end + (pd.DateOffset(months=1) if _MONTH.fullmatch(last) else pd.DateOffset(days=1))
    if after <= start:
        raise InputError(f"the span {first}..{last} ends before it begins", do="turn it round")
    moments = runs["measured_at"]
    return np.asarray((moments >= start) & (moments < after))


def day(text: str) -> pd.Timestamp:
    """Return the first moment of a day or month, UTC; written in no other way than these two.

    A day such as 06/07/2026 is June to some and July to others.
    """
    try:
        if _is_date(text):
            return pd.Timestamp(text if _DAY.fullmatch(text) else f"{text}-01")
    except ValueError:
        pass
    raise InputError(f"'{text}' is not a day", do="write it as 2026-04-01")


def _in_batches(runs: pd.DataFrame, first: str, last: str) -> npt.NDArray[np.bool_]:
    batch = runs["batch"].to_numpy(dtype=object)
    places = []
    for name in (first, last):
        found = np.flatnonzero(batch == name)
        if not found.size:
            raise NotFoundError(f"no batch '{name}' in the history; name a batch or a day")
        places.append(found)
    begin, end = int(places[0].min()), int(places[1].max())
    if end < begin:
        raise InputError(f"batch {first} comes after batch {last}", do="turn the span round")
    return (np.arange(len(batch)) >= begin) & (np.arange(len(batch)) <= end)


def end_of_day(text: str) -> datetime:
    """Return the last moment of a day (or month), UTC."""
    after = pd.DateOffset(months=1) if _MONTH.fullmatch(text) else pd.DateOffset(days=1)
    return (day(text) + after - pd.Timedelta("1us")).to_pydatetime()
