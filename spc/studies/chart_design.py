"""Which chart finds a shift that matters, how soon, and at what price in false alarms."""

from dataclasses import dataclass

import numpy as np

from spc.charts.batches import batch_charts
from spc.charts.design import Designs, compare_designs, pieces_for_shift
from spc.charts.estimated import estimated_limits
from spc.charts.limits import FEWEST
from spc.errors import InputError
from spc.store.connection import Store
from spc.studies.baselines import baseline_of
from spc.studies.chosen_set import past_of
from spc.studies.kind_panels import pieces_of
from spc.studies.moments import BATCH, chart_rows
from spc.studies.series import all_series, chosen

#: Batches within which a shift should be found where the smallest batch is asked for.
FOUND_WITHIN = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartDesign:
    """Charts compared for one shift; lengths in mm.

    Parameters
    ----------
    series
        The series that the spread comes from; empty where it was given.
    shift
        The shift of interest.
    sigma_within, sigma_between
        Spread of pieces within a batch, and of the batches' own levels.
    stands_on
        Baseline batches and pieces that they stand on, in words.
    designs
        The charts, the quickest first.
    smallest_batch
        Pieces a batch by which limits alone find the shift within three batches on average; None
        where no batch up to 50 does.
    few
        What limits from the baseline's few batches cost, in words; empty where nothing is known.
    """

    series: str
    shift: float
    sigma_within: float
    sigma_between: float
    stands_on: str
    designs: Designs
    smallest_batch: int | None
    few: str


def chart_design(
    store: Store | None, *, shift: float, batch: int, run_length: float, series: str | None = None,
    sigma: float | None = None, sigma_between: float = 0.0, part: str | None = None,
    revision: str | None = None, baseline: str | None = None,
) -> ChartDesign:  # fmt: skip
    """Compare charts for a shift of interest.

    Parameters
    ----------
    store
        An open store; needed where a series is named.
    shift
        The shift, mm.
    batch
        Pieces whose mean is charted.
    run_length
        Wanted mean number of charted batches between false alarms.
    series
        Take the spread from the baseline of this series.
    sigma, sigma_between
        The spread, mm, where no series is named.
    part, revision, baseline
        As for a monitor.
    """
    _check(shift, run_length, sigma_between)
    stands_on, few = "as given", ""
    if series is not None and store is not None:
        sigma, sigma_between, stands_on, few = _from_series(store, series, part, revision, baseline)
    if sigma is None or not 0 < sigma < np.inf:
        raise InputError("no spread to design for", do="name a series, or give --sigma")
    return ChartDesign(
        series=series or "",
        shift=shift,
        sigma_within=sigma,
        sigma_between=sigma_between,
        stands_on=stands_on,
        designs=compare_designs(
            shift, sigma=sigma, sigma_between=sigma_between, batch=batch, run_length=run_length
        ),
        smallest_batch=pieces_for_shift(
            shift, FOUND_WITHIN, sigma=sigma, sigma_between=sigma_between, run_length=run_length
        ),
        few=few,
    )


def _check(shift: float, run_length: float, sigma_between: float) -> None:
    if not (0 < shift < np.inf and 2 < run_length <= 1e8 and 0 <= sigma_between < np.inf):
        raise InputError(
            f"a shift of {shift:g} mm, an alarm every {run_length:g} batches, a spread between "
            f"batches of {sigma_between:g} mm",
            do="give a shift above 0, a spread of 0 or more, and more than 2 batches (at most 1e8) "
            "between false alarms",
        )


def _from_series(
    store: Store, name: str, part: str | None, revision: str | None, baseline: str | None
) -> tuple[float, float, str, str]:
    past = past_of(store, part, revision)
    series = chosen(all_series(past), (name,))
    if series.skewed[0]:
        raise InputError(f"'{name}' is no deviation, so no shift of it in mm is asked for",
                         do="name a check point or a mode")  # fmt: skip
    inside, words = baseline_of(past.runs, BATCH, baseline)
    rows = chart_rows(past.runs, series.values, inside, BATCH)
    found = batch_charts(pieces_of(past, series.values, rows), rows.baseline, spans=rows.spans)
    batches = int(found.means.n[0])
    told = np.isfinite(found.sigma_within[0]) and np.isfinite(found.sigma_between[0])
    if not told or batches < FEWEST:
        many = "1 batch" if batches == 1 else f"{batches} batches"
        why = f"{many}, {FEWEST} are needed" if told else found.notes[0] or many
        raise InputError(
            f"the spread of '{name}' within and between batches cannot be told from {words} "
            f"({why})",
            do="name a longer --baseline, or give --sigma and --sigma-between",
        )
    cost = estimated_limits(batches)
    few = (
        f"limits from {batches} batches: expect a false alarm about every "
        f"{1 / cost.mean_rate:.0f} batches, in one shop in ten every {cost.short_gap:.0f}"
    )
    pieces = int(np.isfinite(past.deviations[inside]).any(axis=1).sum())
    stands_on = f"{words}: {batches} batches, {pieces} pieces"
    return float(found.sigma_within[0]), float(found.sigma_between[0]), stands_on, few
