"""Writing a month's page, and the index of all that lie in the folder."""

import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from spc.errors import InputError
from spc.pages.index_page import IndexEntry, index_entry, index_page
from spc.pages.json import to_json
from spc.pages.month_page import month_page
from spc.pages.shell import write_page
from spc.studies.month import Month

#: What the index knows of each page; beside the pages, so that the store need not be asked again.
KNOWN = "index.json"


def page_name(study: Month) -> str:
    """Return the page's file name: part, revision and month, safe in any file system."""
    plan = study.plan
    text = f"{plan.part}-{plan.revision}-{study.period.start:%Y-%m}"
    return "".join(c if c.isalnum() or c in "-._" else "_" for c in text) + ".html"


def write_month(study: Month, folder: Path) -> Path:
    """Write the page and the folder's index; return the page's path."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        page = folder / page_name(study)
        write_page(page, month_page(study))
        _write_index(folder, index_entry(study, page.name))
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=str(folder), do="name another folder"
        ) from None
    return page


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
