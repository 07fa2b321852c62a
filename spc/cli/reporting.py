"""Writing a month's page with those beside it, and the index of all that lie in the folder."""

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from spc.cli.naming import LONGEST, safe
from spc.cli.printing import find_browser, print_page
from spc.cli.progress import Progress
from spc.errors import InputError
from spc.identity import bytes_hash, content_hash
from spc.pages.beside import Beside, Place
from spc.pages.chart_page import chart_page
from spc.pages.drift_page import drift_page
from spc.pages.gauge_page import gauge_page
from spc.pages.html import slug
from spc.pages.index_page import IndexEntry, index_entry, index_page
from spc.pages.json import to_json
from spc.pages.month_page import month_page
from spc.pages.month_text import month_text
from spc.pages.shell import figure_library, write_page
from spc.store.connection import Store
from spc.studies.month import Month, Tell, month_study, silent
from spc.studies.point_state import OUTSIDE, SIGNAL
from spc.studies.spans import Period

#: What the index knows of each page; beside the pages, so that the store need not be asked again.
KNOWN = "index.json"


def page_name(study: Month) -> str:
    """Return the page's file name: part, revision and month, safe in any file system."""
    plan, period = study.plan, study.period
    when = f"{period.start:%Y-%m}" if period.is_month else period.name.replace(" to ", "_")
    return f"{safe(f'{plan.part}-{plan.revision}')}-{when}.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """How a page is printed.

    Parameters
    ----------
    name
        ``A4`` or ``Letter``.
    whole
        True for every chart and table, False for the short form.
    """

    name: str
    whole: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reported:
    """A report written.

    Parameters
    ----------
    page, pdf
        Where the page is, and its print; None where none was asked for.
    month
        What it tells.
    """

    page: Path
    pdf: Path | None
    month: Month


def report(
    store: Store, period: Period, part: str | None, revision: str | None, *, folder: Path,
    baseline: str | None, required: float, shared: bool, paper: Paper | None,
) -> Reported:  # fmt: skip
    """Compute a period's report, write its pages, and print it where ``paper`` is given."""
    # Before anything is written: what cannot be printed is not half done.
    browser = find_browser() if paper else ""
    with Progress() as progress:
        study = month_study(store, period, part, revision, baseline=baseline, required=required,
                            tell=progress.say)  # fmt: skip
        page = write_month(study, folder, shared=shared, tell=progress.say)
        pdf = None
        if paper:
            progress.say(f"Printing {page.stem}.pdf")
            pdf = print_page(browser, page, paper=paper.name, whole=paper.whole)
    return Reported(page=page, pdf=pdf, month=study)


def reported_text(done: Reported) -> str:
    """Return the month's sentences, its findings, and what to open."""
    printed = f"\nPrinted {done.pdf}" if done.pdf else ""
    return month_text(done.month, done.page) + printed


def library_name() -> str:
    """Return the file name of the script that draws figures; another version has another name.

    So that a page written earlier keeps the script that it was made for.
    """
    return f"figures-{bytes_hash(figure_library().encode())[:8]}.js"


def write_month(study: Month, folder: Path, *, shared: bool = False, tell: Tell = silent) -> Path:
    """Write the page, those beside it and the folder's index; return the page's path.

    Parameters
    ----------
    study
        The month.
    folder
        Where the page goes.
    shared
        True to leave the script that draws the figures beside the page, which pages can share.
    tell
        Called with what is being done.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        page = folder / page_name(study)
        library = library_name()
        write_page(folder / library, figure_library())
        beside = _write_beside(study, page, library, tell)
        tell(f"Writing {page.name}")
        write_page(page, month_page(study, beside, library=library if shared else ""))
        _write_index(folder, index_entry(study, page.name))
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=str(folder), do="name another folder"
        ) from None
    return page


def _write_beside(study: Month, page: Path, library: str, tell: Tell) -> Beside:
    """Write the pages of gauge study, drift and points with signals, in a folder of their own."""
    folder = page.with_suffix("")
    place = Place(
        fingerprint=study.fingerprint, library=f"../{library}",
        up=(f"../{page.name}", f"{study.plan.name}, {study.period.name}"),
    )  # fmt: skip
    written: list[str] = []

    def put(name: str, html: str) -> str:
        tell(f"Writing {folder.name}/{name}")
        write_page(folder / name, html)
        written.append(name)
        return f"{folder.name}/{name}"

    gauge, drift = study.gauge, study.drift
    beside = Beside(
        gauge=put(_named("gauge", gauge.study), gauge_page(gauge, place)) if gauge else "",
        drift=put("drift.html", drift_page(drift, place)) if drift else "",
        points={
            s.point: put(_named("point", s.point),
                         chart_page(study.monitor, s.point, place, period=study.period))
            for s in study.points if s.state in (OUTSIDE, SIGNAL)
        },
    )  # fmt: skip
    _take_away(folder, written)
    return beside


def _named(kind: str, name: str) -> str:
    """Return a page's file name; no two names share one, and none is too long to be written."""
    text = slug(name)
    short = text if len(text) <= LONGEST else f"{text[:LONGEST]}-{content_hash('name', name)[:12]}"
    return f"{kind}-{short}.html"


def _take_away(folder: Path, written: list[str]) -> None:
    """Take away pages of an earlier writing that nothing leads to any more."""
    for pattern in ("gauge-*.html", "drift.html", "point-*.html"):
        for path in folder.glob(pattern):
            if path.name not in written:
                path.unlink()


def _write_index(folder: Path, newest: IndexEntry) -> None:
    entries = {e.href: e for e in _known(folder) if (folder / e.href).is_file()}
    entries[newest.href] = newest
    ordered = [entries[name] for name in sorted(entries)]
    write_page(folder / KNOWN, to_json([asdict(e) for e in ordered]))
    write_page(folder / "index.html", index_page(ordered))


def _known(folder: Path) -> list[IndexEntry]:
    path = folder / KNOWN
    if not path.is_file():
        return []
    try:
        return [_entry(row) for row in json.loads(path.read_text(encoding="utf-8"))]
    except (ValueError, TypeError, KeyError):
        # A list that someone else wrote is made anew from the pages to come.
        return []


def _entry(row: dict[str, Any]) -> IndexEntry:
    return IndexEntry(**{**row, "start": datetime.fromisoformat(row["start"])})
