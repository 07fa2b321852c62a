"""The frame around pages: whole files, the same bytes, nothing that reaches outside."""

import base64
import json
import re
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from plotly.offline import get_plotlyjs

from spc.errors import SpcError
from spc.pages.html import Html, el
from spc.pages.palette import COLOURS, LIGHT, TO_DARK
from spc.pages.shell import Page, figure_data, page_html, write_page

NASTY = "</script><script>alert(1)</script><!-- & \u2028 größe"


def page(**more: object) -> str:
    settings = {"title": "A page", "body": el("p", "text"), **more}
    return page_html(Page(**settings))  # type: ignore[arg-type]  # any of its fields


def figure(name: str = "a") -> go.Figure:
    x = [f"2026-01-{day:02d} 08:00:00" for day in range(1, 29)]
    drawn = {"type": "scatter", "x": x, "y": np.arange(28.0) / 3, "text": [name]}
    return go.Figure(data=[drawn], layout={"template": {}})


def test_a_page_without_a_figure_carries_no_figure_library() -> None:
    assert len(page()) < 60_000
    assert "plotly.js v" not in page()
    assert "plotly.js v" in page(figures={"f": figure()})
    assert len(page(figures={"f": figure()})) > 3_000_000


def test_the_same_page_has_the_same_bytes() -> None:
    assert page(figures={"f": figure()}) == page(figures={"f": figure()})


def test_names_cannot_leave_the_script_that_holds_them() -> None:
    data = figure_data({NASTY: figure(NASTY)})
    assert "<" not in data
    read = json.loads(data)
    assert list(read["figures"]) == [NASTY]
    assert read["figures"][NASTY]["data"][0]["text"] == [NASTY]


def test_names_cannot_leave_title_style_or_footer() -> None:
    text = page(title=NASTY, kicker=NASTY, fingerprint=NASTY, said=[NASTY], contents=[("a", NASTY)])
    own = len(re.findall("<script", page()))
    assert len(re.findall("<script", text)) == own
    assert len(re.findall("</style", text)) == 1
    assert "<!--" not in text.replace("<!DOCTYPE", "")


def restored(node: object, arrays: list[object]) -> object:
    """Put shared arrays back as the page's script does, and numbers out of their base 64."""
    if isinstance(node, dict) and "$" in node:
        return restored(arrays[node["$"]], arrays)
    if isinstance(node, dict) and "bdata" in node:
        return np.frombuffer(base64.b64decode(node["bdata"]), dtype=node["dtype"]).tolist()
    if isinstance(node, dict):
        return {key: restored(item, arrays) for key, item in node.items()}
    return [restored(item, arrays) for item in node] if isinstance(node, list) else node


def test_shared_arrays_are_kept_once_and_come_back_whole() -> None:
    figures = {f"f{i}": figure(str(i)) for i in range(20)}
    data = json.loads(figure_data(figures))
    assert len(data["arrays"]) == 2
    for key, one in figures.items():
        back = restored(data["figures"][key], data["arrays"])
        assert back == restored(json.loads(one.to_json()), [])


def test_the_page_may_fetch_nothing() -> None:
    (policy,) = re.findall('Content-Security-Policy" content="([^"]*)"', page())
    assert policy.startswith("default-src &#x27;none&#x27;;")
    assert "http" not in policy
    assert "unsafe-eval" not in policy
    # The library's own text names its home page; it is never asked, which the browser tests show.
    text = page(figures={"f": figure()}).replace(get_plotlyjs(), "")
    assert not re.findall(r'(?:src|href)="(?:https?:)?//', text)


def test_the_footer_says_version_and_data() -> None:
    from spc import __version__

    text = page(fingerprint="84e9f4d57b727ad34f40beec", said=["Up to noon."])
    assert f"Made by spc {__version__}. Data fingerprint 84e9f4d57b727ad34f40beec." in text
    assert "Up to noon." in text


def test_a_page_is_written_whole(tmp_path: Path) -> None:
    path = tmp_path / "a" / "b.html"
    write_page(path, "größe\n")
    assert path.read_bytes() == "größe\n".encode()
    assert [p.name for p in path.parent.iterdir()] == ["b.html"]


def test_a_page_that_fails_leaves_the_old_one_and_no_half(tmp_path: Path) -> None:
    path = tmp_path / "b.html"
    write_page(path, "old")
    with pytest.raises(UnicodeEncodeError):
        write_page(path, "new" * 100_000 + "\ud800")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["b.html"]


def test_a_folder_in_the_way_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SpcError, match="cannot be written"):
        write_page(tmp_path / "file" / "page.html", "x")


def luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2.2 defines it (W3C Recommendation, 'relative luminance').

    The coefficients and the gamma are those of its text, sRGB of IEC 61966-2-1.
    """
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.2."""
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_black_on_white_is_the_published_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("scheme", [0, 1])
@pytest.mark.parametrize("ground", ["paper", "wash", "accent-wash", "face", "baseline"])
@pytest.mark.parametrize("role", ["ink", "quiet", "data"])
def test_text_can_be_read_on_every_ground(role: str, ground: str, scheme: int) -> None:
    # WCAG 2.2, success criterion 1.4.3 (AA): 4.5 to 1 for text.
    assert contrast(COLOURS[role][scheme], COLOURS[ground][scheme]) >= 4.5


@pytest.mark.parametrize("scheme", [0, 1])
@pytest.mark.parametrize("role", ["accent", "average", "tolerance"])
def test_words_in_colour_can_be_read_on_paper(role: str, scheme: int) -> None:
    assert contrast(COLOURS[role][scheme], COLOURS["paper"][scheme]) >= 4.5


@pytest.mark.parametrize("scheme", [0, 1])
def test_marks_stand_out_from_their_ground(scheme: int) -> None:
    # WCAG 2.2, success criterion 1.4.11 (AA): 3 to 1 for graphical objects.
    for role in ("data", "average", "accent", "tolerance", "quiet"):
        for ground in ("paper", "baseline", "band"):
            assert contrast(COLOURS[role][scheme], COLOURS[ground][scheme]) >= 3.0


def test_every_light_colour_has_one_dark_form() -> None:
    assert len(set(LIGHT.values())) == len(LIGHT) == len(TO_DARK)


def test_markup_is_not_taken_for_text() -> None:
    assert "<p>a</p>" in page(body=Html("<p>a</p>"))
