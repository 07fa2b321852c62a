"""XML from strangers: no document type, no entities, nothing fetched, bounded size and depth.

Only what expat itself reports is used: a document type declaration stops the reading before any
entity can be defined, so there is nothing to expand, and no address in the file is ever opened.
"""

from collections.abc import Iterator, Sequence
from typing import IO, Any
from xml.parsers import expat

from spc.errors import InputError

#: Real results nest a dozen deep; a thousand pieces of a hundred points stay below the others.
DEEPEST, MOST_ELEMENTS, MOST_BYTES = 64, 3_000_000, 512 << 20


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
    """

    # Documents have hundreds of thousands of them: a list is made where something is put in it.
    __slots__ = ("attributes", "children", "line", "name", "pieces", "space")

    def __init__(self, space: str, name: str, attributes: dict[str, str], line: int) -> None:
        self.space, self.name, self.attributes, self.line = space, name, attributes, line
        #: The elements in it, in order, and its own text as it came, without comments.
        self.children: Sequence[Element] = ()
        self.pieces: Sequence[str] = ()

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
    tree = _Tree(name)
    try:
        tree.parser.Parse(data, True)
    except expat.ExpatError as error:
        raise InputError(
            f"not well-formed XML ({expat.ErrorString(error.code)})",
            file=name, row=error.lineno, do="export it again",
        ) from None  # fmt: skip
    except (ValueError, LookupError):
        # An encoding that the declaration names and nobody knows, or that no byte stands for.
        raise InputError("XML in an unknown encoding", file=name, do="save it as UTF-8") from None
    return tree.top.children[0]


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


class _Tree:
    """Builds the elements of a document as the parser meets them, and stops it at the limits."""

    def __init__(self, name: str) -> None:
        self.name, self.elements = name, 0
        self.top = Element("", "", {}, 0)
        self._open = [self.top]
        self._names: dict[str, tuple[str, str]] = {}
        self.parser = parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = self._declared
        parser.ExternalEntityRefHandler = lambda *_: 0

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self.elements += 1
        if len(self._open) > DEEPEST:
            raise _too_large(self.name, f"elements nested more than {DEEPEST} deep")
        if self.elements > MOST_ELEMENTS:
            raise _too_large(self.name, f"more than {MOST_ELEMENTS} elements")
        if tag not in self._names:
            space, _, own = tag.rpartition(" ")
            self._names[tag] = space, own
        kept = {k: v for k, v in attributes.items() if " " not in k} if attributes else _NONE
        element = Element(*self._names[tag], kept, self.parser.CurrentLineNumber)
        parent = self._open[-1]
        if isinstance(parent.children, list):
            parent.children.append(element)
        else:
            parent.children = [element]
        self._open.append(element)

    def _end(self, _: str) -> None:
        self._open.pop()

    def _text(self, said: str) -> None:
        element = self._open[-1]
        if isinstance(element.pieces, list):
            element.pieces.append(said)
        elif not said.isspace():
            element.pieces = [said]

    def _declared(self, *_: Any) -> None:
        _refuse_doctype(self.name)


#: What most elements have of attributes; nobody writes to it.
_NONE: dict[str, str] = {}
