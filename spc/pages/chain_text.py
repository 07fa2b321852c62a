"""The chain of variation of a study, for the terminal."""

import numpy as np

from spc.pages.display import count, length, share
from spc.pages.gauge_text import WORDS
from spc.pages.text import table
from spc.studies.gauge_chain import GaugeChain

#: Sources that only the whole chain tells apart.
SOURCES = {**WORDS, "reprobe": "re-probing (nothing lifted)"}


def chain_text(found: GaugeChain) -> str:
    """Return each source's part over all points, and its smallest and largest at a point."""
    unit = found.plan.unit
    total = sum(v**2 for v in found.overall.values())
    rows = []
    for name in [*found.factors]:
        band = found.quantities.sd.get(name)
        if band is None or name not in found.overall:
            continue
        value = found.overall[name]
        low, high = (float(np.nanmedian(end[np.isfinite(end)])) if np.isfinite(end).any()
                     else np.nan for end in (band.low, band.high))  # fmt: skip
        rows.append((
            SOURCES.get(name, name), str(found.levels.get(name, "")), length(value, unit),
            f"{length(float(np.nanmin(band.value)), unit)} to "
            f"{length(float(np.nanmax(band.value)), unit)}",
            f"{length(low, unit)} to {length(high, unit)}",
            share(value**2 / total) if total > 0 else "",
        ))  # fmt: skip
    head = ("source", "levels", "sd over points", "at a point", "typical interval", "of variance")
    return "\n".join([
        f"{found.plan.part} {found.plan.revision}, study {found.study}: "
        f"{count(found.runs, 'run')}, {count(len(found.points), 'check point')}, restricted "
        f"maximum likelihood; in {unit}",
        *(f"cannot tell: {text}" for text in found.merged),
        *(f"note: {text}" for text in dict.fromkeys(found.notes)),
        "",
        table(head, rows, " rrrrr"),
    ])  # fmt: skip
