"""The frame around every page: one file, nothing fetched, light and dark, screen and paper."""

import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
from plotly.offline import get_plotlyjs

from spc import __version__
from spc.errors import SpcError
from spc.pages.html import Html, clean, el, joined, verbatim
from spc.pages.palette import TO_DARK, css_variables

#: Arrays whose JSON is longer than this are kept once a page, however many figures share them.
SHARED_FROM = 64

#: The page may run its own script and style and fetch nothing. The figures' library compiles
#: small functions at run time, which is what 'unsafe-eval' allows it.
_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'{evaluate}; "
    "img-src data: blob:; form-action 'none'; base-uri 'none'"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Page:
    """What a page holds; the shell adds style, script, navigation and footer.

    Parameters
    ----------
    title
        What the page is about.
    kicker
        A few words above the title.
    body
        The sections.
    contents
        Identity and name of each section, for the list at the top; empty for none.
    figures
        Figure by identity; each has its place in ``body`` (see `blocks.figure_block`).
    fingerprint
        Hash of the data that the page is made from; empty where none is given.
    said
        More for the footer, one sentence each.
    library
        File with the figures' library, relative to the page; empty where the page holds it itself.
    up
        Address and name of the page that this one belongs to; None where it stands alone.
    """

    title: str
    body: Html
    kicker: str = ""
    contents: Sequence[tuple[str, str]] = ()
    figures: Mapping[str, go.Figure] = field(default_factory=dict)
    fingerprint: str = ""
    said: Sequence[str] = ()
    library: str = ""
    up: tuple[str, str] | None = None


def page_html(page: Page) -> str:
    """Return the whole document; the same page gives the same bytes."""
    return "<!DOCTYPE html>\n" + el("html", _head(page), "\n", _body(page), lang="en") + "\n"


def screen_html(title: str, body: Html, *, sheet: str, script: str, refresh: int) -> str:
    """Return the document of a page that stands on a screen and is read from afar.

    Parameters
    ----------
    title
        What it is about.
    body
        All that it shows; it has no navigation and no footer.
    sheet, script
        Names of its own style sheet and script among the templates.
    refresh
        Seconds after which the browser reads the file again; no server is needed for that.
    """
    style = css_variables() + _template(sheet)
    again = el("meta", http_equiv="refresh", content=str(refresh)) if refresh else None
    head = el("head", "\n", _metas(""), again, el("title", title), "\n", verbatim("style", style))
    whole = el("body", "\n", body, "\n", verbatim("script", _template(script)), "\n")
    return "<!DOCTYPE html>\n" + el("html", head, "\n", whole, lang="en") + "\n"


def write_page(path: Path, html: str) -> None:
    """Write a page whole or not at all: a neighbour first, which then takes its place.

    Raises
    ------
    SpcError
        Where the folder or the file cannot be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("x", encoding="utf-8", newline="\n") as file:
            file.write(html)
        part.replace(path)
    except OSError as error:
        raise SpcError(
            f"{path}: cannot be written ({error.strerror}); name another file or folder"
        ) from error
    finally:
        # Where the folder itself is not one there is nothing to take away.
        with suppress(OSError):
            part.unlink()


def figure_library() -> str:
    """Return the script that draws figures: once a page, or once a folder of pages."""
    return str(get_plotlyjs())


def figure_data(figures: Mapping[str, go.Figure]) -> str:
    """Return the figures as JSON that may stand in a script element.

    Arrays that several figures share (times, names) are kept once and referred to by number.
    """
    shared: dict[str, int] = {}
    bare = {key: _shared(json.loads(figure.to_json()), shared) for key, figure in figures.items()}
    arrays = ",".join(shared)
    return _safe(f'{{"arrays":[{arrays}],"figures":{_compact(bare)}}}')


def _shared(node: Any, shared: dict[str, int]) -> Any:
    if isinstance(node, list) or (isinstance(node, dict) and "bdata" in node):
        text = _compact(node)
        if len(text) > SHARED_FROM and not _holds_objects(node):
            return {"$": shared.setdefault(text, len(shared))}
    if isinstance(node, list):
        return [_shared(item, shared) for item in node]
    if isinstance(node, dict):
        return {key: _shared(item, shared) for key, item in node.items()}
    return node


def _holds_objects(node: Any) -> bool:
    return isinstance(node, list) and any(isinstance(item, dict) for item in node)


def _compact(value: Any) -> str:
    return clean(json.dumps(value, ensure_ascii=False, separators=(",", ":")))


def _safe(text: str) -> str:
    """Keep JSON from ending or opening anything in the document around it."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _head(page: Page) -> Html:
    evaluate = " 'unsafe-eval'" if page.figures else ""
    # A page opened from a folder is of the scheme 'file:', which some browsers do not call 'self'.
    evaluate += " 'self' file:" if page.library else ""
    return el(
        "head",
        "\n",
        _metas(evaluate),
        el("title", page.title),
        "\n",
        verbatim("style", css_variables() + _template("page.css") + _paper(page)),
    )


def _metas(evaluate: str) -> Html:
    """Return what every page tells the browser about itself."""
    policy = _POLICY.format(evaluate=evaluate)
    return joined([
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        el("meta", name="referrer", content="no-referrer"),
        el("meta", http_equiv="Content-Security-Policy", content=policy),
    ])  # fmt: skip


def _paper(page: Page) -> str:
    """Return what stands in the margin of each printed page."""
    data = f", data {page.fingerprint}" if page.fingerprint else ""
    text = json.dumps(f"{page.title}{data}", ensure_ascii=False)
    # In a CSS string '<' needs its escape, or a name could end the style element.
    safe = clean(text).replace("\\u", "\\").replace("<", "\\3c ")
    return f"@page{{@bottom-left{{content:{safe}}}}}\n"


def _body(page: Page) -> Html:
    header = el(
        "header",
        el("p", el("a", f"← {page.up[1]}", href=page.up[0]), class_="kicker") if page.up else None,
        el("p", page.kicker, class_="kicker") if page.kicker else None,
        el("h1", page.title),
    )
    return el(
        "body",
        "\n",
        el("a", "Skip to the content", href="#content", class_="skip"),
        header,
        _contents(page),
        "\n",
        el("main", page.body, id="content", tabindex="-1"),
        "\n",
        _footer(page),
        "\n",
        _scripts(page),
    )


def _contents(page: Page) -> Html | None:
    if not page.contents:
        return None
    items = (el("li", el("a", name, href=f"#{key}")) for key, name in page.contents)
    return el("nav", el("ul", items), aria_label="On this page")


def _footer(page: Page) -> Html:
    made = f"Made by spc {__version__}."
    data = f" Data fingerprint {page.fingerprint}." if page.fingerprint else ""
    return el("footer", el("p", made + data), (el("p", text) for text in page.said))


def _scripts(page: Page) -> Html:
    palette = verbatim("script", _compact(dict(TO_DARK)), type="application/json", id="palette")
    parts: list[Html | str] = [palette, "\n"]
    if page.figures:
        data = figure_data(page.figures)
        parts += [verbatim("script", data, type="application/json", id="figure-data"), "\n"]
        parts += [_library(page.library), "\n"]
    return joined([*parts, verbatim("script", _template("page.js")), "\n"])


def _library(beside: str) -> Html:
    return el("script", src=beside) if beside else verbatim("script", figure_library())


def _template(name: str) -> str:
    return files("spc.pages").joinpath("templates", name).read_text(encoding="utf-8")
