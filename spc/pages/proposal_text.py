"""A proposed baseline for the terminal."""

from spc.pages.display import count, moment, probability
from spc.studies.lines import FEWEST
from spc.studies.monitor_words import SETTLED
from spc.studies.proposing import BaselineProposal, MouldProposal


def proposal_text(found: BaselineProposal) -> str:
    """Return the stretch proposed for each mould, and how to freeze it."""
    what = "batch" if found.by == "batch" else "piece"
    many = "batches" if what == "batch" else "pieces"
    lines = [f"note: {text}" for text in found.remarks]
    lines += [line for one in found.moulds for line in (*_mould(one, what), "")]
    return "\n".join([*lines, _advice(found, what, many)])


def _advice(found: BaselineProposal, what: str, many: str) -> str:
    """Return how to freeze it, or why there is too little to freeze."""
    most = max((one.n for one in found.moulds), default=0)
    if sum(one.n for one in found.moulds) < FEWEST or (not found.span and most < FEWEST):
        return (
            f"Too few to freeze limits from: {FEWEST} {many} without a change are needed, "
            f"{SETTLED} or more make limits that are settled."
        )
    if not found.span:
        return "The moulds have no stretch in common: look at each with --mould, and freeze it so."
    if found.common < FEWEST:
        return (
            f"In common they have only {count(found.common, what, many)} ({found.span}), too few "
            f"to freeze limits from: {FEWEST} are needed. Look at each mould with --mould, and "
            "freeze it so."
        )
    return (
        f"In common: --baseline {found.span}. Freeze it with: spc limits freeze --baseline "
        f"{found.span} --why '...'"
    )


def _mould(one: MouldProposal, what: str) -> list[str]:
    many = "batches" if what == "batch" else "pieces"
    lines = [
        f"mould {one.mould or 'unknown'}: {one.first} to {one.last} ({moment(one.since)} to "
        f"{moment(one.until)} UTC), {count(one.n, what, many)} without a change of level"
    ]
    lines += [f"  note: {one.note}"] if one.note else []
    lines += [
        f"  might be left out, if a cause is found: {o.label}, {o.reason} at {_some(o.series)}"
        for o in one.left_out
    ]
    lines += [
        f"  change before {c.label} ({moment(c.at)}): {_some(c.series)}, p {probability(c.p)}"
        + (f", looked for here since mould {c.seen_in} shows it" if c.seen_in else "")
        + (f"; last event before it: {c.event}" if c.event else "")
        for c in one.changes
    ]
    return lines


def _some(names: tuple[str, ...]) -> str:
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return ", ".join(names[:4]) + more
