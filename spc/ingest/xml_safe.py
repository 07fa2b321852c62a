"""XML from strangers: no document type, no entities, nothing fetched, bounded size and depth.

Only what expat itself reports is used: a document type declaration stops the reading before any
entity can be defined, so there is nothing to expand, and no address in the file is ever opened.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

from spc.errors import InputError

#: Real results nest a dozen deep; two thousand pieces of a hundred points stay below the others.
DEEPEST, MOST_ELEMENTS, MOST_BYTES = 64, 6_000_000, 512 << 20


@dataclass(slots=True, kw_only=True)
class _Limits:
    depth: int = 0
    elements: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Element:
    """One element of a document.

    Parameters
    ----------
    space, name
        Its namespace, and its name without it.
    attributes
        Its attributes by name; those of a namespace are left out.
    line
        Line of the file that it begins in.
    children
        The elements in it, in order.
    pieces
        Its own text as it came; comments in between are no part of it.
    """

    space: str
    name: str
    attributes: dict[str, str]
    line: int
    children: list["Element"] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """Return its own text without blanks at the ends."""
        return "".join(self.pieces).strip()

    def first(self, path: str) -> "Element | None":
        """Return the first element at a path of names such as ``Header/Author``."""
        return next(self.all(path), None)

    def all(self, path: str) -> Iterator["Element"]:
        """Yield every element at a path of names; ``*`` stands for any name."""
        name, _, rest = path.partition("/")
        for child in self.children:
            if name in (child.name, "*"):
                if rest:
                    yield from child.all(rest)
                else:
                    yield child

    def word(self, path: str) -> str:
        """Return the text at a path; empty where there is none."""
        found = self.first(path)
        return "" if found is None else found.text

    def walk(self) -> Iterator["Element"]:
        """Yield this element and every one below it."""
        waiting = [self]
        while waiting:
            element = waiting.pop()
            yield element
            waiting += reversed(element.children)


def parse(data: bytes, name: str) -> Element:
    """Return the root element of a document.

    Raises
    ------
    InputError
        Where it is no well-formed XML, declares a document type or entities, or is too large.
    """
    if len(data) > MOST_BYTES:
        raise _too_large(name, f"{len(data) >> 20} MB of XML")
    top = Element(space="", name="", attributes={}, line=0)
    parser = _parser(top, name)
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise InputError(
            f"not well-formed XML ({expat.ErrorString(error.code)})",
            file=name, row=error.lineno, do="export it again",
        ) from None  # fmt: skip
    except (ValueError, LookupError):
        # An encoding that the declaration names and nobody knows, or that no byte stands for.
        raise InputError("XML in an unknown encoding", file=name, do="save it as UTF-8") from None
    return top.children[0]


def refuse_declarations(stream: IO[bytes], name: str, member: str) -> None:
    """Refuse a document type in the head of one XML file of an archive; the rest is not read."""
    parser = expat.ParserCreate()
    seen: list[str] = []
    parser.StartDoctypeDeclHandler = lambda *_: _refuse_doctype(name, member)
    parser.StartElementHandler = lambda tag, _: seen.append(tag)
    try:
        while not seen and (chunk := stream.read(1 << 14)):
            parser.Parse(chunk, False)
    except (expat.ExpatError, ValueError, LookupError):
        raise InputError(f"'{member}' in it is not well-formed XML", file=name,
                         do="save it again") from None  # fmt: skip


def _refuse_doctype(name: str, member: str = "") -> None:
    where = f"'{member}' in it" if member else "the XML"
    raise InputError(
        f"{where} declares a document type or entities, which results never need",
        file=name, do="export it without them",
    )  # fmt: skip


def _too_large(name: str, what: str) -> InputError:
    return InputError(f"{what}, more than one file of results can hold", file=name,
                      do="split the file")  # fmt: skip


def _parser(top: Element, name: str) -> expat.XMLParserType:
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    open_: list[Element] = [top]
    limits = _Limits()

    def start(tag: str, attributes: dict[str, str]) -> None:
        limits.elements += 1
        if len(open_) > DEEPEST:
            raise _too_large(name, f"elements nested more than {DEEPEST} deep")
        if limits.elements > MOST_ELEMENTS:
            raise _too_large(name, f"more than {MOST_ELEMENTS} elements")
        space, _, own = tag.rpartition(" ")
        kept = {k: v for k, v in attributes.items() if " " not in k}
        element = Element(space=space, name=own, attributes=kept, line=parser.CurrentLineNumber)
        open_[-1].children.append(element)
        open_.append(element)

    def end(_: str) -> None:
        open_.pop()

    def text(said: str) -> None:
        if not said.isspace() or open_[-1].pieces:
            open_[-1].pieces.append(said)

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = lambda *_: _refuse_doctype(name)
    parser.EntityDeclHandler = lambda *_: _refuse_doctype(name)
    parser.ExternalEntityRefHandler = lambda *_: 0
    return parser
