"""A sketch of the part opened flat, drawn without a library: every patch a dot, one large."""

from spc.pages.figures.net import net
from spc.pages.html import Html, el
from spc.plan import FIT, Plan

#: Sizes of an ordinary dot and of the marked one, as shares of the drawing's width.
DOT, MARKED = 0.011, 0.034
#: Free space round the drawing, so that no edge is cut off, as a share of its width.
RIM = 0.006


def sketch(plan: Plan, marked: str, *, act: bool) -> Html:
    """Return the sketch.

    Parameters
    ----------
    plan
        The plan.
    marked
        The point that is marked; empty for none.
    act
        True where the mark asks for action.
    """
    flat = net(plan)
    left, low = (min(side.low[k] for side in flat.sides) for k in (0, 1))
    right, high = (max(side.high[k] for side in flat.sides) for k in (0, 1))
    rim = RIM * (right - left)
    left, low, right, high = left - rim, low - rim, right + rim, high + rim
    width = right - left
    sides = [
        el("rect", x=_at(s.low[0] - left), y=_at(high - s.high[1]), width=_at(s.high[0] - s.low[0]),
           height=_at(s.high[1] - s.low[1]), class_="side")
        for s in flat.sides
    ]  # fmt: skip
    dots = []
    for point, (x, y) in sorted(
        zip(plan.points, flat.at.tolist(), strict=True), key=lambda pair: pair[0].id == marked
    ):
        here = point.id == marked
        kind = "here act" if here and act else "here" if here else "dot"
        kind += " fit" if point.role == FIT and not here else ""
        size = width * (MARKED if here else DOT)
        dots.append(el("circle", cx=_at(x - left), cy=_at(high - y), r=_at(size), class_=kind))
    named = f"The part opened flat; {marked} is marked" if marked else "The part opened flat"
    return el(
        "svg", *sides, *dots, viewBox=f"0 0 {_at(width)} {_at(high - low)}", role="img",
        aria_label=named, class_="sketch",
    )  # fmt: skip


def _at(value: float) -> str:
    return f"{value:.1f}"
