"""A closer look at a point's capability, for the terminal."""

from math import isfinite, isinf, isnan

from spc.pages.display import NONE, against, count, length, number, probability, share
from spc.studies.capability import CapabilityStudy
from spc.studies.capability_details import (
    Acceptance,
    ExpectedOutside,
    Holding,
    NamedShape,
    WithoutGauge,
)
from spc.studies.capability_groups import GroupCapability
from spc.studies.capability_points import PointCapability

#: Serials named one by one; the others are counted.
NAMED = 8
_WIDTH = 14


def detail_text(study: CapabilityStudy, at: int) -> str:
    """Return everything about one point, a line for each question."""
    point, look = study.points[at], study.details[at]
    unit = study.plan.unit
    lines = [
        point.point,
        _line("verdict", _verdict(point)),
        *([_line("note", point.note)] if point.note else []),
        _line("stands on", _basis(point)),
        _line("spread", _spread(point, unit)),
        *_indices(point, study.required, unit),
        _line("shape", _shape(look.shape, point, unit)),
        _line("outside", _outside(point, look.expected)),
        _line("to come", _holding(look.holding, unit)),
        *_gauge(study, look.without_gauge),
        _line("acceptance", _acceptance(look.acceptance, unit)),
    ]
    return "\n".join(lines)


def _line(label: str, text: str) -> str:
    return f"  {label:{_WIDTH}}{text}"


def _verdict(point: PointCapability) -> str:
    said = point.verdict in point.reason
    return point.reason if said else f"{point.verdict}: {point.reason}"


def _basis(point: PointCapability) -> str:
    worth = f", worth {point.n_effective:.1f} independent ones" if _known(point.n_effective) else ""
    quiet = "; steady within the span" if point.stable else ""
    return f"{count(point.n, 'piece')} of {count(point.batches, 'batch', 'batches')}{worth}{quiet}"


def _spread(point: PointCapability, unit: str) -> str:
    between = (
        f"{length(point.sd_between, unit)} between them ({share(point.share_between, 0)} of the "
        "variance), "
        if _known(point.sd_between)
        else ""
    )
    ends = (
        f" ({length(point.sd_low, unit)} to {length(point.sd_high, unit)})"
        if _known(point.sd_low, point.sd_high)
        else ""
    )
    reach = f"; from {length(point.smallest, unit, signed=True)} to " + length(
        point.largest, unit, signed=True
    )
    return (
        f"sd {length(point.sd_within, unit)} within batches, {between}"
        f"{length(point.sd, unit)} together{ends}{reach}"
    )


def _indices(point: PointCapability, required: float, unit: str) -> list[str]:
    def of(key: str) -> str:
        value, low, high = (getattr(point, f"{key}{end}") for end in ("", "_low", "_high"))
        return f"{key.capitalize()} {_ranged(value, low, high, required)}"

    said = [_line("within", f"{of('cp')}, {of('cpk')}")]
    label = "performance" if point.performance else "whole"
    sides = f"lower side {against(point.ppl, required)}, upper side {against(point.ppu, required)}"
    said.append(_line(label, f"{of('pp')}, {of('ppk')}; {sides}"))
    aim = length(point.target, unit, signed=True)
    if aim != NONE:
        said.append(_line("on target", f"{of('cpm')} about {aim}"))
    return said


def _ranged(value: float, low: float, high: float, required: float) -> str:
    text = against(value, required)
    if text == NONE or isnan(low) or isnan(high):
        return text
    return f"{text} ({number(low)} to {number(high) if isfinite(high) else 'no end'})"


def _shape(shape: NamedShape, point: PointCapability, unit: str) -> str:
    tried = ", ".join(f"{t.family} p {probability(t.p_value)}" for t in shape.tried)
    named = shape.family or "none named"
    ends = ""
    if _known(shape.x_low, shape.x_mid, shape.x_high):
        low, middle, high = (
            length(x, unit, signed=True) for x in (shape.x_low, shape.x_mid, shape.x_high)
        )
        ends = f"; 0.135 % below {low}, half below {middle}, 0.135 % above {high}"
    note = f". {shape.note}" if shape.note else ""
    return f"{named}{f' (tried: {tried})' if tried else ''}{ends}{note}"


def _outside(point: PointCapability, expected: ExpectedOutside) -> str:
    seen = f"{point.outside} of {point.n} seen"
    if _known(point.seen_low, point.seen_high):
        seen += f" ({part(point.seen_low)} to {part(point.seen_high)})"
    foretold = ""
    if _known(expected.both):
        foretold = f"; {part(expected.both)} expected"
        if _known(expected.low, expected.high):
            foretold += f" ({part(expected.low)} to {part(expected.high)})"
    return f"{seen}{foretold}{f'. {expected.note}' if expected.note else ''}"


