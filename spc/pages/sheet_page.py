"""A gauge study's run sheet to print and tick off at the arm."""

from spc.pages.blocks import bullets, columns, section, table
from spc.pages.html import joined
from spc.pages.sheet_text import HEADER, design_lines, sheet_rows
from spc.pages.shell import Page, page_html
from spc.studies.gauge_sheet import GaugeSheet


def sheet_page(sheet: GaugeSheet) -> str:
    """Return the page: the runs in order, and under them what the design can tell."""
    part = f"{sheet.plan.part} {sheet.plan.revision}" if sheet.plan is not None else ""
    runs = table(
        "runs",
        f"{len(sheet.rows)} runs in this order; lift the piece off before each, probe "
        f"{sheet.hits} hits a point",
        columns("order#", "day#", "operator", "piece", "set-up#", "station#", "probe#", "study",
                "done"),
        [row[: len(HEADER)] for row in sheet_rows(sheet)],
    )  # fmt: skip
    body = joined([
        section("runs-section", "Runs in order", runs),
        section("design", "What this design can tell", bullets(design_lines(sheet))),
    ])  # fmt: skip
    return page_html(Page(title=f"Gauge study {sheet.study}", body=body, kicker=part))
