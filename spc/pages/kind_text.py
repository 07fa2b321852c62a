"""Other kinds of chart for the terminal."""

from math import isfinite

from spc.pages.display import NONE, length, moment, number, share
from spc.pages.text import table
from spc.studies.kind_results import Fact, KindStudy, Panel

#: What is said in the place of signals where nothing has limits.
NO_CHART = "There are no limits, so nothing was looked for and nothing can be found."


def kind_text(study: KindStudy) -> str:
    """Return the chart's figures, its signals, and its newest points."""
    unit = study.plan.unit
    head = [
        f"{study.plan.part} {study.plan.revision}: {study.spoken}, {study.kind}, "
        f"{study.limits}; lengths in {unit}",
        *(f"note: {text}" for text in study.notes),
        *(fact_words(fact, unit) for fact in study.facts),
    ]
    found = [
        f"SIGNAL {s.panel}: {s.label}"
        + (f", mould {s.mould}" if s.mould else "")
        + f" ({moment(s.at)}), {_figure(s.value, study, s.panel)} against "
        f"{_figure(s.limit, study, s.panel)}"
        for s in study.signals
    ]
    nothing = "No signal." if study.limited else NO_CHART
    return "\n".join([*head, "", *(_panel(p, study) for p in study.panels if _drawn(p)),
                      *(found or [nothing])])  # fmt: skip


def _drawn(panel: Panel) -> bool:
    """Tell whether a panel has anything to show."""
    return any(isfinite(value) for value in panel.values)


def fact_words(fact: Fact, unit: str) -> str:
    """Return a figure beside the chart, with its interval where it has one."""

    def figure(value: float) -> str:
        if fact.unit == "mm":
            return length(value, unit)
        return share(value) if fact.unit == "share" else number(value)

    known = isfinite(fact.low) and isfinite(fact.high)
    interval = f" ({figure(fact.low)} to {figure(fact.high)})" if known else ""
    return f"{fact.name}: {figure(fact.value)}{interval}"


def _figure(value: float, study: KindStudy, panel: str) -> str:
    unit = next(p.unit for p in study.panels if p.name == panel)
    return length(value, study.plan.unit) if unit == "mm" else number(value)


def _panel(panel: Panel, study: KindStudy) -> str:
    def figure(value: float) -> str:
        return length(value, study.plan.unit) if panel.unit == "mm" else number(value)

    rows = [
        (study.labels[k], study.moulds[k] or NONE, str(study.sizes[k]), figure(panel.values[k]),
         figure(panel.lower[k]), figure(panel.upper[k]), "beyond" if panel.beyond[k] else "")
        for k in range(len(study.labels))
    ]  # fmt: skip
    return table((panel.name, "mould", "n", "value", "lower", "upper", ""), rows, "  rrrr") + "\n"
