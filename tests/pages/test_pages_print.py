"""Pages on paper, in a real browser: the short form, the whole one, and nothing cut off."""

import re
from pathlib import Path
from typing import Any

import pytest

from spc.pages.chart_page import chart_page
from spc.pages.drift_page import drift_page
from spc.pages.gauge_page import gauge_page
from spc.pages.month_page import month_page
from spc.pages.shell import write_page
from spc.studies.monitor import Monitor
from spc.studies.month import Month

#: Width of what is printed on a sheet, pixels: A4 less its margins; Letter is wider.
SHEET = 695


@pytest.fixture(scope="module")
def printed(
    tmp_path_factory: pytest.TempPathFactory, browser: Any, october: Month, few: Monitor
) -> dict[str, Path]:
    """Return written pages by name; asked for only where there is a browser."""
    assert october.gauge is not None
    assert october.drift is not None
    folder = tmp_path_factory.mktemp("paper")
    made = {
        "month": month_page(october), "chart": chart_page(few, "hinge-pad-left"),
        "drift": drift_page(october.drift), "gauge": gauge_page(october.gauge),
    }  # fmt: skip
    for name, html in made.items():
        write_page(folder / f"{name}.html", html)
    return {name: folder / f"{name}.html" for name in made}


def sheets(page: Any, size: str) -> int:
    """Return how many sheets a page is printed on."""
    return len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=size)))


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_a_month_prints_on_few_sheets(visit: Any, printed: dict[str, Path], size: str) -> None:
    page = visit(printed["month"]).page
    assert 3 <= sheets(page, size) <= 5


def test_everything_is_printed_where_it_is_asked_for(visit: Any, printed: dict[str, Path]) -> None:
    page = visit(printed["month"]).page
    page.evaluate("window.print = () => { window.asked = document.documentElement.dataset.print; }")
    page.get_by_role("button", name="Print this page with every chart").press("Enter")
    assert page.evaluate("window.asked") == "whole"
    assert sheets(page, "A4") > 20
    # The next print is a short one again, and the page is as it was.
    page.wait_for_timeout(200)
    assert page.locator("#more details[open]").count() == 0
    assert sheets(page, "A4") <= 5


def test_a_chart_that_the_reader_has_opened_is_printed_too(
    visit: Any, printed: dict[str, Path], october: Month
) -> None:
    page = visit(printed["month"]).page
    short = sheets(page, "A4")
    page.locator("#more details summary").nth(4).click()
    on_paper(page)
    assert page.locator("#more details:visible").count() == 1
    assert page.locator("#more details:visible svg.main-svg").count() > 0
    off_paper(page)
    assert sheets(page, "A4") > short


def on_paper(page: Any) -> None:
    """Let the page look as it is printed, at the width of a sheet."""
    page.emulate_media(media="print")
    page.set_viewport_size({"width": SHEET, "height": 1000})
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(300)


def off_paper(page: Any) -> None:
    """Let it look as on the screen again."""
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")


#: What lies beyond the sheet's right edge, and words of figures that lie outside their figure.
CUT = """(width) => {
  const shown = (node) => node.getClientRects().length > 0;
  const wide = [...document.querySelectorAll("main *, header *, footer *")]
    .filter((node) => shown(node) && !node.closest("svg, .js-plotly-plot")
      && node.getBoundingClientRect().right > width + 1)
    .map((node) => `${node.tagName} ${node.textContent.slice(0, 40)}`);
  const words = [...document.querySelectorAll(".js-plotly-plot svg text")].filter(shown)
    .filter((text) => text.textContent.trim()).flatMap((text) => {
      const own = text.getBoundingClientRect();
      const host = text.closest(".plot").getBoundingClientRect();
      const out = own.left < host.left - 1 || own.right > host.right + 1
        || own.top < host.top - 1 || own.bottom > host.bottom + 1;
      return out ? [`${text.closest(".plot").id}: ${text.textContent}`] : [];
    });
  return [...wide, ...words];
}"""


@pytest.mark.parametrize("name", ["month", "chart", "drift", "gauge"])
def test_nothing_is_cut_off_on_paper(visit: Any, printed: dict[str, Path], name: str) -> None:
    page = visit(printed[name]).page
    on_paper(page)
    assert page.locator(".js-plotly-plot:visible").count() > 0
    assert page.evaluate(CUT, SHEET) == []
    off_paper(page)


def test_what_a_customer_needs_is_on_the_short_print(
    visit: Any, printed: dict[str, Path], october: Month
) -> None:
    page = visit(printed["month"]).page
    on_paper(page)
    text = page.locator("body").inner_text()
    for words in (
        *october.answer, "New signals", "Older signals", "The part", "Capability", "check standard",
        "gauge study", "Limits in force", "How it was computed",
        "Control limits are not tolerances", "Wall thickness", "Prepared", october.fingerprint,
    ):  # fmt: skip
        assert words in text
    rows = page.locator("#points-in-short tbody tr:visible")
    assert rows.count() == len(october.points)
    assert page.locator("#map svg.main-svg").count() > 0
    assert page.locator("#more:visible, .tools:visible, #solid:visible").count() == 0
    off_paper(page)
    assert page.locator("#points-in-short:visible").count() == 0
