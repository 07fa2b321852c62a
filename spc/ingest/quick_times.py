"""Times that differ from hit to hit: each is read by the engine, and the earliest of a run is kept.

Only plain ones: ISO 8601 from 1981 to 2099, or by a mapping's format of nothing but numbers.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from spc.ingest.checked import Declared
from spc.ingest.fields import zone_named
from spc.ingest.quick_scan import SAMPLE, Scan, only

#: What the engine calls these two columns.
WALL, ZONE = "wall", "zone"
_EMPTY, _BAD = "empty", "bad"
_MOMENT = (
    "((?:198[1-9]|199[0-9]|20[0-9]{2})-[0-9]{2}-[0-9]{2}[T ]"
    "(?:[01][0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9](?:[.][0-9]{1,6})?)?)"
    "(Z|[+-](?:0[0-9]|1[0-4]):[0-5][0-9])?"
)
#: Parts of a format that are numbers: the digits of each, and what it is in ISO 8601.
_PARTS = {
    "d": "[0-9]{2}", "m": "[0-9]{2}", "Y": "[0-9]{4}", "H": "[0-9]{2}", "M": "[0-9]{2}",
    "S": "[0-9]{2}", "f": "[0-9]{1,6}",
}  # fmt: skip
_BETWEEN = re.compile(r"[-./:,_ T]")


@dataclass(frozen=True, slots=True, kw_only=True)
class HitTimes:
    """How the engine reads the time of a hit.

    Parameters
    ----------
    wall
        Expression for the clock as a moment.
    zone
        Expression for its offset, ``empty`` or ``bad``.
    """

    wall: str
    zone: str


def columns_of_time(declared: Declared, names: Sequence[str]) -> tuple[str, ...]:
    """Return the columns that make up a time; none where there is no time."""
    return declared.moment or (("measured_at",) if "measured_at" in names else ())


def differ_within_runs(scan: Scan, runs: Sequence[str], columns: Sequence[str]) -> bool:
    """Tell whether times differ within runs, by the first rows."""
    if not columns:
        return False
    rows = scan.rows.limit(SAMPLE)
    by, times = (", ".join(map(scan.field, some)) for some in (runs, columns))
    told = rows.aggregate(
        f"count(DISTINCT row({by})) AS runs, count(DISTINCT row({by}, {times})) AS times"
    )
    return bool((told.df()["times"] > told.df()["runs"]).iloc[0])


def hit_times(scan: Scan, declared: Declared, columns: Sequence[str]) -> HitTimes:
    """Return how the engine reads the time of each hit, or give up on how they are written."""
    text = f"trim({scan.field(columns[0])})"
    for column in columns[1:]:
        text = f"trim({text} || ' ' || trim({scan.field(column)}))"
    if declared.time_format:
        text = _in_iso(text, declared.time_format)
    wall = f"TRY_CAST(replace(regexp_extract({text}, '^{_MOMENT}$', 1), ' ', 'T') AS TIMESTAMP)"
    zone = (
        f"CASE WHEN {text} = '' THEN '{_EMPTY}' WHEN regexp_full_match({text}, '{_MOMENT}') "
        f"THEN regexp_extract({text}, '^{_MOMENT}$', 2) ELSE '{_BAD}' END"
    )
    return HitTimes(wall=wall, zone=zone)


def _in_iso(text: str, form: str) -> str:
    """Return the expression for a time written by a format, as ISO 8601."""
    places: dict[str, int] = {}
    pattern, at = "", 0
    while at < len(form):
        part = form[at + 1 : at + 2] if form[at] == "%" else ""
        if part:
            only(part in _PARTS and part not in places)
            places[part] = len(places) + 1
            pattern += f"({_PARTS[part]})"
        else:
            only(_BETWEEN.fullmatch(form[at]) is not None)
            pattern += f"[{form[at]}]"
        at += 2 if part else 1
    only({"d", "m", "Y", "H", "M"} <= set(places) and ("f" not in places or "S" in places))
    wanted = ["Y-", "m-", "dT", "H:", "M", *([":S"] if "S" in places else []),
              *([".f"] if "f" in places else [])]  # fmt: skip
    iso = "".join(re.sub("[dmYHMSf]", lambda p: f"\\{places[p[0]]}", one) for one in wanted)
    return (
        f"CASE WHEN regexp_full_match({text}, '{pattern}') "
        f"THEN regexp_replace({text}, '^{pattern}$', '{iso}') WHEN {text} = '' THEN '' "
        f"ELSE '{_BAD}' END"
    )


def earliest(
    run: npt.NDArray[np.int64], walls: pd.Series, zones: pd.Series, zone: str | None
) -> list[str]:
    """Return the earliest time of each run, the first where several are; empty where it has none.

    Parameters
    ----------
    run
        The run of each hit, from 0.
    walls
        The clock of each hit, NaT where it has no time.
    zones
        The offset of each, as a category.
    zone
        Time zone of those without an offset.
    """
    offsets = [str(one) for one in zones.cat.categories]
    code = zones.cat.codes.to_numpy()
    wall = walls.to_numpy().astype("datetime64[us]")
    kept = ~np.isnat(wall)
    only(bool((kept == (np.array(offsets) != _EMPTY)[code]).all()) and _BAD not in offsets)
    utc = wall - np.array([_offset(one) for one in offsets], dtype="timedelta64[m]")[code]
    bare = kept & (np.array(offsets) == "")[code]
    if bare.any():
        only(zone is not None)
        utc[bare] = _placed(wall[bare], zone or "")
    moment = np.where(kept, utc.astype(np.int64), np.iinfo(np.int64).max)
    best = np.full(int(run.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(best, run, moment)
    at = np.flatnonzero(moment == best[run])
    first = np.empty(len(best), dtype=np.int64)
    first[run[at[::-1]]] = at[::-1]
    texts = np.datetime_as_string(wall[first], unit="us")
    return [
        f"{text}{offsets[c]}" if there else ""
        for text, c, there in zip(texts, code[first], kept[first], strict=True)
    ]


def _offset(text: str) -> int:
    """Return an offset in minutes."""
    if text in ("", "Z", _EMPTY, _BAD):
        return 0
    return (-1 if text[0] == "-" else 1) * (60 * int(text[1:3]) + int(text[4:6]))


def _placed(walls: npt.NDArray[np.datetime64], zone: str) -> npt.NDArray[np.datetime64]:
    """Place clocks in their zone; an hour that occurs twice or never is unusual."""
    told, place = np.unique(walls, return_inverse=True)
    try:
        moments = pd.DatetimeIndex(told).tz_localize(zone_named(zone)).tz_convert("UTC")
    except ValueError:
        only(False)
    return np.asarray(moments.tz_localize(None).to_numpy().astype("datetime64[us]")[place])
