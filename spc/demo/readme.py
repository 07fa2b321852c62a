"""The page that explains the sample files."""

from textwrap import fill

from spc.demo.hood import NAME, PART, RESIDUAL_LIMIT, REVISION
from spc.demo.scenario import Scenario
from spc.demo.truth import Knock, Reading, Step, Truth, Warp

COMPONENTS = {
    "hit": "one hit",
    "setup": "a new placing (flex, warmth, and the pose error of the fit points' hits)",
    "operator_piece": "operator by piece",
    "operator": "operator (the three of this study)",
    "reported": "one reported patch: hit/3 and all of the above",
    "piece_ten": "piece (the ten of this study)",
    "piece_process": "piece (any mould, any batch)",
}


def readme(scenario: Scenario) -> str:
    """Return the page as Markdown."""
    t = scenario.truth
    parts = [
        "# Sample runs",
        _opening(t),
        _files(scenario),
        _frame(),
        "## How the pieces vary",
        _layers_intro(),
        _layers(t),
        _rules(t),
        "## What goes wrong",
        _troubles(t),
        "## The gauge study",
        _study_intro(t),
        _components(t),
        "## What this is not",
        _limits(),
    ]
    return "\n\n".join(parts) + "\n"


def _wrapped(text: str) -> str:
    return fill(" ".join(text.split()), 100, break_on_hyphens=False, break_long_words=False)


def _bullets(texts: list[str]) -> str:
    return "\n".join(
        fill(
            " ".join(text.split()),
            100,
            initial_indent="- ",
            subsequent_indent="  ",
            break_on_hyphens=False,
            break_long_words=False,
        )
        for text in texts
    )


def _table(rows: list[tuple[str, ...]]) -> str:
    lines = [rows[0], ("---",) * len(rows[0]), *rows[1:]]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _opening(t: Truth) -> str:
    pieces = sum(b.pieces for b in t.batches)
    first, last = t.batches[0].moulded, t.batches[-1].moulded
    return _wrapped(
        f"""A simulated scenario with a known truth: {PART} revision {REVISION}, "{NAME}", a
        rotationally moulded polyethylene hood for a small loader, about 600 mm wide, 900 mm long
        and 300 mm high. {pieces} pieces in {len(t.batches)} batches, moulded from {first:%Y-%m-%d}
        to {last:%Y-%m-%d} in two moulds, K1 and K2, and measured with a portable arm. Nobody
        measured these parts, and no firm, person or product stands behind a name in them. The
        files are written anew, byte for byte, by `python -m spc.demo FOLDER`."""
    )


def _files(scenario: Scenario) -> str:
    plan = (
        f"the measurement plan: 9 fit points, 24 check points, residual limit {RESIDUAL_LIMIT} mm"
    )
    return _table(
        [
            ("file", "what it is"),
            (f"`{PART}.toml`", plan),
            (
                "`runs/MONTH/DATE_BATCH_MOULD.csv`",
                "one file a batch, one row a hit, in mm or inches",
            ),
            (f"`{scenario.study.path}`", f"the gauge study {scenario.study.runs[0].study}"),
            (
                "`events.csv`",
                "resin lots, work on the moulds, checks and recalibration of the arms",
            ),
            (
                "`arm-checks.csv`",
                "weekly readings of two reference bars by arm-1, which stays as it is",
            ),
            ("`truth.json`", "what the process really did, in full; not an input to anything"),
        ]
    )


def _frame() -> str:
    return _wrapped(
        """Frame, seen from the driver's seat: x right, y forward, z up, the origin in the middle of
        the open underside. The deck (up/down), the right flank (side) and the nose (fore/aft) hold
        the alignment; left flank, tail, underside rim, hinge pads, latch face, shoulders and the
        rest of the deck are judged after it. Coordinates are in the arm's frame: the stand is put
        up anew for every batch, and every piece lies a little differently on it."""
    )


def _layers_intro() -> str:
    return _wrapped(
        """A point's deviation before alignment is the sum of these, along its normal. "Twist" is
        the lift of the corner of the plan view (x 300, y 450), growing with x·y; "bow" the lift of
        nose and tail against the middle, growing with y². σ is a standard deviation."""
    )


def _layers(t: Truth) -> str:
    s = t.settings
    flex = f"σ {s.setup_local_sd} mm + {s.setup_local_per_give} N times the patch's give"
    pair = f"σ {s.pairing_local_sd} mm, and σ {s.pairing_force_sd} N of push"
    return _table(
        [
            ("from", "size, %", "twist, mm", "bow, mm", "each point on its own"),
            ("all pieces", f"{s.base_scale}", "", "", f"σ {s.base_local_sd} mm, fixed"),
            ("mould", "", "", "", f"σ {s.mould_local_sd} mm, fixed for each mould"),
            (
                "batch",
                f"σ {s.batch_scale_sd}",
                f"σ {s.batch_twist_sd}",
                "",
                f"σ {s.batch_local_sd} mm",
            ),
            (
                "piece",
                f"σ {s.piece_scale_sd}",
                f"σ {s.piece_twist_sd}",
                f"σ {s.piece_bow_sd}",
                f"σ {s.piece_local_sd} mm",
            ),
            ("placing on the stand", "", f"σ {s.setup_twist_sd}", "", flex),
            ("operator by piece", "", "", "", pair),
            ("one hit", "", "", "", f"σ {s.hit_sd} mm"),
        ]
    )


