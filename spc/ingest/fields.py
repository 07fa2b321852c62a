"""Text fields into numbers and times; the first bad one is named with its row and column."""

import re
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from spc.errors import InputError

# Digits of other scripts are digits to Python but not to pandas.
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}|$)")
#: A time to the second or microsecond with its offset; and from how many on they go together.
_PLAIN = (
    r"^(?:198[1-9]|199[0-9]|20[0-9]{2})-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,6})?"
    r"(Z|[+-][0-9]{2}:[0-9]{2})\Z"
)
_MANY = 1000
_ZONE = re.compile(r"(Z|[+-]\d\d:?\d\d)$")

#: Years in which a portable arm can have measured; other ones are fillers, such as 0001 or 1899, or
#: the first day of a clock that was never set, in 1904, 1970 or 1980.
YEARS = range(1981, 2100)
#: No part and no arm reaches a kilometre, mm: such a length is a filler for a missing one.
LARGEST_LENGTH = 1e6
#: Hits of a point are counted on two hands; such a number is none of them.
LARGEST_WHOLE = 1_000_000


def numbers(
    fields: pd.Series, lines: pd.Series, *, file: str, decimal: str = ".", needed: bool = False
) -> "pd.Series[float]":
    """Return finite floats, NaN where a field is empty.

    Raises
    ------
    InputError
        At the first field that is no plain finite number, or is empty where it is needed.
    """
    column = str(fields.name)
    # A point between decimal commas marks thousands or an error; 1.234 could be meant either way.
    text = fields.str.translate(_COMMA) if decimal == "," else fields
    empty = text == ""
    good = text.map(lambda field: _NUMBER.fullmatch(field) is not None) | empty
    # Not by pandas' own conversion, which is off by the last bit now and then.
    values = pd.Series(
        [float(one) if plain else np.nan for one, plain in zip(text, good & ~empty, strict=True)],
        index=fields.index, name=fields.name, dtype=np.float64,
    )  # fmt: skip
    bad = ~good | (needed & empty) | np.isinf(values)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise InputError(
            "empty where a number belongs"
            if empty.iloc[at]
            else f"'{fields.iloc[at]}' where a number belongs",
            file=file,
            row=int(lines.iloc[at]),
            column=column,
            do="give the number, or leave the row out if it was not measured"
            if empty.iloc[at]
            else _number_hint(str(fields.iloc[at]), decimal),
        )
    return values


_COMMA = str.maketrans({",": ".", ".": "\0"})
#: Characters that steer a terminal, or break a line of a table in two; no name holds them.
STEERS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


def refuse_controls(fields: pd.Series, lines: pd.Series, *, file: str) -> None:
    """Refuse names that hold line breaks or other control characters.

    Raises
    ------
    InputError
        At the first one.
    """
    found = {field for field in fields.unique() if STEERS.search(str(field))}
    if found:
        raise InputError(
            "a line break or control character in a name",
            file=file,
            row=int(lines[fields.isin(found)].iloc[0]),
            column=str(fields.name),
            do="correct it in the file",
        )


def refuse_steering(name: str, typed: str) -> None:
    """Refuse a name that somebody typed, such as ``--batch``, as one of a file is.

    Raises
    ------
    InputError
        Where it holds line breaks or other control characters.
    """
    if STEERS.search(typed):
        raise InputError(f"a line break or control character in {name}", do="write it without")


def lengths(
    fields: pd.Series, lines: pd.Series, *, file: str, factor: float, decimal: str = ".",
    needed: bool = False,
) -> "pd.Series[float]":  # fmt: skip
    """Return lengths in mm, ``factor`` mm a unit of the file; refuse what no part could have.

    Raises
    ------
    InputError
        As ``numbers`` does, and beyond a kilometre.
    """
    values = numbers(fields, lines, file=file, decimal=decimal, needed=needed)
    bad = values.abs() > LARGEST_LENGTH / factor
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise InputError(
            f"'{fields.iloc[at]}' is more than a kilometre",
            file=file,
            row=int(lines.iloc[at]),
            column=str(fields.name),
            do="leave the row out where nothing was measured, or look at the unit"
            if values.abs().median() < LARGEST_LENGTH / factor / 100.0
            else "most are beyond any arm: a factor of 1000, as where micrometres are taken for "
            "millimetres, or thou for inches?",
        )
    return values * factor


def _number_hint(field: str, decimal: str) -> str:
    if decimal == "," and "." in field:
        return "the file has decimal commas elsewhere; write every number with the same mark"
    if re.fullmatch(r"[+-]?\d+,\d+", field):
        return "a decimal comma needs ';' or a tab between the columns"
    if field.lower() in {"nan", "inf", "-inf", "n/a", "na", "-"}:
        return "leave the row out where nothing was measured"
    return "correct it in the file"


