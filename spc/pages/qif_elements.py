"""Elements of a QIF 3.0 document (ISO 23952): safe text, plain decimals, counted lists."""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from math import isfinite
from xml.etree.ElementTree import Element, SubElement

from spc.pages.html import clean

SPACE, VERSION = "http://qifstandards.org/xsd/qif3", "3.0.0"
#: Whole numbers from 1, each given once: a QIF id is unique in its document.
Ids = Iterator[int]


def put(parent: Element, name: str, text: str | int | None = None) -> Element:
    """Add an element, with text where there is any; what XML cannot hold becomes U+FFFD."""
    child = SubElement(parent, name)
    if text is not None:
        child.text = clean(str(text))
    return child


def identified(name: str, ids: Ids) -> Element:
    """Return a new element with an id of its own."""
    return Element(name, id=str(next(ids)))


def put_list(parent: Element, name: str, children: Sequence[Element]) -> None:
    """Add a list with the count that the standard asks for; an empty one is left out."""
    if children:
        holder = put(parent, name)
        holder.set("n", str(len(children)))
        holder.extend(children)


def refer(parent: Element, name: str, identities: Sequence[str]) -> None:
    """Add a list of references by id; an empty one is left out."""
    holder = Element(name)
    for identity in identities:
        put(holder, "Id", identity)
    put_list(parent, name, list(holder))


def own_id(element: Element) -> str:
    """Return the id of an element."""
    return str(element.get("id"))


def decimal(value: float) -> str:
    """Return a number in full, as xs:decimal has it: without an exponent."""
    return format(Decimal(repr(float(value))), "f")


def numbers(values: Sequence[float]) -> str:
    """Return coordinates as a list."""
    return " ".join(decimal(v) for v in values)


def put_values(
    parent: Element, name: str, values: Sequence[tuple[str, float | int | None]]
) -> None:
    """Add statistical values; what is withheld is absent, never zero."""
    given = [(n, v) for n, v in values if v is not None and isfinite(v)]
    if given:
        holder = put(parent, name)
        for value_name, value in given:
            text = str(value) if isinstance(value, int) else decimal(value)
            put(put(holder, value_name), "Value", text)
