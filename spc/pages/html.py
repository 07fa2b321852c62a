"""A small builder of HTML: whatever is not markup already is escaped."""

import re
from collections.abc import Iterable
from html import escape
from typing import TypeAlias, Union

#: What an element may hold.
Child: TypeAlias = Union["Html", str, int, Iterable["Child"], None]
#: What an attribute may be; None and False leave it out, True writes its bare name.
Value: TypeAlias = str | int | bool | None

VOID = frozenset({"br", "col", "hr", "img", "input", "link", "meta"})

_NAME = re.compile(r"[a-z][a-z0-9-]*")
# What no HTML document may hold, and lone surrogates, which cannot be written as UTF-8.
_BROKEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff\ud800-\udfff]")


class Html(str):
    """Markup; only this module and constants make it."""

    __slots__ = ()


def el(tag: str, *children: Child, **attributes: Value) -> Html:
    """Return an element.

    Parameters
    ----------
    tag
        Its name.
    *children
        What it holds: markup as it is, text escaped, None left out, iterables in order.
    **attributes
        A trailing underscore is dropped (``class_``), an inner one becomes a hyphen
        (``data_series``).
    """
    name = _named(tag)
    head = f"<{name}{''.join(_attribute(key, value) for key, value in attributes.items())}>"
    return Html(head if name in VOID else f"{head}{joined(children)}</{name}>")


def joined(children: Child) -> Html:
    """Return children one after the other as markup."""
    if children is None:
        return Html("")
    if isinstance(children, Html):
        return children
    if isinstance(children, str | int):
        return Html(escape(clean(str(children)), quote=False))
    return Html("".join(joined(child) for child in children))


def clean(text: str) -> str:
    """Return text with characters that a document cannot hold shown as U+FFFD."""
    return _BROKEN.sub("\ufffd", text)


def verbatim(tag: str, text: str, **attributes: Value) -> Html:
    """Return a ``script`` or ``style`` element, whose text HTML does not escape.

    Raises
    ------
    ValueError
        Where the text would end the element early.
    """
    if f"</{tag}" in text.lower() or "<!--" in text:
        raise ValueError(f"the text of <{tag}> would end it early")
    head = "".join(_attribute(key, value) for key, value in attributes.items())
    return Html(f"<{_named(tag)}{head}>{text}</{tag}>")


def slug(text: str) -> str:
    """Return text as part of an identity: letters, digits and hyphens, others by their number.

    Different texts give different identities, whatever script they are written in.
    """
    return "".join(c if re.fullmatch("[A-Za-z0-9-]", c) else f"_{ord(c):x}_" for c in text)


def _attribute(key: str, value: Value) -> str:
    if value is None or value is False:
        return ""
    name = _named(key.rstrip("_").replace("_", "-"))
    return f" {name}" if value is True else f' {name}="{escape(clean(str(value)))}"'


def _named(name: str) -> str:
    if not _NAME.fullmatch(name.lower()):
        raise ValueError(f"'{name}' is no name of an element or attribute")
    return name
