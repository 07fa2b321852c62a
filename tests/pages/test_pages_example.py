"""A month with the pages beside it: links lead somewhere, pages open in place, and the example."""

import base64
import re
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
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


#: A number with a decimal point, and an array of them as figures hold it.
NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
ARRAY = re.compile(r'"bdata":"([^"]+)"')


def alike(made: bytes, kept: bytes) -> bool:
    """Tell whether two files have the same bytes, the last digits of their numbers apart.

    On one kind of processor they are the same to the last byte; on another a sum may end in
    another last digit.
    """
    if made == kept:
        return True
    texts = [data.decode("utf-8") for data in (made, kept)]
    arrays = [
        [np.frombuffer(base64.b64decode(a + "=="), "u1") for a in ARRAY.findall(t)] for t in texts
    ]
    bare = [ARRAY.sub("", text) for text in texts]
    numbers = [np.array(NUMBER.findall(text), dtype=np.float64) for text in bare]
    return (
        NUMBER.sub("", bare[0]) == NUMBER.sub("", bare[1])
        and np.allclose(*numbers, rtol=1e-9, atol=1e-12)
        and len(arrays[0]) == len(arrays[1])
        and all(same_numbers(a, b) for a, b in zip(*arrays, strict=True))
    )


def same_numbers(a: np.ndarray, b: np.ndarray) -> bool:
    """Tell whether two arrays of bytes hold the same, or floats that differ in last digits."""
    if a.tobytes() == b.tobytes():
        return True
    whole = len(a) == len(b) and len(a) % 8 == 0
    return whole and np.allclose(a.view("f8"), b.view("f8"), rtol=1e-9, atol=1e-12, equal_nan=True)


def test_alike_can_tell() -> None:
    text = '{"bdata":"%s"} mean 0.1234567890123'
    one, last, other = (base64.b64encode(np.array([v, 2.0]).tobytes()).decode()
                        for v in (1.0, 1.0 + 1e-15, 1.001))  # fmt: skip
    made = (text % one).encode()
    assert alike(made, made)
    assert alike(made, (text % last).replace("0123", "0124").encode())
    assert not alike(made, (text % other).encode())
    assert not alike(made, (text % one).replace("0.123", "0.124").encode())
    assert not alike(made, (text % one).replace("mean", "Mean").encode())


def test_the_committed_example_is_what_the_program_writes(written: Path) -> None:
    """Another version of the figures' library writes other bytes, which is no fault."""
    if not (EXAMPLE / library_name()).is_file():
        pytest.skip("the example was made with another version of the figures' library")
    made = files(written)
    kept = files(EXAMPLE)
    different = [
        name
        for name, path in made.items()
        if name not in kept or not alike(path.read_bytes(), kept[name].read_bytes())
    ]
    assert different == [], (
        "write it again: 'spc demo' in the project's folder, and commit reports/"
    )
    folder = "LH-640-C-2026-10"
    assert {p.name for p in (EXAMPLE / folder).iterdir()} == {
        Path(name).name for name in made if name.startswith(f"{folder}/")
    }


def test_no_table_of_the_example_is_cut_off_at_a_desk(visit: Any) -> None:
    over = (
        "[...document.querySelectorAll('table')].filter(t => t.offsetParent"
        " && t.parentElement.scrollWidth > t.parentElement.clientWidth + 1).map(t => t.id)"
    )
    beside = [f"LH-640-C-2026-10/{n}.html" for n in ("drift", "gauge-G1", "point-tail-left")]
    for name in ("LH-640-C-2026-10.html", *beside):
        assert visit(EXAMPLE / name, (1280, 900)).page.evaluate(over) == [], name
