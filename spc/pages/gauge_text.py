"""A gauge study for the terminal."""

import numpy as np

from spc.gauge.band import Band
from spc.pages.display import NONE, count, length, number, share, span
from spc.pages.pose_text import pose_lines
from spc.pages.text import table
from spc.studies.gauge import GaugeStudy
from spc.studies.gauge_parts import spoken
from spc.studies.gauge_standing import FEWEST_REPEATS

#: The components in words, from the smallest step of measuring to the part itself.
WORDS = {
    "hit": "probing (hit within point)",
    "setup": "set-up (lift, re-seat, re-align)",
    "operator_piece": "operator x piece",
    "operator": "operator",
    "piece": "piece",
}


#: The same of the fit's own figures: one value a run, so set-up holds probing too.
FIGURE_WORDS = {"setup": "set-up, probing", "operator_piece": "operator x piece",
                "operator": "operator", "piece": "piece"}  # fmt: skip


def gauge_text(study: GaugeStudy) -> str:
    """Return the verdicts first, then the components, then each point's figures."""
    unit = study.plan.unit
    last = len(study.groups) - 1
    head = (
        f"{study.plan.part} {study.plan.revision}, gauge study {study.study}: "
        f"{spoken(study.counts.in_words(), study.second)}, {count(study.runs, 'run')}, "
        f"{count(len(study.points), 'check point')}; standard deviations in {unit}, "
        f"{study.pooled.gauge.level:.0%} intervals"
    )
    return "\n".join([
        head,
        *(f"note: {text}" for text in dict.fromkeys(study.notes)),
        "",
        *_verdict(study),
        "",
        f"Pooled over {study.groups[last]}:",
        _components(study, last, unit),
        *_after_blank(split_words(study)),
        *order_words(study),
        *figure_lines(study),
        *pose_lines(study.pose, unit),
        "",
        _points(study, unit),
    ])  # fmt: skip


def _verdict(study: GaugeStudy) -> list[str]:
    """Return the three verdicts, which differ, over all check points and by number of points."""
    lines = []
    for name, words in (
        ("watch", "watch drift"), ("sort", "sort pieces to tolerance"),
        ("guide", "guide an improvement"),
    ):  # fmt: skip
        states = [getattr(v, name).state for v in study.verdicts]
        told = ", ".join(f"{state} at {states.count(state)}" for state in dict.fromkeys(states))
        rule = getattr(study.verdicts[0], name)
        lines.append(f"{words}: {told} of {len(states)} points (bound {rule.bound:g})")
    pooled = study.pooled_verdicts[-1]
    lines += _correlation(study)
    lines.append(f"{spoken(pooled.first.sentence, study.second)}.")
    lines.append(
        "bands of the AIAG manual, share of study variation over all points: "
        + (pooled.study_band or "none")
    )
    lines += [
        f"note: at {found} of {len(study.verdicts)} points {text}"
        for text, found in clashes(study).items()
    ]
    return lines


def clashes(study: GaugeStudy) -> dict[str, int]:
    """Return where the AIAG's own criteria disagree, and at how many points."""
    said = [text for v in study.verdicts for text in v.clash.split("; ") if text]
    return {text: said.count(text) for text in dict.fromkeys(said)}


def _correlation(study: GaugeStudy) -> list[str]:
    """Return the pooled intraclass correlation, and how finely values are worth writing."""
    pooled, unit = study.pooled, study.plan.unit
    rho = pooled.correlation.at(len(study.groups) - 1)
    if rho.interval is None:
        return []
    verdict = study.pooled_verdicts[-1]
    error = verdict.probable_error.value
    return [
        f"intraclass correlation over all points {number(rho.value)} ({span(rho.interval)}), "
        f"{verdict.watch_class} class of four; half of all readings err by more than "
        f"{length(error, unit)} {unit}: steps of {length(error / 5, unit)} to "
        f"{length(2 * error, unit)} are worth writing down",
    ]


def _after_blank(lines: list[str]) -> list[str]:
    return ["", *lines] if lines else []


def split_words(study: GaugeStudy) -> list[str]:
    """Return what of re-alignment probing noise explains; nothing where it cannot be split."""
    split, unit = study.split, study.plan.unit
    if split is None or not np.isfinite(split.predicted).any():
        return []
    predicted = float(np.sqrt(np.nanmean(split.predicted)))
    observed = float(max(float(np.nanmean(split.observed)), 0.0) ** 0.5)
    rest = float(max(float(np.nanmean(split.rest)), 0.0) ** 0.5)
    beyond = int(np.count_nonzero(np.asarray(split.rest_low) > 0))
    return [
        f"Re-alignment: {length(observed, unit)} {unit} was seen; probing noise alone, through the "
        f"geometry of the fit, makes {length(predicted, unit)}; the rest, {length(rest, unit)}, is "
        f"fixture, hand force and flexing of the piece (shown beyond chance at {beyond} of "
        f"{len(study.split_points)} points).",
    ]


