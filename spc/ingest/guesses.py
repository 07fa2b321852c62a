"""Guesses at what a column is, by its name or its values; only ever proposed to people."""

import re
import unicodedata
from collections.abc import Sequence

#: Our name, and other names that people give such a column, without blanks and marks.
WORDS: dict[str, tuple[str, ...]] = {
    "part": ("partno", "partnumber", "partid", "artikel", "artikelnr", "teil", "teilenr",
             "teilenummer", "sachnummer", "item", "modelnumber"),
    "revision": ("rev", "index", "version", "aenderungsindex"),
    "serial": ("serialno", "serialnumber", "sn", "seriennr", "seriennummer", "piece", "pieceid",
               "stueck", "bauteil", "partsn", "dmc"),
    "mould": ("mold", "mouldid", "form", "werkzeug", "tool"),
    "cavity": ("cavityid", "kavitaet", "nest", "formnest"),
    "batch": ("lot", "lotno", "lotnumber", "batchno", "charge", "chargennr", "los"),
    "run": ("runid", "trial", "lauf", "messung", "messlauf", "measurement"),
    "operator": ("operatorid", "inspector", "user", "bediener", "pruefer"),
    "device": ("deviceid", "arm", "machine", "maschine", "geraet", "messmittel"),
    "probe": ("stylus", "taster", "tastkugel"),
    "setup": ("setupid", "aufspannung"),
    "study": ("studie",),
    "measured_at": ("measuredon", "time", "timestamp", "date", "datetime", "zeit", "datum",
                    "zeitpunkt", "messzeit"),
    "part_temp_c": ("parttemp", "parttemperature", "temperature", "temperatur", "temp",
                    "teiltemperatur", "bauteiltemperatur"),
    "hours_since_moulding": ("age", "ageh", "alter", "alterh"),
    "station": ("standort",),
    "point": ("pointid", "pointname", "feature", "featurename", "merkmal", "punkt", "messpunkt"),
    "hit": ("hitno", "hitindex", "touch", "antastung"),
    "x": ("xmm", "posx", "measuredx", "xist"),
    "y": ("ymm", "posy", "measuredy", "yist"),
    "z": ("zmm", "posz", "measuredz", "zist"),
    "deviation": ("dev", "delta", "abweichung", "abw"),
    "residual": ("fitresidual", "restfehler"),
    "unit": ("units", "linearunit", "einheit"),
}  # fmt: skip
#: Ways in which times are written, beside ISO 8601, the likelier first.
TIME_FORMATS = (
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%y %H:%M", "%d.%m.%Y", "%Y/%m/%d %H:%M:%S",
    "%Y/%m/%d %H:%M", "%Y%m%d%H%M%S", "%Y%m%d %H%M%S",
)  # fmt: skip
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}.*)?")
_ZONED = re.compile(r".*(Z|[+-]\d{2}:?\d{2})")
_CLOCK = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def plain(name: str) -> str:
    """Return a name in small letters without marks, blanks and what stands in brackets."""
    text = re.sub(r"[\[(<].*?[\])>]", "", name.casefold())
    for letter, two in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss")):
        text = text.replace(letter, two)
    text = unicodedata.normalize("NFKD", text)
    return "".join(c for c in text if c.isalnum() and c.isascii())


def by_name(column: str) -> str:
    """Return our name of a column by its own; empty where it tells none."""
    word = plain(column)
    return next((ours for ours, others in WORDS.items() if word in (plain(ours), *others)), "")


def is_times(values: Sequence[str]) -> bool:
    """Tell whether values are times as ISO 8601 writes them."""
    return bool(values) and all(_ISO.fullmatch(v) for v in values)


def are_zoned(values: Sequence[str]) -> bool:
    """Tell whether all times carry their offset; a day alone carries none."""
    return all(_ZONED.fullmatch(v) and ":" in v for v in values)


def is_clock(values: Sequence[str]) -> bool:
    """Tell whether values are times of a clock without a day."""
    return bool(values) and all(_CLOCK.fullmatch(v) for v in values)


def are_numbers(values: Sequence[str]) -> bool:
    """Tell whether values are numbers, with either decimal mark."""
    return bool(values) and all(_NUMBER.fullmatch(v) for v in values)


def are_counts(values: Sequence[str]) -> bool:
    """Tell whether values are small whole numbers that begin at 1 again and again."""
    small = bool(values) and all(v.isascii() and v.isdigit() and len(v) < 3 for v in values)
    return small and values.count("1") > 1 and len(set(values)) > 1
