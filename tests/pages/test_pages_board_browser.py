"""The board on its screen: large enough from three metres, whole, and new without a server."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from spc.pages.board_page import board_page
from spc.pages.palette import COLOURS
from spc.pages.shell import write_page
from spc.store.connection import open_store
from spc.studies.board import Board, board

PHONE, WALL, OLD_WALL = (390, 844), (1920, 1080), (1280, 1024)
#: Pixels a millimetre on a screen of 24 inches with 1920 x 1080 dots.
DOTS = 1920 / 531
#: Height of capitals of a sans serif face as a share of its size.
CAPITALS = 0.72


@pytest.fixture(scope="module")
def held(sample_store: Path) -> Board:
    with open_store(sample_store, read_only=True) as opened:
        return board(opened)


def words_of(held: Board, word: str) -> Board:
    """Return the same board with another word: what it looks like does not depend on why."""
    return replace(held, piece=replace(held.piece, word=word))


def arcminutes(pixels: float, metres: float) -> float:
    """Return the angle under which a letter of that size is seen, by its capitals."""
    return pixels * CAPITALS / DOTS / (metres * 1000) * 3437.75


def size(page: Any, where: str) -> float:
    return float(page.evaluate(f"parseFloat(getComputedStyle(document.querySelector('{where}'))"
                               ".fontSize)"))  # fmt: skip


@pytest.mark.parametrize("word", ["accept", "re-measure", "hold"])
def test_what_must_be_read_from_three_metres_is_large_enough(
    visit: Any, held: Board, tmp_path: Path, word: str
) -> None:
    """ISO 9241-303 asks for 16 minutes of arc and recommends 20 to 22 (from memory of it).

    The word and the point are far above it; the next step is at the limit of good reading, and
    twice the 5 minutes that a sharp eye needs.
    """
    write_page(tmp_path / "b.html", board_page(words_of(held, word), refresh=0))
    page = visit(tmp_path / "b.html", WALL).page
    assert arcminutes(size(page, "h1"), 3) > 30
    assert arcminutes(size(page, ".big"), 3) > 12
    assert arcminutes(size(page, ".steps"), 3) > 9
    assert arcminutes(size(page, ".mid"), 3) > 8
    assert page.evaluate("document.querySelector('h1').textContent") == word
    assert page.locator("h1 svg").count() == 1


@pytest.mark.parametrize("screen", [WALL, OLD_WALL])
def test_a_wall_needs_no_scroll_bar(
    visit: Any, held: Board, tmp_path: Path, screen: tuple[int, int]
) -> None:
    full = replace(held, again=("H0400-0",), piece=replace(held.piece, serial="S" * 40))
    write_page(tmp_path / "b.html", board_page(full, refresh=0))
    page = visit(tmp_path / "b.html", screen).page
    over = "[document.documentElement.scrollHeight - innerHeight, "
    over += "document.documentElement.scrollWidth - innerWidth]"
    assert page.evaluate(over) == [0, 0]
    assert page.locator(".strip li").count() == 20


@pytest.mark.parametrize("word", ["re-measure", "hold"])
def test_a_phone_scrolls_down_and_never_sideways(
    visit: Any, held: Board, tmp_path: Path, word: str
) -> None:
    write_page(tmp_path / "b.html", board_page(words_of(held, word), refresh=0))
    page = visit(tmp_path / "b.html", PHONE).page
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert size(page, "body") >= 15


def test_the_browser_reads_the_file_again_by_itself(
    visit: Any, held: Board, tmp_path: Path
) -> None:
    path = tmp_path / "b.html"
    write_page(path, board_page(held, refresh=1))
    page = visit(path, WALL).page
    assert page.locator("h1").text_content() == "hold"
    write_page(path, board_page(words_of(held, "accept"), refresh=1))
    page.locator("h1", has_text="accept").wait_for(timeout=15000)


def test_without_scripts_the_board_says_the_same(browser: Any, held: Board, tmp_path: Path) -> None:
    write_page(tmp_path / "b.html", board_page(held, refresh=0))
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto((tmp_path / "b.html").as_uri())
    assert page.locator("time").text_content() == "2026-10-28 10:51 UTC"
    assert page.locator("h1").text_content() == "hold"
    context.close()


def test_a_time_is_said_in_the_screens_own_words(visit: Any, held: Board, tmp_path: Path) -> None:
    write_page(tmp_path / "b.html", board_page(held, refresh=0))
    page = visit(tmp_path / "b.html", WALL).page
    assert "ago" in page.locator("time").text_content()


def luminance(colour: str) -> float:
    """Return the relative luminance of WCAG 2.2."""
    parts = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", [0, 1])
@pytest.mark.parametrize(
    ("text", "ground"),
    [("paper", "accent"), ("accent", "accent-wash"), ("data", "paper"), ("ink", "paper"),
     ("quiet", "paper"), ("accent", "paper"), ("ink", "accent-wash"), ("quiet", "accent-wash"),
     ("paper", "ink")],
)  # fmt: skip
def test_contrast_is_that_of_wcag_aa(scheme: int, text: str, ground: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text of any size."""
    assert contrast(COLOURS[text][scheme], COLOURS[ground][scheme]) >= 4.5


def test_contrast_can_tell() -> None:
    """The definition's own ends: black on white is 21, a colour on itself 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#777777") == 1
