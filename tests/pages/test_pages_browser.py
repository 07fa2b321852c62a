"""Pages as people meet them: in a browser without a network, on a desk, a phone and on paper."""

import csv
import io
from pathlib import Path
from typing import Any

import pytest

from spc.pages.chart_page import chart_page
from spc.pages.index_page import index_entry, index_page
from spc.pages.month_page import month_page
from spc.pages.shell import write_page
from spc.studies.monitor import Monitor
from spc.studies.month import Month

DESK, PHONE = (1280, 900), (390, 844)


@pytest.fixture(scope="module")
def pages(
    tmp_path_factory: pytest.TempPathFactory, browser: Any, october: Month, few: Monitor
) -> dict[str, Path]:
    """Return written pages by name; asked for only where there is a browser."""
    folder = tmp_path_factory.mktemp("pages")
    made = {
        "month": month_page(october),
        "chart": chart_page(few, "hinge-pad-left"),
        "overview": chart_page(few),
        "index": index_page([index_entry(october, "month.html")]),
    }
    for name, html in made.items():
        write_page(folder / f"{name}.html", html)
    return {name: folder / f"{name}.html" for name in made}


@pytest.mark.parametrize(
    ("name", "size"),
    [("month", DESK), ("month", PHONE), ("chart", PHONE), ("overview", PHONE), ("index", PHONE)],
)
def test_no_page_scrolls_sideways(
    visit: Any, pages: dict[str, Path], name: str, size: tuple[int, int]
) -> None:
    page = visit(pages[name], size).page
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) == 0
    folds = "[...document.querySelectorAll('details:not(.screen)')]"
    page.evaluate(f"{folds}.slice(0, 8).forEach(fold => {{ fold.open = true; }})")
    page.wait_for_timeout(200)
    assert page.evaluate(wide) == 0


def test_figures_are_drawn_with_every_value(
    visit: Any, pages: dict[str, Path], few: Monitor
) -> None:
    page = visit(pages["chart"]).page
    read = page.evaluate(
        "document.getElementById('figure').data.filter(t => t.meta.part === 'values')"
        ".map(t => Array.from(t.y._inputArray || t.y))"
    )
    column = few.series.names.index("hinge-pad-left")
    assert [v for strand in read for v in strand] == pytest.approx(few.values[:, column].tolist())
    assert page.locator("#figure svg .scatterlayer .trace").count() > 10


def test_folded_figures_are_drawn_when_they_are_opened(
    visit: Any, pages: dict[str, Path], few: Monitor
) -> None:
    page = visit(pages["overview"]).page
    assert page.locator("#charts details").count() == len(few.series.names)
    assert page.locator("#charts svg.main-svg").count() == 0
    page.locator("#charts details summary").nth(3).click()
    page.wait_for_selector("#charts details:nth-of-type(4) svg.main-svg")
    assert page.locator("#charts .js-plotly-plot").count() == 1


def test_a_link_opens_the_fold_that_it_leads_to(visit: Any, pages: dict[str, Path]) -> None:
    page = visit(pages["overview"]).page
    link = page.locator("#states tbody a").nth(4)
    target = link.get_attribute("href")
    link.click()
    page.wait_for_selector(f"[id='{target[1:]}'][open] svg.main-svg")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_follow_the_scheme(visit: Any, pages: dict[str, Path], scheme: str) -> None:
    page = visit(pages["chart"], scheme=scheme).page
    ground = page.evaluate("document.getElementById('figure').layout.paper_bgcolor")
    body = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert (ground, body) == {
        "light": ("#ffffff", "rgb(255, 255, 255)"), "dark": ("#11161d", "rgb(17, 22, 29)"),
    }[scheme]  # fmt: skip


def saved(page: Any, button: Any) -> tuple[str, bytes]:
    with page.expect_download() as waiting:
        button.click()
    return waiting.value.suggested_filename, Path(waiting.value.path()).read_bytes()


def test_a_table_is_saved_as_csv(visit: Any, pages: dict[str, Path], october: Month) -> None:
    page = visit(pages["month"]).page
    button = page.get_by_role("button", name="Save the table as CSV: Check points")
    name, data = saved(page, button)
    rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    assert name.endswith("points.csv")
    assert data.count(b"\r\n") == len(rows) == len(october.points) + 1
    mean = rows[0].index("mean, mm")
    assert {row[0]: float(row[mean]) for row in rows[1:]} == {
        p.point: p.mean for p in october.points
    }


def test_a_cell_that_a_spreadsheet_would_run_is_kept_as_text(visit: Any, tmp_path: Path) -> None:
    from spc.pages.blocks import columns, table
    from spc.pages.shell import Page, page_html

    rows = [("=1+1", "-0.5"), ('say "a, b"', "+3"), ("@x\ny", "-x")]
    body = table("t", "Table", columns("name", "v#"), rows)
    write_page(tmp_path / "t.html", page_html(Page(title="T", body=body)))
    page = visit(tmp_path / "t.html").page
    _, data = saved(page, page.get_by_role("button"))
    read = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    assert read == [["name", "v"], ["'=1+1", "-0.5"], ['say "a, b"', "+3"], ["'@x\ny", "'-x"]]


@pytest.mark.parametrize(("kind", "start"), [("SVG", b"<svg"), ("PNG", b"\x89PNG")])
def test_a_figure_is_saved_on_white(
    visit: Any, pages: dict[str, Path], kind: str, start: bytes
) -> None:
    page = visit(pages["chart"], scheme="dark").page
    name, data = saved(page, page.get_by_role("button", name=f"Save the figure as {kind}"))
    assert name == f"LH-640-hinge-pad-left.{kind.lower()}"
    assert data.startswith(start)
    assert kind == "PNG" or b"LH-640 hinge-pad-left" in data


def test_paper_shows_everything_open_and_light(visit: Any, pages: dict[str, Path]) -> None:
    page = visit(pages["overview"], scheme="dark").page
    folded = page.locator("#charts details").count()
    seen: dict[str, int] = {}
    page.expose_function("tell", lambda shown: seen.update(shown))
    page.evaluate("""addEventListener('beforeprint', () => tell({
        open: document.querySelectorAll('#charts details[open]').length,
        drawn: document.querySelectorAll('#charts svg.main-svg').length,
        light: [...document.querySelectorAll('.js-plotly-plot')]
            .filter(p => p.layout.paper_bgcolor === '#ffffff').length }))""")
    assert page.pdf(format="A4").startswith(b"%PDF")
    page.wait_for_timeout(200)
    assert seen["open"] == seen["light"] == folded
    assert seen["drawn"] >= folded
    assert page.locator("#charts details[open]").count() == 0


def test_the_part_can_be_turned_from_the_keyboard(visit: Any, pages: dict[str, Path]) -> None:
    page = visit(pages["month"]).page
    page.locator("#turn summary").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#solid.js-plotly-plot")
    page.get_by_role("button", name="From above").press("Enter")
    page.wait_for_timeout(300)
    eye = page.evaluate("document.getElementById('solid').layout.scene.camera.eye")
    assert (eye["x"], eye["y"]) == (0, 0)
    assert eye["z"] > 0


def test_the_first_key_leads_past_the_navigation(visit: Any, pages: dict[str, Path]) -> None:
    page = visit(pages["month"]).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"


def test_without_scripts_every_table_is_there(
    browser: Any, pages: dict[str, Path], october: Month
) -> None:
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto(pages["month"].as_uri())
    assert page.locator("#points tbody tr").count() == len(october.points)
    context.close()