def order_words(study: GaugeStudy) -> list[str]:
    """Return whether points change with the order of trials; nothing where it was not tested."""
    p = study.order_p[np.isfinite(study.order_p)]
    if not p.size:
        return []
    found = int((p < 0.05 / p.size).sum())
    if not found:
        return ["No trend over the order of trials: the pieces did not creep while they were "
                "measured."]  # fmt: skip
    worst = int(np.nanargmin(study.order_p))
    size = length(float(study.order_change[worst]), study.plan.unit, signed=True)
    return [
        f"note: {count(found, 'point')} change with the order of trials, most "
        f"{study.points[worst]} by {size} from first to last: a soft piece that creeps, or hands "
        "that learn"
    ]


def _components(study: GaugeStudy, at: int, unit: str) -> str:
    pooled = study.pooled
    total = float(pooled.total.value[at]) ** 2
    rows = [
        (_word(name, study.second), *_lengths(band, at, unit), _share(band, at, total))
        for name, band in pooled.sd.items()
    ]
    rows += [
        (f"gauge (one value, mean of {count(pooled.hits, 'hit')})",
         *_lengths(pooled.gauge, at, unit), _share(pooled.gauge, at, total)),
        ("all together", *_lengths(pooled.total, at, unit), _share(pooled.total, at, total)),
    ]  # fmt: skip
    return table(("source", "sd", "interval", "of variance"), rows, " rrr")


def figure_lines(study: GaugeStudy) -> list[str]:
    """Return the chain of variation of the fit's own figures; nothing where there is none."""
    found, unit = study.figures, study.plan.unit
    if found is None:
        return []
    rows = [
        (
            spoken, *(length(found.quantities.sd[key].value[at], unit) for key in FIGURE_WORDS),
            *_lengths(found.quantities.gauge, at, unit),
            _fraction(found.quantities.of_study, at),
        )
        for at, spoken in enumerate(found.spoken)
    ]  # fmt: skip
    head = ("the fit's own figures", *(_short(w, study.second) for w in FIGURE_WORDS.values()),
            "gauge", "interval", "of study")  # fmt: skip
    return ["", table(head, rows, " rrrrrrr"), *reading_words(study)]


def reading_words(study: GaugeStudy) -> list[str]:
    """Return what a fit's reading varies by, and how much of it probing explains."""
    found, unit = study.figures, study.plan.unit
    if found is None or not np.isfinite(found.reading):
        return []
    words = (
        f"A reading of the fit, lifted, placed and aligned anew, varies by "
        f"{length(found.reading, unit)} {unit} ({count(int(found.reading_dof), 'degree')} of "
        "freedom, pooled over what the fit leaves)"
    )
    if found.hit_dof:
        probing = length(found.hit / float(np.sqrt(found.hits)), unit)
        words += f"; probing alone makes {probing}"
    repeats = study.counts.runs - study.counts.cells
    if repeats < FEWEST_REPEATS:
        return [f"{words}. Verdicts are not held against it: {count(repeats, 'repeated set-up')}, "
                f"and {FEWEST_REPEATS} are needed."]  # fmt: skip
    return [f"{words}. Verdicts on later runs are held against it."]


def _short(words: str, second: str) -> str:
    return words.replace("operator", second)


def _word(name: str, second: str) -> str:
    return WORDS.get(name, name).replace("operator", second)


def _lengths(band: Band, at: int, unit: str) -> tuple[str, str]:
    low, high = length(band.low[at], unit), length(band.high[at], unit)
    value = length(band.value[at], unit)
    return value, NONE if value == NONE else f"{low} to {high}"


def _share(band: Band, at: int, total: float) -> str:
    value = float(band.value[at])
    return share(value**2 / total) if total > 0 else NONE


def _points(study: GaugeStudy, unit: str) -> str:
    found = study.quantities
    rows = [
        (
            name,
            *(length(found.sd[key].value[at], unit) for key in WORDS),
            length(found.gauge.value[at], unit),
            _fraction(found.of_study, at),
            _fraction(found.of_tolerance, at),
            _categories(found.distinct, at),
        )
        for at, name in enumerate(study.points)
    ]
    head = ("point", "probing", "set-up", "op x piece", "operator", "piece", "gauge",
            "of study", "of tolerance", "categories")  # fmt: skip
    return table(head, rows, " rrrrrrrrr")


def _fraction(band: Band, at: int) -> str:
    value = float(band.value[at])
    if value != value:
        return NONE
    return f"{share(value)} ({share(band.low[at])} to {share(band.high[at])})"


def _categories(band: Band, at: int) -> str:
    value = float(band.value[at])
    return NONE if value != value else f"{number(float(int(value)), 0)}"
