"""A proposed baseline for the terminal."""

from spc.pages.display import count, moment, probability
from spc.studies.lines import FEWEST
from spc.studies.proposing import BaselineProposal, MouldProposal


def proposal_text(found: BaselineProposal) -> str:
    """Return the stretch proposed for each mould, and how to freeze it."""
    what = "batch" if found.by == "batch" else "piece"
    lines = [line for one in found.moulds for line in (*_mould(one, what), "")]
    if sum(one.n for one in found.moulds) < FEWEST:
        many = "batches" if what == "batch" else "pieces"
        lines.append(f"Too short to freeze limits from: {FEWEST} {many} are needed.")
    elif found.span:
        lines.append(
            f"In common: --baseline {found.span}. Freeze it with: spc limits freeze --baseline "
            f"{found.span} --why '...'"
        )
    else:
        lines.append("The moulds have no stretch in common: freeze each with --mould.")
    return "\n".join(lines)


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