def part(value: float) -> str:
    """Return a share of pieces as per cent, small ones to two digits or as a bound."""
    if not isfinite(value):
        return NONE
    if value == 0.0:
        return "0 %"
    if value < 1e-7:
        return "below 0.00001 %"
    if value < 0.001:
        text = f"{100 * value:.2g}"
        return f"{float(text):.{max(0, 1 - _exponent(float(text)))}f} %"
    return share(value)


def _exponent(value: float) -> int:
    return int(f"{value:e}".split("e")[1])


def _holding(holding: Holding, unit: str) -> str:
    said = f"{share(holding.coverage, 1 if holding.coverage > 0.99 else 0)} of pieces"
    if not _known(holding.achieved):
        return f"{said}: {holding.note or NONE}"
    ends = " and ".join(
        f"{word} {length(end, unit, signed=True)}"
        for word, end in (("above", holding.low), ("below", holding.high))
        if not isinf(end)
    )
    note = f". {holding.note}" if holding.note else ""
    sure = f"{100 * holding.achieved:.3g} % confidence"
    return f"{said} {ends}, with {sure} ({holding.method}){note}"


def _gauge(study: CapabilityStudy, free: WithoutGauge) -> list[str]:
    if not study.gauge:
        return [_line("without gauge", f"{_sentence(study.gauge_note)}")]
    unit = study.plan.unit
    if not _known(free.gauge_sd):
        return [_line("without gauge", free.note)]
    noise = f"sd {length(free.gauge_sd, unit)}, {share(free.gauge_share)} of the variance"
    own = (
        f"{length(free.sd, unit)} ({length(free.sd_low, unit)} to {length(free.sd_high, unit)})"
        if _known(free.sd)
        else NONE
    )
    pp = _ranged(free.pp, free.pp_low, free.pp_high, study.required)
    ppk = _ranged(free.ppk, free.ppk_low, free.ppk_high, study.required)
    note = f" {free.note}" if free.note else ""
    extra = [_line("", f"{_sentence(study.gauge_note)}")] if study.gauge_note else []
    return [
        _line("gauge", f"study {study.gauge}: {noise}"),
        _line(
            "without gauge",
            f"sd {own}; Pp {pp}, Ppk {ppk}.{note} An estimate beside what was seen.",
        ),
        *extra,
    ]


def _acceptance(found: Acceptance, unit: str) -> str:
    if not _known(found.guard):
        return found.note
    said = (
        f"{found.conforming} conform, {found.not_proven} not proven, {found.not_conforming} do not "
        f"conform; accepted {_between(found.accept_low, found.accept_high, unit)}, guard band "
        f"{length(found.guard, unit)}"
    )
    if _known(found.false_accept, found.false_reject):
        said += (
            f"; of all pieces {part(found.false_accept)} would be accepted though outside, "
            f"{part(found.false_reject)} not accepted though inside"
        )
    return f"{said}{f'. {found.note}' if found.note else ''}"


def _between(low: float, high: float, unit: str) -> str:
    if isnan(low):
        return f"up to {length(high, unit, signed=True)}"
    if isnan(high):
        return f"from {length(low, unit, signed=True)}"
    return f"from {length(low, unit, signed=True)} to {length(high, unit, signed=True)}"


def zones_text(study: CapabilityStudy) -> str:
    """Return whole pieces by zone, with the rule, and how the yield was modelled."""
    found = study.zones
    if found is None:
        return ""
    lines = [
        f"pieces judged at {count(found.points, 'point')} each: {found.conforming} conform, "
        f"{found.not_proven} not proven, {found.not_conforming} do not conform",
        *_serials("do not conform", found.failing),
        *_serials("not proven", found.doubtful),
        f"  rule: {found.rule}",
        *(line for group in study.groups for line in _yield(group)),
    ]
    return "\n".join(lines)


def _serials(word: str, serials: tuple[str, ...]) -> list[str]:
    if not serials:
        return []
    rest = len(serials) - NAMED
    return [f"  {word}: {', '.join(serials[:NAMED])}{f' and {rest} more' if rest > 0 else ''}"]


def _yield(group: GroupCapability) -> list[str]:
    if not _known(group.modelled):
        return []
    ends = (
        f" ({share(group.modelled_low)} to {share(group.modelled_high)})"
        if _known(group.modelled_low, group.modelled_high)
        else ""
    )
    return [
        f"  {group.group}: {share(group.modelled)} of pieces all in expected{ends}; "
        f"{share(group.if_independent)} if its points had nothing to do with each other. "
        f"{group.modelled_note}"
    ]


def _known(*values: float) -> bool:
    return all(isfinite(v) for v in values)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}" if text else NONE
