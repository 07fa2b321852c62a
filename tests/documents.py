"""Pages read with Python's own parser, for the tests of pages."""

from html.parser import HTMLParser

from plotly.offline import get_plotlyjs

from spc.pages.html import VOID


class Document(HTMLParser):
    """Read a page with Python's own parser: balance, identities, links, tables and text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.unbalanced: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.scripts = 0
        self.text = ""
        self.tables: dict[str, list[list[str]]] = {}
        self.at = ""
        self.feed(page.replace(get_plotlyjs(), ""))
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids += [given["id"] or ""] if "id" in given else []
        self.links += [given["href"] or ""] if tag == "a" else []
        self.scripts += tag == "script"
        if tag == "table":
            self.at = given.get("id") or ""
            self.tables[self.at] = []
        elif tag == "tr" and self.at:
            self.tables[self.at].append([])
        elif tag in ("td", "th") and self.at:
            self.tables[self.at][-1].append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)
        if tag == "table":
            self.at = ""

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.text += data
        if self.at and self.tables[self.at] and {"td", "th"} & set(self.open):
            self.tables[self.at][-1][-1] += data

    def column(self, table: str, name: str) -> list[str]:
        head, *rows = self.tables[table]
        return [row[head.index(name)] for row in rows]


def well_formed(page: str) -> Document:
    """Return a page read, whose marks are balanced and whose links lead somewhere."""
    read = Document(page)
    assert not read.open
    assert not read.unbalanced
    assert len(read.ids) == len(set(read.ids))
    inner = [link[1:] for link in read.links if link.startswith("#")]
    assert set(inner) <= set(read.ids)
    return read
