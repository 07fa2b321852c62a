"""A rehearsal for the terminal: what would be seen of each fault."""

from spc.pages.display import NONE, length, share
from spc.pages.text import table
from spc.studies.rehearse_plan import PlanRehearsed, RehearsedFault, SeenBy

#: Figures told of each fault beyond the two tests, the most certain first.
MOST = 4
#: A figure has seen something where it speaks this many standard errors beyond its false alarms.
BEYOND = 4.0


def rehearse_text(found: PlanRehearsed) -> str:
    """Return a table of the faults, and what else saw them."""
    head = (
        f"Rehearsal of {found.part} {found.revision}, {found.name}: {found.trials} alignments a "
        f"fault, seed {found.seed}"
    )
    noise = (
        f"probing noise {length(found.sigma)} mm for one reading ({found.sigma_source}), known to "
        f"the tests; each figure's false alarms {share(found.alpha, 2)}; lengths in mm"
    )
    rows = [_row(fault) for fault in found.faults]
    columns = ("planted", "overall test", "worst-point test", "names it", "names another",
               "moves most")  # fmt: skip
    return "\n".join([
        head, noise,
        "probing alone: the part's own variation is left out; with the noise that 'spc run show' "
        "tests against as --sigma, the figures are those of a run's verdict",
        "",
        table(columns, rows, " rrrr"),
        "± one standard error; 'names it' counts the set of points that cannot be told apart",
        "",
        *(_others(fault, found.alpha, found.trials) for fault in found.faults),
        *([f"note: {found.note}"] if found.note else []),
    ])  # fmt: skip


def _row(fault: RehearsedFault) -> tuple[str, ...]:
    overall, point = fault.seen[0], fault.seen[1]
    most = fault.shifts[0] if fault.shifts else None
    moves = f"{most.point} {length(most.shift, signed=True)}" if most else NONE
    return (
        fault.fault, _rate(overall.rate, overall.error), _rate(point.rate, point.error),
        _rate(fault.named, fault.named_error), _rate(fault.misnamed, fault.misnamed_error),
        moves if fault.guilty or fault.fault != "nothing wrong" else NONE,
    )  # fmt: skip


def _rate(rate: float, error: float) -> str:
    return NONE if rate != rate else f"{100 * rate:.1f} ± {100 * error:.1f} %"


def _others(fault: RehearsedFault, alpha: float, trials: int) -> str:
    rest = sorted(fault.seen[2:], key=lambda s: -s.rate)
    # The error at the rate of false alarms: a share of nought has none of its own.
    floor = alpha + BEYOND * (alpha * (1.0 - alpha) / trials) ** 0.5
    seen = [s for s in rest if s.rate > floor]
    told = ", ".join(map(_told, seen[:MOST])) or "nothing beyond false alarms"
    more = f" and {len(seen) - MOST} more figures" if len(seen) > MOST else ""
    return f"{fault.fault}: also seen by {told}{more}"


def _told(one: SeenBy) -> str:
    return f"{one.figure} ({_rate(one.rate, one.error)})"
