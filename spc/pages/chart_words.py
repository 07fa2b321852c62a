"""Words about charts, shared by the pages that show them."""

from collections.abc import Iterator, Sequence

import numpy as np

from spc.pages.blocks import Cell
from spc.pages.display import NONE, count, length, per
from spc.pages.html import Html, el
from spc.pages.reading import OUT, Reading, mould_name, sentence, urgency
from spc.pages.units import unit_of
from spc.studies.lines import EWMA_WIDTH, FEWEST, LAMBDA, WIDTH
from spc.studies.moments import PIECE
from spc.studies.monitor import Monitor
from spc.studies.monitor_words import SETTLED


def row_word(study: Monitor) -> str:
    """Return what one row of the charts is: 'piece' or 'batch'."""
    return "piece" if study.rows.by == PIECE else "batch"


def counted_rows(study: Monitor, rows: int) -> str:
    """Return '1 batch', '3 batches', '3 pieces'."""
    return count(rows, row_word(study), "batches" if row_word(study) == "batch" else None)


def exact(value: float, unit: str, *, signed: bool = True) -> Cell:
    """Return a length given in mm: rounded where it is read, in full where it is saved."""
    saved = repr(value / per(unit)) if np.isfinite(value) else ""
    return Cell(shown=length(value, unit, signed=signed), value=saved)


def in_unit(value: float, unit: str) -> Cell:
    """Return a length that is already in ``unit``, as `exact` does."""
    return exact(value * per(unit), unit)


def said(study: Monitor, found: Sequence[Reading]) -> Iterator[Html]:
    """Return one paragraph a mould, the worst first: its name, then what its chart says."""
    several = len(found) > 1
    for reading in sorted(found, key=urgency):
        head = el("strong", f"{capital(mould_name(reading.mould))}: ") if several else None
        act = "act" if reading.state == OUT else None
        yield el("p", head, sentence(study, reading), class_=act)


def capital(text: str) -> str:
    """Return text with a capital in front."""
    return text[:1].upper() + text[1:]


def tolerance_words(study: Monitor, column: int, drawn: tuple[bool, bool]) -> str:
    """Return where the tolerance lies, and that it is no control limit; empty where none is."""
    unit = unit_of(study, column)
    ends = (float(study.series.lower[column]), float(study.series.upper[column]))
    if not np.isfinite(ends).any():
        return ""
    spoken = between(*ends, unit)
    shown = [side for side, near in zip(("lower", "upper"), drawn, strict=True) if near]
    if shown:
        seen = "hatched ground beyond a thick line"
    else:
        seen = "too far from the values to be in the picture"
    return (
        f"The tolerance of this point is {spoken} {unit} ({seen}). The dashed control limits say "
        "where this process usually lies, not what is allowed."
    )


def between(lower: float, upper: float, unit: str) -> str:
    """Return a tolerance given in mm in words, without the unit's name."""
    low, high = (length(v, unit, signed=True) for v in (lower, upper))
    if np.isnan(lower) and np.isnan(upper):
        return NONE
    if np.isnan(lower):
        return f"at most {high}"
    if np.isnan(upper):
        return f"at least {low}"
    return f"{low} to {high}"


def how_limits(study: Monitor, column: int | None = None) -> tuple[str, ...]:
    """Return how centre and limits were computed, one sentence each.

    Parameters
    ----------
    study
        The charts.
    column
        The series; None for all of them.
    """
    at = list(range(len(study.series.names))) if column is None else [column]
    frozen, skewed = study.frozen[at], study.series.skewed[at]
    sentences = [
        *([] if frozen.all() else _own_limits(study)),
        *([_FROZEN] if frozen.any() else []),
        *_widths(study, at),
        f"Fewer than {FEWEST} baseline values give no limits; up to {SETTLED} they are "
        "provisional.",
    ]
    if skewed.any():
        which = "This figure" if column is not None else "A figure of the fit itself"
        sentences.append(
            f"{which} cannot be below zero, so it is charted as its power two thirds, which is "
            "nearly normal, and shown in its own unit; limits are therefore not symmetrical."
        )
    return tuple(sentences)


_FROZEN = (
    "Frozen limits were worked out once, from a named baseline, and stored with who decided it, "
    "when and why; they judge only what came after they were set."
)


def _own_limits(study: Monitor) -> list[str]:
    stand = (
        f"Limits stand on {study.baseline} (the shaded baseline) and are not computed anew when "
        "later values arrive."
    )
    if any(len(study.rows.tools_of(name)) > 1 for name in set(study.rows.moulds)):
        return [
            stand,
            f"The centre is the mean of the baseline {row_word(study)} values of all moulds that "
            "share the chart.",
            "The standard deviation is the mean jump between neighbouring baseline values of the "
            "chart, of whatever mould, divided by 1.128.",
        ]
    return [
        stand,
        f"The centre is the mean of each mould's own baseline {row_word(study)} values.",
        "The standard deviation is the mean jump between neighbouring baseline values of one "
        "mould, divided by 1.128; it is common to all moulds.",
    ]


def _widths(study: Monitor, at: list[int]) -> list[str]:
    """Return how far limits lie from the centre; a budget of false alarms widens them."""
    known = study.width[:, at][np.isfinite(study.width[:, at])]
    ends = sorted({f"{w:.3g}" for w in (known.min(), known.max())}) if known.size else []
    wider = "" if ends in ([], [f"{WIDTH:g}"]) else ", wider in proportion to the limits"
    return [
        f"Control limits lie {' to '.join(ends) or f'{WIDTH:g}'} standard deviations from the "
        "centre.",
        f"The moving average gives the newest value the weight {LAMBDA:g} and all older ones the "
        f"rest; its limits lie {EWMA_WIDTH:g} of its own standard deviations from the centre"
        f"{wider}.",
    ]


def taken_for_granted(study: Monitor, column: int | None = None) -> tuple[str, ...]:
    """Return what the baseline says of that which the limits take for granted.

    Parameters
    ----------
    study
        The charts.
    column
        The series; None for all of them, and then only what speaks against it.
    """
    if column is None:
        return tuple(f"{g.series}: {words}." for g in study.granted for words in g.words)
    name = study.series.names[column]
    mine = next((g for g in study.granted if g.series == name), None)
    if mine is None:
        return ("The baseline is too short to test what the limits take for granted.",)
    if mine.words:
        return tuple(f"{capital(words)}." for words in mine.words)
    few = ", too few to show much" if mine.n < SETTLED else ""
    return (
        f"Nothing in the baseline ({count(mine.n, 'value')}{few}) speaks against what the limits "
        "take for granted: that neighbours do not hang together, that values are spread normally, "
        "and that moulds spread alike.",
    )


#: How events are drawn.
EVENT_KEY = "Dotted uprights are events; the triangles at the top show their kind."


def key_words(study: Monitor) -> Html:
    """Return how to read the figures, once a page."""
    dot = "a piece" if study.rows.by == PIECE else "the mean of a batch"
    return el(
        "p",
        f"Each dot is {dot}. Dashed lines are the control limits, and the thin solid line between "
        "them is the centre, both worked out from the shaded baseline where there is one. The "
        "violet line is the moving average, slow but sensitive to small lasting moves; stems, "
        "where drawn, are jumps from the one before, and raise no signal. An orange "
        "shape round a dot is a signal, and the key below the figure says of what kind. "
        f"{EVENT_KEY} Hatched ground is outside the tolerance.",
        class_="quiet small",
    )
