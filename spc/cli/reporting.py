"""Writing a month's page with those beside it, and the index of all that lie in the folder."""

import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from spc.cli.progress import Progress
from spc.errors import InputError
from spc.identity import content_hash
from spc.pages.beside import Beside, Place
from spc.pages.chart_page import chart_page
from spc.pages.drift_page import drift_page
from spc.pages.gauge_page import gauge_page
from spc.pages.html import slug
from spc.pages.index_page import IndexEntry, index_entry, index_page
from spc.pages.json import to_json
from spc.pages.month_page import month_page
from spc.pages.shell import figure_library, write_page
from spc.studies.month import Month
from spc.studies.point_state import OUTSIDE, SIGNAL

#: What the index knows of each page; beside the pages, so that the store need not be asked again.
KNOWN = "index.json"
#: The script that draws figures, once for all pages of a folder beside a month's page.
LIBRARY = "figures.js"
#: Letters of a name that go into a file's name.
LONGEST = 80


def page_name(study: Month) -> str:
    """Return the page's file name: part, revision and month, safe in any file system."""
    plan, period = study.plan, study.period
    when = f"{period.start:%Y-%m}" if period.is_month else period.name.replace(" to ", "_")
    return safe(f"{plan.part}-{plan.revision}-{when}") + ".html"


def safe(text: str) -> str:
    """Return text as a file name."""
    return "".join(c if c.isalnum() or c in "-._" else "_" for c in text)


def write_month(study: Month, folder: Path) -> Path:
    """Write the page, those beside it and the folder's index; return the page's path."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        page = folder / page_name(study)
        with Progress() as progress:
            beside = _write_beside(study, page, progress)
            progress.say(f"Writing {page.name}")
            write_page(page, month_page(study, beside))
        _write_index(folder, index_entry(study, page.name))
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=str(folder), do="name another folder"
        ) from None
    return page


def _write_beside(study: Month, page: Path, progress: Progress) -> Beside:
    """Write the pages of gauge study, drift and points with signals, in a folder of their own."""
    folder = page.with_suffix("")
    place = Place(
        fingerprint=study.fingerprint, library=LIBRARY,
        up=(f"../{page.name}", f"{study.plan.name}, {study.period.name}"),
    )  # fmt: skip
    written: list[str] = []

    def put(name: str, html: str) -> str:
        progress.say(f"Writing {folder.name}/{name}")
        write_page(folder / name, html)
        written.append(name)
        return f"{folder.name}/{name}"

    put(LIBRARY, figure_library())
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
