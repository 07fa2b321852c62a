"""Making and saving run sheets from the command line's words."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from spc.cli.options import reader
from spc.errors import InputError
from spc.pages.sheet_page import sheet_page
from spc.pages.sheet_text import HEADER, sheet_rows
from spc.pages.shell import write_page
from spc.pages.tables import write_csv
from spc.studies.gauge_sheet import GaugeSheet, gauge_sheet


def made_sheet(store_path: Path, name: str, asked: Mapping[str, Any]) -> GaugeSheet:
    """Make a sheet; a store is opened where there is one, or where a study is named by --like."""
    said = {**asked, "pieces": _names(asked["pieces"], "piece"),
            "operators": _names(asked["operators"], "operator")}  # fmt: skip
    if not store_path.is_file() and asked["like"] is None:
        return gauge_sheet(None, name, **said)
    with reader(store_path) as store:
        return gauge_sheet(store, name, **said)


def _names(text: str, what: str) -> tuple[str, ...]:
    """Return names from a list of them, or numbered ones from a count."""
    if text.strip().isdigit():
        if not 1 <= int(text) <= 200:
            raise InputError(f"{text} {what}s", do="use 1 to 200")
        return tuple(f"{what}-{k}" for k in range(1, int(text) + 1))
    names = tuple(part.strip() for part in text.split(",") if part.strip())
    if not names:
        raise InputError(f"no {what} is named", do="write names separated by commas, or a number")
    return names


def save_sheet(sheet: GaugeSheet, csv: Path | None, page: Path | None) -> list[Path]:
    """Save the sheet where it was asked for."""
    if csv is not None:
        write_csv(csv, HEADER, sheet_rows(sheet))
    if page is not None:
        write_page(page, sheet_page(sheet))
    return [path for path in (csv, page) if path is not None]