def _rules(t: Truth) -> str:
    s = t.settings
    forces = ", ".join(f"{name} with {force} N" for name, force in s.hands.items())
    turned = next(b.id for b in t.batches if b.upside_down)
    inches = next(b for b in t.batches if b.unit == "in")
    return _bullets(
        [
            f"""Operators push: {forces}. A patch gives way by 0.02 mm/N (rim, hinge pads, latch
            face), 0.05 mm/N (most) or 0.15 mm/N (middle of a panel), always inwards.""",
            f"""Warmth: {s.expansion * 1e6:.0f}e-6 of the size per kelvin about {s.reference_c} °C.
            The room follows the season, warmest in late July.""",
            f"""Age: {s.after_shrink} % smaller for each tenfold of hours since moulding, nil at
            24 h, and settled after {s.settled_hours:.0f} h.""",
            """A technician misses the middle of a patch by 1 to 3 mm and hits the corners of a
            triangle of 5 to 8 mm radius. Patches are flat here, so that alone does no harm.""",
            f"""Batch {turned} was measured upside down; batch {inches.id} with {inches.device},
            whose file is in inches. Neither changes a deviation.""",
        ]
    )


def _troubles(t: Truth) -> str:
    lines = [
        *_step(t.step),
        *_warp(t.warp),
        *_bad_hit(t.bad_hit),
        *_knock(t.knock),
        *_missing(t.missing_patch),
        *_missing(t.missing_hit),
    ]
    return _bullets(lines) if lines else "Nothing: this is the case in which all is well."


def _step(step: Step | None) -> list[str]:
    if step is None:
        return []
    best = step.best_point
    return [
        f"""**The parts become smaller.** From batch {step.batch} on a new resin lot shrinks by
        {-step.percent} % more, in both moulds, to the end. Clearest at `{best}`, which moves by
        {step.seen_mm[best]:.2f} mm: {abs(step.in_batch_sigma[best]):.1f} times the spread of the
        batch means of one mould where the effect of temperature and age is taken off,
        {abs(step.in_batch_sigma_uncorrected[best]):.1f} times where it is not. The residuals at
        the fit points do not see it at all."""
    ]


def _warp(warp: Warp | None) -> list[str]:
    if warp is None:
        return []
    best, ratio = warp.best_point, abs(warp.growth_in_batch_sigma[warp.best_point])
    last, size = list(warp.by_batch_mm.items())[-1]
    return [
        f"""**Mould {warp.mould} begins to warp its parts.** From batch {warp.batch} on each batch
        of {warp.mould} is twisted by {warp.growth_mm:.2f} mm more than the one before, by
        {size:.2f} mm in {last}; the other mould's parts stay as they were. Clearest at `{best}`,
        where each batch adds {ratio:.1f} times the spread of the batch means; it reaches three
        times in {warp.three_sigma_batch or "no batch"}."""
    ]


def _bad_hit(bad: Reading | None) -> list[str]:
    if bad is None:
        return []
    return [
        f"""**A bad hit.** Piece {bad.serial} (batch {bad.batch}), `{bad.point}`: hit {bad.hit} is
        {bad.size_mm} mm too far out. The spread of the three hits shows it; the residual stays
        within the limit."""
    ]


def _knock(knock: Knock | None) -> list[str]:
    if knock is None:
        return []
    return [
        f"""**A knocked piece.** Piece {knock.serial} (batch {knock.batch}) moved on its stand
        before `{knock.from_point}` was probed: run `{knock.spoiled_run}` is spoiled and beyond the
        residual limit, run `{knock.good_run}` is the second measurement of the same piece."""
    ]


def _missing(missing: Reading | None) -> list[str]:
    if missing is None:
        return []
    what = f"hit {missing.hit} of " if missing.hit else ""
    return [
        f"""**A gap.** Piece {missing.serial} (batch {missing.batch}): {what}`{missing.point}` was
        not probed."""
    ]


def _study_intro(t: Truth) -> str:
    g = t.study
    return _wrapped(
        f"""{len(g.pieces)} pieces of the first batches, {len(g.operators)} operators, {g.placings}
        placings by each, {g.hits} hits, all 33 points, in random order over four days. The pieces
        had long settled. True components after alignment, root of the mean variance over the check
        points; `truth.json` has each point's."""
    )


def _components(t: Truth) -> str:
    pooled = t.study.components.pooled
    rows = [(text, f"{pooled[key] ** 0.5:.3f}") for key, text in COMPONENTS.items()]
    return _table([("component", "σ, mm"), *rows])


def _limits() -> str:
    return _wrapped(
        """Patches are flat, deviations are normally distributed, errors of neighbouring patches go
        together only by size, twist, bow and the operator's push, and the arm has no error of its
        own beyond the hits'. Real parts and arms are less kind."""
    )
