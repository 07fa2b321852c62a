"""Numbers for people: digits from the unit, and never shown across a threshold."""

import math
from datetime import datetime

import pandas as pd

from spc.interval import Interval
from spc.units import MILLIMETRES

#: Decimals that a probed length deserves in each unit: a hundredth of a millimetre or so.
DECIMALS = {"mm": 3, "in": 4, "thou": 1}
#: Decimals of a length that is read from three metres.
COARSE = {"mm": 2, "in": 3, "thou": 0}
#: What stands where there is no number.
NONE = "–"


def per(unit: str) -> float:
    """Return the millimetres in one ``unit``; 1 for a unit that is no length, such as ``%``."""
    return MILLIMETRES.get(unit, 1.0)


def decimals(unit: str) -> int:
    """Return the decimals that a figure in ``unit`` deserves."""
    return DECIMALS.get(unit, 3)


def length(value: float, unit: str = "mm", *, signed: bool = False) -> str:
    """Return a length given in mm, in ``unit``, without the unit's name.

    A figure whose unit is no length, such as ``%``, is given in it.
    """
    if not math.isfinite(value):
        return NONE
    text = f"{value / per(unit):{'+' if signed else ''}.{decimals(unit)}f}"
    # A zero has no sign worth reading.
    return text.lstrip("+-") if float(text) == 0 else text


def way(value: float, unit: str, *edges: float) -> str:
    """Return a deviation given in mm as people say it: '0.96 mm inward'.

    Few digits, unless they would bring it onto or over one of the ``edges``, its tolerance.
    """
    if not math.isfinite(value):
        return "not measured"
    one, digits = MILLIMETRES[unit], COARSE[unit]
    for places in (digits, DECIMALS[unit], DECIMALS[unit] + 2):
        shown = float(f"{value / one:.{places}f}")
        if all((shown > e / one) == (value > e) and (shown < e / one) == (value < e)
               for e in edges if math.isfinite(e)):  # fmt: skip
            break
    if shown == 0:
        return "at its nominal place"
    return f"{abs(shown):.{places}f} {unit} {'outward' if shown > 0 else 'inward'}"


def number(value: float, decimals: int = 2) -> str:
    """Return a plain number."""
    return f"{value:.{decimals}f}" if math.isfinite(value) else NONE


def against(value: float, threshold: float, decimals: int = 2) -> str:
    """Return a number with as many decimals as keep it on its side of ``threshold``.

    1.3296 against a required 1.33 shows as 1.3296, never as 1.33.
    """
    if not math.isfinite(value):
        return NONE
    for digits in range(decimals, 12):
        text = f"{value:.{digits}f}"
        if (float(text) >= threshold) == (value >= threshold):
            return text
    return repr(value)


def share(value: float, decimals: int = 1) -> str:
    """Return a fraction as per cent."""
    return f"{100 * value:.{decimals}f} %" if math.isfinite(value) else NONE


def probability(value: float) -> str:
    """Return a probability; small ones are bounded, not printed as zero."""
    if not math.isfinite(value):
        return NONE
    return f"{value:.3f}" if value >= 0.001 else "< 0.001"


def span(interval: Interval | None, unit: str | None = None, decimals: int = 2) -> str:
    """Return an interval as 'low to high'; infinite ends in words."""
    if interval is None or math.isnan(interval.low) or math.isnan(interval.high):
        return NONE

    def end(value: float) -> str:
        return length(value, unit) if unit else number(value, decimals)

    if math.isinf(interval.low):
        return f"at most {end(interval.high)}"
    if math.isinf(interval.high):
        return f"at least {end(interval.low)}"
    return f"{end(interval.low)} to {end(interval.high)}"


def moment(value: datetime | None) -> str:
    """Return a time to the minute, UTC."""
    if value is None or pd.isna(value):
        return NONE
    return f"{value:%Y-%m-%d %H:%M}"


def count(number_of: int, one: str, many: str | None = None) -> str:
    """Return '1 piece', '3 pieces'."""
    return f"{number_of} {one if number_of == 1 else many or one + 's'}"
