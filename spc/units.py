"""Lengths: the millimetre inside, the declared unit outside."""

from spc.errors import InputError

#: Millimetres in one unit. The inch is exactly 25.4 mm; a thou is a thousandth of it.
MILLIMETRES = {"mm": 1.0, "in": 25.4, "thou": 0.0254}

#: The unit's name as it is spoken on a page.
SPOKEN = {"mm": "mm", "in": "in", "thou": "thou (0.001 in)"}

#: Decimals in a sentence: a hundredth of a millimetre, or about as fine.
DECIMALS = {"mm": 2, "in": 4, "thou": 1}


def spoken_length(value: float, unit: str, *, signed: bool = False, more: int = 0) -> str:
    """Return a length in mm as a sentence says it in ``unit``, such as ``+0.12 mm``.

    ``more`` decimals than usual are given, fewer where it is negative.
    """
    decimals = max(0, DECIMALS[unit] + more)
    return f"{value / MILLIMETRES[unit]:{'+' if signed else ''}.{decimals}f} {unit}"


def millimetres_per(unit: str, *, file: str | None = None, row: int | None = None) -> float:
    """Return how many millimetres one ``unit`` is; an unknown unit is refused, never guessed."""
    try:
        return MILLIMETRES[unit]
    except KeyError:
        known = ", ".join(MILLIMETRES)
        raise InputError(
            f"unknown unit '{unit}'", file=file, row=row, column="unit", do=f"use one of {known}"
        ) from None
