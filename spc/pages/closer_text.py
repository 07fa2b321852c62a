"""The closer look at a run, for the terminal: second opinion, 20 °C, stations of the arm."""

from collections.abc import Sequence

from spc.pages.display import NONE, length, number, share
from spc.pages.text import table
from spc.studies.second_opinion import SecondOpinion
from spc.studies.station_join import Joined, Stations
from spc.studies.warmth import Warmth


def second_lines(second: SecondOpinion | None, unit: str) -> Sequence[str]:
    """Return the second opinion beside the plan's own fit; nothing where none is asked for."""
    if second is None:
        return ()
    if second.note:
        return ("", f"second opinion ({second.method}): none: {second.note}")
    noise = f" at a noise of {length(second.sigma, unit)}" if second.sigma > 0 else ""
    head = (
        f"second opinion ({second.method}{noise}), beside the fit and never in its place: it "
        f"{second.words}"
    )
    change = (
        f"largest change elsewhere: {length(second.largest, unit, signed=True)} at "
        f"{second.largest_at}"
    )
    rows = [
        (p.point, length(p.deviation, unit, signed=True), length(p.second, unit, signed=True),
         length(p.second - p.deviation, unit, signed=True),
         share(p.pull, 0) if p.role == "fit" else NONE)
        for p in second.points if p.role == "fit"
    ]  # fmt: skip
    columns = ("fit point", "by the plan's fit", "by the second", "change", "pull kept")
    return ("", head, change, table(columns, rows, " rrrr"))


def warmth_lines(warmth: Warmth | None, unit: str) -> Sequence[str]:
    """Return what the run is at 20 °C, in words; the figures stand beside the raw ones."""
    if warmth is None:
        return ()
    if warmth.note:
        return ("", warmth.note)
    return (
        f"at 20 °C: the part was measured at {number(warmth.temperature, 1)} °C; lengths change by "
        f"{warmth.percent:+.4f} % (expansion {warmth.expansion * 1e6:.3g}e-6 per K, uncertain by "
        f"{share(warmth.spread, 0)}), {length(warmth.largest, unit)} ± "
        f"{length(warmth.uncertainty, unit)} at the farthest point; an estimate for study, the raw "
        "deviation is what is judged",
    )


def station_lines(stations: Stations | None, unit: str) -> Sequence[str]:
    """Return what the stations of a run say of their join; nothing where there is one station."""
    if stations is None:
        return ()
    lines = ["", f"stations: {stations.words}"]
    for one in stations.joins:
        lines += _joined(one, unit)
    return lines


def _joined(one: Joined, unit: str) -> list[str]:
    lines = [
        f"station {one.second} against {one.first}, {len(one.seats)} points from both: apart by "
        f"{length(one.apart, unit)} (root mean square), along the normals by "
        f"{length(one.along, unit)}"
    ]
    if one.left == one.left:
        lines.append(
            f"best join: turned by {one.turn:.4f}°, shifted by {length(one.shift, unit)}, "
            f"{length(one.left, unit)} left at the seats"
        )
    if one.added == one.added:
        lines.append(
            f"it adds up to {length(one.added, unit)} (one standard deviation) at "
            f"{one.added_at}, in common to the {one.carried} points from that station only"
        )
    rows = [
        (s.point, length(s.apart, unit), length(s.along, unit, signed=True), length(s.left, unit))
        for s in one.seats
    ]
    lines.append(table(("seat", "apart", "along normal", "left"), rows, " rrr"))
    return [*lines, *([f"note: {one.note}"] if one.note else [])]
