"""A gauge study's run sheet, for the terminal and as rows of a table."""

from math import isfinite

from spc.gauge.power import Width
from spc.pages.display import NONE, count, length, number, share
from spc.pages.text import table
from spc.studies.gauge_sheet import GaugeSheet

#: Figures in words.
WORDS = {
    "hit": "probing", "setup": "set-up", "operator_piece": "operator x piece",
    "operator": "operator", "piece": "piece", "gauge": "gauge",
    "of_study": "share of study variation", "of_tolerance": "share of tolerance",
}  # fmt: skip
HEADER = ("order", "day", "operator", "piece", "setup", "station", "probe", "study", "done")


def sheet_rows(sheet: GaugeSheet) -> list[tuple[str, ...]]:
    """Return the runs as text, with an empty box for 'done'."""
    return [
        (str(r.order), str(r.day), r.operator, r.piece, str(r.setup), str(r.station), str(r.probe),
         r.study, "")
        for r in sheet.rows
    ]  # fmt: skip


def sheet_text(sheet: GaugeSheet) -> str:
    """Return what the design can tell, how sure it will be, and the first runs."""
    first = [row[:-2] for row in sheet_rows(sheet)[:12]]
    more = len(sheet.rows) - len(first)
    return "\n".join([
        f"Study {sheet.study}: {sheet.expected.counts.in_words()}, "
        f"{count(len(sheet.rows), 'run')}, order by seed {sheet.seed}",
        *design_lines(sheet),
        "",
        "What to expect, in mm:",
        table(("figure", "assumed", "interval expected", "estimates lie", "comes out zero"),
              [_width(w) for w in sheet.expected.widths if isfinite(w.truth)], " rrrr"),
        *_power(sheet),
        "",
        table(HEADER[:-2], first, "rr  rrr"),
        *([f"and {more} more runs; save them with --csv or --page"] if more > 0 else []),
    ])  # fmt: skip


def _power(sheet: GaugeSheet) -> list[str]:
    """Return the chances that the study settles whether the gauge can sort; nothing without one."""
    shown, not_shown = sheet.expected.sort_shown, sheet.expected.sort_not_shown
    if not isfinite(shown):
        return []
    rest = max(0.0, 1.0 - shown - not_shown)
    return [
        "were this so, the study would show that the gauge can sort to this tolerance with a "
        f"chance of {share(shown)}, that it cannot with {share(not_shown)}, and settle nothing "
        f"with {share(rest)}"
    ]


def design_lines(sheet: GaugeSheet) -> list[str]:
    """Return what the design separates and what it cannot, in sentences."""
    lines = [
        f"separates: {', '.join(sheet.separates)}",
        *(f"cannot tell: {text}" for text in sheet.merged),
        *(f"note: {text}" for text in sheet.notes),
        f"spread assumed from {sheet.assumed_from}",
    ]
    if sheet.shorter is not None:
        lines.append(
            f"shorter would do: {sheet.shorter.counts.in_words()}, "
            f"{count(sheet.shorter.counts.runs, 'run')}, answers the same, with no interval more "
            "than a quarter wider"
        )
    return lines


def _width(width: Width) -> tuple[str, ...]:
    def figure(value: float) -> str:
        if width.name.startswith("of_"):
            return share(value)
        return length(value)

    low, high = figure(width.low), figure(width.high)
    return (
        WORDS.get(width.name, width.name), figure(width.truth),
        NONE if NONE in (low, high) else f"{low} to {high}",
        f"{figure(width.estimate_low)} to {figure(width.estimate_high)}",
        f"{number(100 * width.zero, 0)} %",
    )  # fmt: skip
