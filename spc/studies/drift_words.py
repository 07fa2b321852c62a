"""The drift in plain sentences: what moved, since when, by how much, and that nothing else did."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from spc.charts.scan import FEWEST
from spc.plan import Plan
from spc.studies.covariates import CAVITY, TEMPERATURE
from spc.studies.shape_changes import GROWING, ShapeChange, ShapesChance
from spc.studies.shape_place import AS_WELL
from spc.studies.shape_series import SIZE
from spc.units import MILLIMETRES

if TYPE_CHECKING:
    from spc.studies.drift import ShapeDrift


def sentences_of(
    plan: Plan, found: Sequence["ShapeDrift"], chance: ShapesChance
) -> tuple[str, ...]:
    """Return one sentence for each shape that moved, and one for all the others."""
    moved = moved_shapes(found)
    return (*(_sentence(plan, shape) for shape in moved), *_rest(bool(moved), chance))


def moved_shapes(found: Sequence["ShapeDrift"]) -> list["ShapeDrift"]:
    """Return the shapes that are found to have moved, each once."""
    moved = [shape for shape in found if shape.changes]
    if any(shape.shape == SIZE for shape in moved):
        # The sizes along the axes say the same in three numbers.
        moved = [s for s in moved if not s.shape.startswith(f"{SIZE} along")]
    return moved


def _sentence(plan: Plan, shape: "ShapeDrift") -> str:
    parts = [_change(plan, shape, change) for change in shape.changes]
    warm = any(c.name == TEMPERATURE for c in shape.covariates)
    unknown = " (shrink or warmth: no temperature was recorded)"
    first = f"{shape.shape}{unknown if shape.unit == '%' and not warm else ''}: "
    left = {c.mould for c in shape.left_changes}
    gone = shape.covariates and not any(c.mould in left for c in shape.changes)
    cavity = " cavity" if any(c.name == CAVITY for c in shape.covariates) else ""
    with_them = f"temperature, age, mould{',' * bool(cavity)}{cavity} and resin lot"
    after = f"; it goes with {with_them} as recorded" if gone else ""
    return first + "; ".join(parts) + after


def change_words(plan: Plan, shape: "ShapeDrift", mould: str) -> str:
    """Return what is known of one shape on one mould, as a sentence without the names of either."""
    mine = [c for c in shape.changes if c.mould == mould]
    if mine:
        return "; ".join(_what(plan, shape, change) for change in mine)
    return "not found to have moved"


def _change(plan: Plan, shape: "ShapeDrift", change: ShapeChange) -> str:
    where = f"mould {change.mould}" if change.mould else "the part"
    return f"{where} {_what(plan, shape, change)}"


def _what(plan: Plan, shape: "ShapeDrift", change: ShapeChange) -> str:
    word = "growing, begun" if change.found == GROWING else "changed"
    if change.last_before:
        when = f"{word} between {change.last_before} and {change.first_after}"
    else:
        when = f"{word} by {change.first_after}, perhaps before the first batch"
    named = " and ".join(f"'{event}'" for event in change.events)
    verb = "is logged" if len(change.events) == 1 else "are logged"
    logged = f", where {named} {verb}" if named else ""
    return f"{_amount(plan, shape, change)}, {when}{logged}{_place(change)}"


def _place(change: ShapeChange) -> str:
    """Return that a single place would look the same, or explains what moved better."""
    if not change.place:
        return ""
    own, alone = (f"{100 * v:.0f} %" for v in (change.shape_share, change.place_share))
    if change.place_share > change.shape_share + AS_WELL:
        return (
            f" (or {change.place} alone: that explains {alone} of what moved, the shape {own}; "
            "look there first)"
        )
    return f" (or {change.place} alone: with these points that would look the same)"


def _amount(plan: Plan, shape: "ShapeDrift", change: ShapeChange) -> str:
    """Return a change with its interval, a size as smaller or larger, in the unit shown."""
    length = shape.unit == "mm"
    per, digits = (MILLIMETRES[plan.unit], 2 if plan.unit == "mm" else 4) if length else (1.0, 2)
    middle, low, high = (v / per for v in (change.shift, change.shift_low, change.shift_high))
    if shape.unit == "%":
        word, sign = ("larger", 1.0) if middle > 0 else ("smaller", -1.0)
        ends = sorted((sign * low, sign * high))
        return f"is {abs(middle):.2f} % {word} ({ends[0]:.2f} to {ends[1]:.2f})"
    unit = plan.unit if length else shape.unit
    return f"by {middle:+.{digits}f} {unit} ({low:+.{digits}f} to {high:+.{digits}f})"


def _rest(moved: bool, chance: ShapesChance) -> tuple[str, ...]:
    said = []
    if chance.charts:
        said.append("nothing else is found to have moved" if moved else
                    "no shape is found to have moved")  # fmt: skip
    for mould, batches in chance.unjudged:
        many = "1 batch is" if batches == 1 else f"{batches} batches are"
        where = f"mould {mould}: " if mould else ""
        said.append(f"{where}{many} too few to tell whether a shape moved; {FEWEST} are needed")
    return tuple(said)


def chance_words(chance: ShapesChance) -> str:
    """Return how often a shape is named where none moved."""
    if not chance.charts:
        return ""
    many = f"{chance.shapes} shape{'s' * (chance.shapes != 1)}"
    apart = "moulds and cavities" if chance.cavities else "moulds"
    moulds = f" on {chance.moulds} {apart}" if chance.moulds > 1 else ""
    usual = (
        f" (by limits meant for a single chart, about {chance.usual:.0f} of these {chance.charts} "
        "charts would show a signal by chance)"
        if chance.usual >= 0.5
        else ""
    )
    return (
        f"with {many}{moulds} over {chance.batches} batches, any at all is named where none moved "
        f"in at most {100 * chance.level:g} of 100 histories like this{usual}"
    )
