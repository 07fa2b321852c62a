"""The page that leads to the months' pages."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from spc.pages.blocks import Cell, badge, columns, section, table
from spc.pages.display import count, moment
from spc.pages.html import Html, el, joined, slug
from spc.pages.shell import Page, page_html
from spc.studies.month import Month
from spc.studies.point_state import NO_LIMITS, OUTSIDE, SIGNAL, STEADY


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexEntry:
    """One month's page in the list.

    Parameters
    ----------
    href
        Where the page lies, relative to the list.
    part, revision, name
        The part.
    month
        What the month is called.
    start
        Its first moment, UTC, by which the list is ordered.
    pieces, batches
        Measured in it.
    outside, signals, points
        Check points with a piece outside tolerance, further ones with a signal, and all of them.
    state
        The worst state of its points.
    answer
        The month's first sentence.
    fingerprint
        Of its data.
    """

    href: str
    part: str
    revision: str
    name: str
    month: str
    start: datetime
    pieces: int
    batches: int
    outside: int
    signals: int
    points: int
    state: str
    answer: str
    fingerprint: str


def index_entry(month: Month, href: str) -> IndexEntry:
    """Return the list's entry of a month whose page lies at ``href``."""
    states = [p.state for p in month.points]
    worst = (s for s in (OUTSIDE, SIGNAL, NO_LIMITS, STEADY) if s in states)
    return IndexEntry(
        href=href,
        part=month.plan.part,
        revision=month.plan.revision,
        name=month.plan.name,
        month=month.period.name,
        start=month.period.start.to_pydatetime(),
        pieces=month.pieces,
        batches=len(month.batches),
        outside=states.count(OUTSIDE),
        signals=states.count(SIGNAL),
        points=len(states),
        state=next(worst, NO_LIMITS),
        answer=month.answer[0] if month.answer else "",
        fingerprint=month.fingerprint,
    )


def index_page(entries: Sequence[IndexEntry]) -> str:
    """Return the list of months, part by part, the newest month first."""
    parts = sorted({(e.part, e.revision) for e in entries})
    body = [_part(list(entries), *key) for key in parts]
    none = el("p", "No month has a page yet. Make one with 'spc report MONTH'.")
    return page_html(
        Page(
            title="Reports",
            kicker=_counted(entries),
            body=joined(body or none),
            contents=[(_key(*key), " ".join(key)) for key in parts] if len(parts) > 1 else (),
        )
    )


def _counted(entries: Sequence[IndexEntry]) -> str:
    parts = len({(e.part, e.revision) for e in entries})
    return f"{count(len(entries), 'report')} of {count(parts, 'part')}"


def _key(part: str, revision: str) -> str:
    return f"part-{slug(part)}-{slug(revision)}"


def _part(entries: list[IndexEntry], part: str, revision: str) -> Html:
    mine = [e for e in entries if (e.part, e.revision) == (part, revision)]
    mine.sort(key=lambda e: (e.start, e.href), reverse=True)
    heads = columns("month or period", "state", "pieces#", "batches#", "points outside tolerance#",
                    "points with a signal#", "in short~", "data fingerprint")  # fmt: skip
    rows = [
        (
            Cell(shown=el("a", e.month, href=e.href), value=e.month), badge(e.state), e.pieces,
            e.batches, f"{e.outside} of {e.points}", f"{e.signals} of {e.points}", e.answer,
            Cell(shown=el("span", e.fingerprint[:8], title=e.fingerprint), value=e.fingerprint),
        )
        for e in mine
    ]  # fmt: skip
    newest = moment(mine[0].start)[:7]
    listed = table(
        f"{_key(part, revision)}-months", f"Reports, the newest ({newest}) first", heads, rows,
        marked=[e.state in (OUTSIDE, SIGNAL) for e in mine],
    )  # fmt: skip
    return section(_key(part, revision), f"{part} {revision}, {mine[0].name}", listed)
