"""The builder of HTML: whatever goes in as text comes out as that text and nothing else."""

from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.pages.blocks import columns, tall_table
from spc.pages.html import VOID, Html, clean, el, joined, slug, verbatim


class Reader(HTMLParser):
    """Read a document with Python's own parser: its tags, its text, and whether they balance."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.unbalanced: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@given(st.text())
def test_text_comes_back_as_it_went_in(text: str) -> None:
    read = Reader(el("p", text))
    # A document's line ends are one character, and it cannot hold control characters.
    assert read.text == clean(text)
    assert [tag for tag, _ in read.tags] == ["p"]
    assert not read.open
    assert not read.unbalanced


@given(st.text())
def test_an_attribute_comes_back_as_it_went_in(text: str) -> None:
    ((tag, attributes),) = Reader(el("p", title=text)).tags
    assert (tag, attributes) == ("p", {"title": clean(text)})


def test_markup_is_kept_and_text_escaped() -> None:
    assert el("p", el("b", "a"), " < ", None, ["&", 3]) == "<p><b>a</b> &lt; &amp;3</p>"


def test_attributes_by_their_python_names() -> None:
    made = el("a", "x", class_="b", data_series="é", hidden=True, title=None, open=False)
    assert made == '<a class="b" data-series="é" hidden>x</a>'


def test_an_empty_element_has_no_end() -> None:
    assert el("meta", charset="utf-8") == '<meta charset="utf-8">'


@pytest.mark.parametrize("name", ["p onclick=x", "", "a>b", "1"])
def test_a_name_that_is_none_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="no name"):
        el(name, "x")


@pytest.mark.parametrize("text", ["a</script>b", "a</SCRIPT >b", "<!-- a"])
def test_a_script_that_would_end_early_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="end it early"):
        verbatim("script", text)


def test_characters_that_no_document_holds_are_shown_as_such() -> None:
    assert joined("a\x00b\ud800c\x0bd") == "a\ufffdb\ufffdc\ufffdd"
    assert isinstance(joined("a"), Html)
    joined("\ud800").encode("utf-8")


@given(st.text(), st.text())
def test_different_names_have_different_identities(one: str, other: str) -> None:
    assert (slug(one) == slug(other)) == (one == other)
    assert " " not in slug(one)


@pytest.mark.parametrize(("count", "folded"), [(0, 0), (32, 0), (33, 13), (400, 380)])
def test_of_a_tall_table_the_first_rows_stand_open_and_none_is_lost(
    count: int, folded: int
) -> None:
    rows = [(f"row-{at}", at) for at in range(count)]
    marked = [at % 2 == 0 for at in range(count)]
    whole = str(tall_table("t", "Rows", columns("name", "number#"), rows, marked=marked))
    above, _, below = whole.partition("<details")
    assert [f">row-{at}<" in whole for at in range(count)] == [True] * count
    assert below.count("<tr") - bool(below) == folded
    assert above.count('class="act"') + below.count('class="act"') == sum(marked)
    assert ("The other" in whole) is bool(folded)
