"""A gauge study for the terminal."""

from spc.gauge.band import Band
from spc.gauge.quantities import Quantities
from spc.pages.display import NONE, count, length, number, share
from spc.pages.text import table
from spc.studies.gauge import GaugeStudy

#: The components in words, from the smallest step of measuring to the part itself.
WORDS = {
    "hit": "probing (hit within point)",
    "setup": "set-up (lift, re-seat, re-align)",
    "operator_piece": "operator x piece",
    "operator": "operator",
    "piece": "piece",
}


def gauge_text(study: GaugeStudy) -> str:
    """Return the components pooled over like points, then each point's figures."""
    unit = study.plan.unit
    last = len(study.groups) - 1
    head = (
        f"{study.plan.part} {study.plan.revision}, gauge study {study.study}: "
        f"{study.counts.in_words()}, {count(study.runs, 'run')}, "
        f"{count(len(study.points), 'check point')}; standard deviations in {unit}, "
        f"{study.pooled.gauge.level:.0%} intervals"
    )
    notes = [*study.notes, *study.quantities.notes]
    return "\n".join([
        head,
        *(f"note: {text}" for text in dict.fromkeys(notes)),
        "",
        f"Pooled over {study.groups[last]}:",
        _components(study.pooled, last, unit),
        "",
        _points(study, unit),
    ])  # fmt: skip


def _components(pooled: Quantities, at: int, unit: str) -> str:
    total = float(pooled.total.value[at]) ** 2
    rows = [
        (WORDS.get(name, name), *_lengths(band, at, unit), _share(band, at, total))
        for name, band in pooled.sd.items()
    ]
    rows += [
        (f"gauge (one value, mean of {count(pooled.hits, 'hit')})",
         *_lengths(pooled.gauge, at, unit), _share(pooled.gauge, at, total)),
        ("all together", *_lengths(pooled.total, at, unit), _share(pooled.total, at, total)),
    ]  # fmt: skip
    return table(("source", "sd", "interval", "of variance"), rows, " rrr")


def _lengths(band: Band, at: int, unit: str) -> tuple[str, str]:
    low, high = length(band.low[at], unit), length(band.high[at], unit)
    value = length(band.value[at], unit)
    return value, NONE if value == NONE else f"{low} to {high}"


def _share(band: Band, at: int, total: float) -> str:
    value = float(band.value[at])
    return share(value**2 / total) if total > 0 else NONE


def _points(study: GaugeStudy, unit: str) -> str:
    found = study.quantities
    rows = [
        (
            name,
            *(length(found.sd[key].value[at], unit) for key in WORDS),
            length(found.gauge.value[at], unit),
            _fraction(found.of_study, at),
            _fraction(found.of_tolerance, at),
            _categories(found.distinct, at),
        )
        for at, name in enumerate(study.points)
    ]
    head = ("point", "probing", "set-up", "op x piece", "operator", "piece", "gauge",
            "of study", "of tolerance", "categories")  # fmt: skip
    return table(head, rows, " rrrrrrrrr")


def _fraction(band: Band, at: int) -> str:
    value = float(band.value[at])
    if value != value:
        return NONE
    return f"{share(value)} ({share(band.low[at])} to {share(band.high[at])})"


def _categories(band: Band, at: int) -> str:
    value = float(band.value[at])
    return NONE if value != value else f"{number(float(int(value)), 0)}"
