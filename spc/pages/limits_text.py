"""Frozen limits for the terminal."""

from collections.abc import Sequence

from spc.pages.display import NONE, count, length, moment
from spc.pages.text import table
from spc.studies.freezing import Frozen, Retired
from spc.studies.limit_sets import LimitSet


def frozen_text(found: Frozen) -> str:
    """Return what became of a freeze."""
    lines = [f"Froze {count(len(found.sets), 'set')} of limits."]
    if found.known:
        lines.append(f"{count(found.known, 'set')} were frozen before and stay as they are.")
    if found.ended:
        lines.append(
            f"{found.ended} of these judge no more, retired or followed by others: to put these "
            "limits in force again, freeze them with --from DAY."
        )
    lines += _skipped(found.skipped)
    lines += [
        f"note: the baseline itself has a signal: {s.series}, mould {s.mould or NONE}, {s.rule} at "
        f"{s.first}; leave it out only with a cause found"
        for s in found.inside
    ]
    return "\n".join([*lines, *(["", sets_text(found.sets)] if found.sets else [])])


def _skipped(skipped: Sequence[str]) -> list[str]:
    """Return what has no limits, each reason once."""
    by_reason: dict[str, list[str]] = {}
    for text in skipped:
        named, _, reason = text.partition(": ")
        by_reason.setdefault(reason.removeprefix("no limits: "), []).append(named)
    return [
        f"no limits for {'; '.join(named[:6])}"
        + (f" and {len(named) - 6} more" if len(named) > 6 else "")
        + f": {reason}"
        for reason, named in by_reason.items()
    ]


def retired_text(found: Retired) -> str:
    """Return what was retired."""
    return f"Retired {count(found.sets, 'set')}: {', '.join(found.series)}."


def sets_text(sets: Sequence[LimitSet]) -> str:
    """Return sets of limits; lengths in mm."""
    if not sets:
        return "No frozen limits. Freeze some: spc limits freeze --baseline B01..B12 --why ..."
    rows = [
        (
            s.series, s.mould or NONE, s.by, length(s.lower), length(s.upper), str(s.n),
            s.baseline, moment(s.valid_from), "in force" if s.valid_to is None
            else moment(s.valid_to), s.who, s.why,
        )
        for s in sets
    ]  # fmt: skip
    head = ("series", "mould", "by", "lower, mm", "upper, mm", "n", "baseline", "from (UTC)", "to",
            "by whom", "why")  # fmt: skip
    return table(head, rows, "   rrr")
