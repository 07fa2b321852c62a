"""Pages that lie beside a month's page, and the links between them."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from spc.pages.html import Child, Html, el


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Where the pages beside a month's page lie, relative to it; empty where there is none.

    Parameters
    ----------
    gauge, drift
        The gauge study's page, and the page of drift by kind.
    points
        Page of each point that has one, by its name.
    """

    gauge: str = ""
    drift: str = ""
    points: Mapping[str, str] = field(default_factory=dict)

    def point(self, name: str) -> Child:
        """Return a point's name, as a link where it has a page."""
        href = self.points.get(name)
        return el("a", name, href=href) if href else name

    def link(self, href: str, words: str) -> Html | None:
        """Return a paragraph with a link, or nothing where there is no page."""
        return el("p", el("a", words, href=href), ".", class_="screen") if href else None


#: A month's page on its own.
ALONE = Beside()


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a page lies that belongs to another.

    Parameters
    ----------
    fingerprint
        Hash of the data that both are made from; empty where none is given.
    library
        File with the figures' library, relative to the page; empty where the page holds it itself.
    up
        Address and name of the page that it belongs to; None where it stands alone.
    """

    fingerprint: str = ""
    library: str = ""
    up: tuple[str, str] | None = None


#: A page that stands alone.
NOWHERE = Place()
