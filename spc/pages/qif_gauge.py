"""A gauge study's points as QIF 3.0 gauge repeatability and reproducibility studies (ISO 23952).

The standard's equipment variation is one figure; here probing and re-alignment are two, so that it
has no place. It names the analysis of variance and methods of ranges, and asks for trials that are
as many in each cell, and for appraisers: any other study is left to the tables.
"""

from spc.gauge.answer import ANOVA
from spc.pages.display import count
from spc.pages.qif_elements import Ids, put
from spc.pages.qif_plan import Held
from spc.pages.qif_studies import Study, Value, plan_of, results_of
from spc.studies.gauge import GaugeStudy

KIND, OPERATOR = "GageRandR", "operator"


def gauge_study(gauge: GaugeStudy | None, point: str, held: Held, ids: Ids) -> Study | None:
    """Return what a gauge study says of a point; None where the standard has no form for it."""
    if gauge is None or point not in gauge.points or gauge.second != OPERATOR:
        return None
    at = gauge.points.index(point)
    if not gauge.counts.balanced or gauge.method[at] != ANOVA:
        return None
    name = f"gauge study {gauge.study}, {point}"
    plan = plan_of(KIND, held, name, _words(gauge), ids)
    results = results_of(KIND, held, plan, (name, _words(gauge), ""), _values(gauge, at), ids)
    put(plan, "RandRStudyType", "ANOVA")
    for element in (plan, results):
        put(element, "NumberOfAppraisers", gauge.counts.operators)
        put(element, "NumberOfParts", gauge.counts.pieces)
        put(element, "NumberOfTrials", gauge.counts.setups)
    return Study(plan=plan, results=results)


def _words(gauge: GaugeStudy) -> str:
    of = gauge.quantities
    said = (
        f"Standard deviations of a reported value, the mean of {count(of.hits, 'hit')}",
        f"beside the tolerance, {of.spread:g} of the gauge's",
        "a trial is a set-up: the piece lifted, placed and aligned again",
        *of.notes,
    )
    return "; ".join(said) + "."


def _values(gauge: GaugeStudy, at: int) -> list[Value]:
    of = gauge.quantities
    bands = {
        "AppraiserVariation": of.sd.get("operator"), "Interaction": of.sd.get("operator_piece"),
        "GageRandR": of.gauge, "PartVariation": of.pieces, "TotalVariation": of.total,
        "RelativeGageRandR": of.of_tolerance,
    }  # fmt: skip
    return [(name, float(b.value[at])) for name, b in bands.items() if b is not None]
