"""A month with the pages beside it: links lead somewhere, pages open in place, and the example."""

import filecmp
import re
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from spc.cli.reporting import library_name, write_month
from spc.studies.month import Month

EXAMPLE = Path(__file__).parents[2] / "reports"
#: Kinds of page beside a month, by the beginning of their names.
KINDS = ("gauge-", "drift", "point-")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory, october: Month) -> Path:
    """Return a folder with the last month of the sample runs, as the demonstration writes it."""
    folder = tmp_path_factory.mktemp("reports")
    write_month(october, folder, shared=True)
    return folder


def files(folder: Path) -> dict[str, Path]:
    return {str(p.relative_to(folder)): p for p in sorted(folder.rglob("*")) if p.is_file()}


def test_every_link_leads_to_a_page_or_a_place_on_one(written: Path) -> None:
    pages = {name: path for name, path in files(written).items() if name.endswith(".html")}
    assert {k for k in KINDS for name in pages if Path(name).name.startswith(k)} == set(KINDS)
    reached = {"index.html"}
    for name, path in pages.items():
        text = path.read_text(encoding="utf-8")
        for link in re.findall(r'(?:href|src)="([^"]+)"', text):
            target, _, place = unquote(unescape(link)).partition("#")
            there = (path.parent / target).resolve() if target else path
            assert there.is_file(), (name, link)
            if place:
                assert f'id="{place}"' in there.read_text(encoding="utf-8"), (name, link)
            reached.add(str(there.relative_to(written.resolve())) if target else name)
    # No page lies there that nothing leads to.
    assert set(pages) <= reached


def test_a_page_beside_the_month_has_its_figure_first(written: Path) -> None:
    for name, path in files(written).items():
        if Path(name).name.startswith(KINDS):
            text = path.read_text(encoding="utf-8")
            assert text.index('class="plot"') < text.index("<table"), name


@pytest.mark.parametrize("kind", ["LH-640", *KINDS])
def test_pages_open_where_they_lie_and_can_be_saved(visit: Any, written: Path, kind: str) -> None:
    path = next(p for n, p in files(written).items() if Path(n).name.startswith(kind)
                and n.endswith(".html"))  # fmt: skip
    page = visit(path).page
    page.wait_for_selector(".js-plotly-plot svg.main-svg")
    figures, tables = page.locator(".plot").count(), page.locator("table[id]").count()
    assert figures > 0
    for label, number in (("as SVG", figures), ("as PNG", figures), ("as CSV", tables)):
        assert page.locator(f"button:text-is('Save {label}')").count() == number


def test_the_committed_example_is_what_the_program_writes(written: Path) -> None:
    """Another version of the figures' library writes other bytes, which is no fault."""
    if not (EXAMPLE / library_name()).is_file():
        pytest.skip("the example was made with another version of the figures' library")
    made = files(written)
    different = [
        name for name, path in made.items()
        if not (EXAMPLE / name).is_file() or not filecmp.cmp(path, EXAMPLE / name, shallow=False)
    ]  # fmt: skip
    assert different == [], (
        "write it again: 'spc demo' in the project's folder, and commit reports/"
    )
    folder = "LH-640-C-2026-10"
    assert {p.name for p in (EXAMPLE / folder).iterdir()} == {
        Path(name).name for name in made if name.startswith(f"{folder}/")
    }
