"""Whether an arm may be trusted, for the terminal."""

from math import isfinite

from spc.pages.display import NONE, count, length, moment, number, probability, share, span
from spc.pages.text import table
from spc.studies.trust import Trust

#: Newest checks and oldest suspect runs that are listed; the rest is counted.
SHOWN, LISTED = 12, 20


def trust_text(found: Trust) -> str:
    """Return the answer first, then the checks, then what has to be looked back on."""
    lines = [f"May {found.device} measure? {found.answer.upper()}. {found.why}."]
    lines += [f"note: {text}" for text in found.notes]
    if isfinite(found.drift_a_month):
        lines.append(
            f"drift of the bias: {length(found.drift_a_month, signed=True)} mm a month "
            f"(p {probability(found.drift_p)})"
        )
    if isfinite(found.slope):
        lines.append(
            f"with length: {length(found.slope, signed=True)} mm per metre "
            f"(p {probability(found.slope_p)})"
        )
    if isfinite(found.bias.value):
        known = (
            f"the reference known to {length(found.reference_u)}"
            if isfinite(found.reference_u)
            else "the reference taken as exact"
        )
        lines.append(
            f"bias on {found.artefact}: {length(found.bias.value, signed=True)} mm "
            f"({span(found.bias.interval, 'mm')}), {count(found.bias.n, 'reading')}, {known}"
        )
    for name, figure in (("Cg", found.cg), ("Cgk", found.cgk)):
        if figure is not None:
            lines.append(f"{name} {number(figure.value)} ({span(figure.interval)}), on "
                         f"{count(figure.n, 'reading')}")  # fmt: skip
    if isfinite(found.q_ms):
        lines.append(f"Q_MS {share(found.q_ms)} of the tolerance, 15 % at most is usual "
                     "(ISO 22514-7, from memory)")  # fmt: skip
    rows = [
        (
            moment(s.checked_at), s.artefact, s.place or NONE, str(s.readings),
            length(s.bias, signed=True), length(s.sd), length(s.lower, signed=True),
            length(s.upper, signed=True), {True: "good", False: "BAD", None: NONE}[s.good],
        )
        for s in found.sessions[-SHOWN:]
    ]  # fmt: skip
    head = ("checked (UTC)", "artefact", "place", "n", "bias", "sd", "lower", "upper", "")
    return "\n".join([*lines, "", table(head, rows, "   rrrrr"), *_look_back(found)])


def _look_back(found: Trust) -> list[str]:
    if not found.look_back:
        return []
    since = f"the last good check, {moment(found.since)} UTC" if found.since else "the beginning"
    lines = ["", f"{count(len(found.look_back), 'run')} of {found.device} since {since} to review, "
             "shipped or not:"]  # fmt: skip
    lines += [
        f"  {r.run}, piece {r.serial}, batch {r.batch or NONE}, {moment(r.measured_at)}"
        for r in found.look_back[:LISTED]
    ]
    more = len(found.look_back) - LISTED
    return [*lines, *([f"  and {more} more; --json lists them all"] if more > 0 else [])]
