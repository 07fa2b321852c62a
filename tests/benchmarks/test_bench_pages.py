"""A month's page of sixty points and four hundred pieces: how large, and what it costs.

The reference for writing is drawing the page's own figures, that for opening is a page with one
figure and the same script.
"""

import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers import fill
from strategies import box, csv_text, dated_runs, hit_rows, plan_toml, probed

from spc.cli.reporting import write_month
from spc.pages.chart_page import chart_page
from spc.pages.month_page import chart_figures, chart_order, month_page
from spc.pages.shell import figure_data, write_page
from spc.store.connection import open_store
from spc.studies.month import Month, month_study
from spc.studies.spans import month

FULL = os.environ.get("SPC_BENCH") == "1"
PIECES, CHECK = 400, 51
#: How often each is timed; the shortest counts.
TIMES = 3 if FULL else 2
LARGEST = 12e6


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Month:
    folder, rng, plan = tmp_path_factory.mktemp("large"), np.random.default_rng(5), box(check=CHECK)
    assert len(plan.points) == 60
    values = rng.normal(0, 0.2, (PIECES, 60)) + np.linspace(0, 0.5, PIECES)[:, None]
    rows = hit_rows(plan, probed(plan, values, rng), dated_runs(PIECES, each=10))
    (folder / "plan.toml").write_text(plan_toml(plan))
    (folder / "hits.csv").write_text(csv_text(rows))
    fill(folder / "s.duckdb", [folder / "hits.csv"], plan=folder / "plan.toml")
    with open_store(folder / "s.duckdb", read_only=True) as store:
        return month_study(store, month("2026-01"))


def timed(work: Any, times: int = TIMES) -> tuple[float, Any]:
    """Return the shortest of some runs, which other work on the machine disturbs least."""
    best, made = np.inf, None
    for _ in range(times):
        started = time.perf_counter()
        made = work()
        best = min(best, time.perf_counter() - started)
    return best, made


def test_a_page_costs_little_more_than_its_figures(large: Month) -> None:
    order = chart_order(large)
    figures, _ = timed(lambda: figure_data(chart_figures(large, order)))
    page, html = timed(lambda: month_page(large))
    size = len(html.encode())
    print(f"page {page:.2f} s, its figures {figures:.2f} s, ratio {page / figures:.2f}; "
          f"{size / 1e6:.1f} MB")  # fmt: skip
    assert size < LARGEST
    assert page < 3 * figures


def test_a_month_with_its_pages_costs_little_more_than_the_month(
    large: Month, tmp_path: Path
) -> None:
    page, _ = timed(lambda: month_page(large))
    whole, path = timed(lambda: write_month(large, tmp_path), times=1)
    pages = len(list(tmp_path.rglob("*.html")))
    print(f"{pages} pages in {whole:.1f} s, the month's alone {page:.2f} s")
    assert path.stat().st_size < LARGEST
    # A page of one point draws three charts of it, the month's page one chart of every point.
    assert whole < page * (2 + pages / 4)


def test_a_large_page_is_soon_there(large: Month, tmp_path: Path, browser: Any) -> None:
    write_page(tmp_path / "large.html", month_page(large))
    write_page(tmp_path / "one.html", chart_page(large.monitor, large.points[0].point))
    took = {name: ready(browser, tmp_path / f"{name}.html") for name in ("one", "large")}
    print(f"ready in {took['large']:.2f} s, a page of one figure in {took['one']:.2f} s")
    assert took["large"] < 4 * took["one"]


def ready(browser: Any, path: Path) -> float:
    """Return the seconds until a page can be worked with, the shortest of some."""
    best = np.inf
    for _ in range(TIMES):
        page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        started = time.perf_counter()
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready=yes]")
        best = min(best, time.perf_counter() - started)
        page.context.close()
    return best
