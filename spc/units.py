"""Lengths: the millimetre inside, the declared unit outside."""

from math import isclose

from spc.errors import InputError

#: Millimetres in one unit. The inch is exactly 25.4 mm; a thou is a thousandth of it.
MILLIMETRES = {"mm": 1.0, "in": 25.4, "thou": 0.0254}

#: Millimetres in units that people mix up, by name; files declare the units of ``MILLIMETRES``.
_MIXED_UP = {
    "millimetres": 1.0, "inches": 25.4, "thou": 0.0254, "metres": 1000.0, "micrometres": 0.001,
}  # fmt: skip

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


def mixed_up(unit: str) -> dict[str, float]:
    """Return what may be wrong with lengths declared in ``unit``, and what that makes them times.

    A file that holds inches and declares mm is 1/25.4 of its true size.
    """
    declared = MILLIMETRES[unit]
    found = {
        f"as where {name} are declared as '{unit}'": declared / millimetres
        for name, millimetres in _MIXED_UP.items()
        if millimetres != declared
    }
    return found | {
        f"as where lengths were {done} by {by:g} once too often": factor
        for by in (25.4, 1000.0)
        for done, factor in (("multiplied", by), ("divided", 1.0 / by))
        if not any(isclose(factor, known) for known in found.values())
    }


def spoken_factor(factor: float) -> str:
    """Return a factor as a sentence says it, such as ``25.4`` or ``1/25.4``."""
    return f"{factor:g}" if factor > 1.0 else f"1/{1.0 / factor:g}"


def millimetres_per(unit: str, *, file: str | None = None, row: int | None = None) -> float:
    """Return how many millimetres one ``unit`` is; an unknown unit is refused, never guessed."""
    try:
        return MILLIMETRES[unit]
    except KeyError:
        known = ", ".join(MILLIMETRES)
        raise InputError(
            f"unknown unit '{unit}'", file=file, row=row, column="unit", do=f"use one of {known}"
        ) from None
