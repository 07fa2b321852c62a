"""Units of a QIF document: the file's, a point set's, and those of single values."""

from dataclasses import dataclass
from math import isclose

from spc.errors import InputError
from spc.ingest.qif.document import Document
from spc.ingest.xml_safe import Element

#: Millimetres in one unit, by the names that documents use for it.
_NAMED = {
    **dict.fromkeys(("mm", "millimeter", "millimetre", "millimeters", "millimetres"), 1.0),
    **dict.fromkeys(("cm", "centimeter", "centimetre", "centimeters", "centimetres"), 10.0),
    **dict.fromkeys(("m", "meter", "metre", "meters", "metres"), 1000.0),
    **dict.fromkeys(("in", "inch", "inches"), 25.4),
    **dict.fromkeys(("thou", "mil", "milliinch"), 0.0254),
}
#: Factors are printed with few digits; names and factors further apart contradict each other.
_AGREE = 1e-4
_OURS = {"mm": 1.0, "in": 25.4, "thou": 0.0254}


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """Units of length.

    Parameters
    ----------
    primary
        Millimetres in one unit where a value does not say its own.
    named
        Millimetres in one unit, by the name under which single values refer to it.
    """

    primary: float
    named: dict[str, float]

    @property
    def name(self) -> str:
        """Return our name of the primary unit; millimetres for one that we have no name for."""
        return next(
            (name for name, mm in _OURS.items() if isclose(mm, self.primary, rel_tol=_AGREE)), "mm"
        )

    def millimetres(self, document: Document, value: Element, *, primary: float = 0.0) -> float:
        """Return how many millimetres a value's unit is; ``primary`` is its surroundings' own."""
        name = value.attributes.get("linearUnit", "").strip()
        if not name:
            return primary or self.primary
        if name not in self.named:
            raise InputError(
                f"the unit '{name}' is none that the document names", file=document.name,
                row=value.line, do="export it again",
            )  # fmt: skip
        return self.named[name]


def units_of(document: Document, declared: str | None) -> Units:
    """Return the units of a document.

    Raises
    ------
    InputError
        Where it names none and none is declared, or name and factor contradict each other.
    """
    named: dict[str, float] = {}
    first = document.root.first("FileUnits/PrimaryUnits/LinearUnit")
    for element in (first, *document.root.all("FileUnits/OtherUnits/LinearUnit")):
        if element is not None:
            name, factor = element.word("UnitName"), _factor(document, element)
            if not isclose(named.setdefault(name, factor), factor, rel_tol=_AGREE):
                raise InputError(
                    f"the unit '{name}' has two factors", file=document.name, row=element.line,
                    do="find out which is right",
                )  # fmt: skip
    if first is not None:
        return Units(primary=named[first.word("UnitName")], named=named)
    if declared is None or declared not in _OURS:
        raise InputError(
            "the document names no unit of length", file=document.name,
            do="say --unit; the standard then means metres, but it is never guessed",
        )  # fmt: skip
    return Units(primary=_OURS[declared], named=named)


def set_factor(document: Document, points: Element, units: Units) -> float:
    """Return millimetres in one unit of a measured point set, which may have units of its own."""
    own = points.first("Units/LinearUnit")
    return units.primary if own is None else _factor(document, own)


def _factor(document: Document, unit: Element) -> float:
    name = unit.word("UnitName")
    known = _NAMED.get(name.lower())
    conversion = unit.first("UnitConversion")
    if conversion is None:
        if known is None:
            raise InputError(
                f"the unit '{name}' comes without a factor", file=document.name, row=unit.line,
                do="export it in mm or inch",
            )  # fmt: skip
        return known
    factor, offset = conversion.first("Factor"), conversion.first("Offset")
    metres = document.number(factor) if factor is not None else 0.0
    shift = document.number(offset) if offset is not None and offset.text else 0.0
    if metres <= 0 or shift != 0:
        raise InputError(
            f"the unit '{name}' has a factor of {metres:g} and an offset of {shift:g}",
            file=document.name, row=unit.line, do="export it in mm or inch",
        )  # fmt: skip
    if known is not None and not isclose(known, 1000.0 * metres, rel_tol=_AGREE):
        raise InputError(
            f"the unit '{name}' is said to be {metres:g} m", file=document.name, row=unit.line,
            do="find out which is right",
        )  # fmt: skip
    return known if known is not None else 1000.0 * metres