def within(
    fields: pd.Series, lines: pd.Series, *, file: str, decimal: str, least: float, most: float,
    what: str,
) -> "pd.Series[float]":  # fmt: skip
    """Return numbers, NaN where empty; refuse what lies outside of what ``what`` can be.

    Raises
    ------
    InputError
        As ``numbers`` does, and below ``least`` or above ``most``.
    """
    values = numbers(fields, lines, file=file, decimal=decimal)
    bad = (values < least) | (values > most)
    _refuse_first(bad, fields, lines, file, f"is no {what}",
                  "leave the field empty where it is not known")  # fmt: skip
    return values


def _refuse_first(
    bad: "pd.Series[bool]", fields: pd.Series, lines: pd.Series, file: str, what: str, do: str
) -> None:
    """Refuse the first bad field, if there is one, with its row and column."""
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise InputError(
            f"'{fields.iloc[at]}' {what}", file=file, row=int(lines.iloc[at]),
            column=str(fields.name), do=do,
        )  # fmt: skip


def whole_numbers(fields: pd.Series, lines: pd.Series, *, file: str) -> "pd.Series[int]":
    """Return whole numbers from 1; anything else is refused."""
    values = numbers(fields, lines, file=file, needed=True)
    bad = (values != np.floor(values)) | (values < 1) | (values > LARGEST_WHOLE)
    _refuse_first(bad, fields, lines, file, "where a whole number from 1 belongs",
                  "number the hits 1, 2, 3")  # fmt: skip
    return values.astype("int64")


def zone_named(name: str, *, file: str | None = None) -> ZoneInfo:
    """Return the time zone of that name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        # OSError: 'Europe' alone is a folder of zones.
        raise InputError(
            f"unknown time zone '{name}'", file=file, do="use a name such as Europe/Berlin or UTC"
        ) from None


def times(
    fields: pd.Series, lines: pd.Series, *, file: str, zone: str | None
) -> tuple["pd.Series[pd.Timestamp]", "pd.Series[str]"]:
    """Return times in UTC (without a zone, NaT where empty) and the zone that each came in."""
    found = _plain_times(fields)
    if found is not None:
        return found
    first = ~fields.duplicated()
    utc: dict[str, pd.Timestamp | None] = {"": None}
    came_in: dict[str, str] = {"": ""}
    for field, row in zip(fields[first], lines[first], strict=True):
        if field:
            utc[field], came_in[field] = _time(
                field, zone, file=file, row=int(row), column=str(fields.name)
            )
    moments = pd.to_datetime(fields.map(utc)).astype("datetime64[us]")
    return moments, fields.map(came_in)


def _plain_times(
    fields: pd.Series,
) -> tuple["pd.Series[pd.Timestamp]", "pd.Series[str]"] | None:
    """Return times that all are plain and carry their offset; None where each has to be looked at.

    Thousands at once cost far less than one by one.
    """
    if len(fields) < _MANY:
        return None
    offset = fields.str.extract(_PLAIN, expand=False)
    if offset.isna().any():
        return None
    try:
        moments = pd.to_datetime(fields, format="ISO8601", utc=True)
    except ValueError:
        return None
    came_in = offset.astype(str)
    came_in.name = fields.name
    return moments.dt.tz_localize(None).astype("datetime64[us]"), came_in


def _time(
    field: str, zone: str | None, *, file: str, row: int, column: str
) -> tuple[pd.Timestamp, str]:
    if not _DAY.match(field):
        raise InputError(
            f"'{field}' is not a time",
            file=file,
            row=row,
            column=column,
            do="write it as 2026-04-01T08:30:00+02:00",
        )
    try:
        moment = pd.Timestamp(field)
    except ValueError:
        raise InputError(
            f"'{field}' is not a time",
            file=file,
            row=row,
            column=column,
            do="write it as 2026-04-01T08:30:00+02:00",
        ) from None
    if moment.year not in YEARS:
        raise InputError(
            f"'{field}' lies before {YEARS[0]} or after {YEARS[-1]}",
            file=file,
            row=row,
            column=column,
            do="a filler for a time that is not known: leave the field empty",
        )
    if moment.tzinfo is not None:
        offset = _ZONE.search(field)
        return moment.tz_convert("UTC").tz_localize(None), offset.group(1) if offset else ""
    if zone is None:
        raise InputError(
            f"'{field}' has no time zone",
            file=file,
            row=row,
            column=column,
            do="write it with Z or an offset, or say --zone, for example --zone Europe/Berlin",
        )
    return _localised(moment, zone, file=file, row=row, column=column), zone


def _localised(
    moment: pd.Timestamp, zone: str, *, file: str, row: int, column: str
) -> pd.Timestamp:
    """Place a wall-clock time in its zone; an hour that occurs twice or never is refused."""
    try:
        placed = moment.tz_localize(zone_named(zone, file=file))
    except ValueError:
        raise InputError(
            f"'{moment}' occurs twice or never in {zone} (clock change)",
            file=file,
            row=row,
            column=column,
            do="write this time with its offset",
        ) from None
    return placed.tz_convert("UTC").tz_localize(None)
