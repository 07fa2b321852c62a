"""Charts compared, for the terminal."""

from spc.charts.design import Design
from spc.pages.display import count, length, number
from spc.pages.text import table
from spc.studies.chart_design import ChartDesign


def design_text(found: ChartDesign) -> str:
    """Return the charts, the quickest first; lengths in mm."""
    designs = found.designs
    head = [
        f"shift {length(found.shift)} mm, {number(designs.shift_in_sigma)} times the standard "
        f"deviation of a mean of {designs.batch} ({length(designs.sigma_charted)} mm; within "
        f"batches {length(found.sigma_within)}, between {length(found.sigma_between)} mm, "
        f"{found.stands_on}); a false alarm every {number(designs.run_length, 0)} batches",
        *([f"note: {found.few}"] if found.few else []),
        *(f"note: {text}" for text in designs.notes),
    ]
    rows = [_row(one) for one in designs.designs]
    enough = count(found.smallest_batch or 0, "piece")
    columns = ("chart", "settings (sigma)", "in control", "to find it", "pieces", "rules")
    smallest = (
        f"Limits alone find it within 3 batches with {enough} a batch."
        if found.smallest_batch
        else "No batch up to 50 pieces lets limits alone find it within 3 batches."
    )
    return "\n".join([*head, "", table(columns, rows, "  rrr"), "", smallest])


def _row(one: Design) -> tuple[str, ...]:
    settings = ", ".join(f"{name} {value:.3g}" for name, value in one.settings.items())
    return (
        one.chart, settings, number(one.in_control.mean, 0), number(one.shifted.mean, 1),
        number(one.pieces_to_signal, 0), ", ".join(one.rules),
    )  # fmt: skip
