"""A run sheet for a gauge study, with what the design can tell, before anyone probes."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from spc.errors import InputError, NotFoundError
from spc.gauge.power import Expected, balanced_counts, expected_widths
from spc.gauge.run_sheet import RunSheet, run_sheet
from spc.gauge.separation import SPOKEN
from spc.gauge.suggest import Suggestion
from spc.plan import Plan
from spc.store import read
from spc.store.connection import Store
from spc.studies.gauge import gauge_study

#: Spread assumed where no study is known, mm: probing of a portable arm, re-seating of a moulding,
#: people, and pieces (common practice, no published source).
ASSUMED = {"hit": 0.04, "setup": 0.15, "operator_piece": 0.03, "operator": 0.05, "piece": 0.4}
#: Fewest pieces and set-ups of a design that is suggested: with fewer, the study itself says that
#: pieces, or re-alignment, cannot be told.
FEWEST_ASKED, FEWEST_SETUPS = 5, 2
#: A shorter design's intervals may be wider by this, high end over low end.
WIDER = 1.25
#: Simulated studies behind the widths.
STUDIES = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One run of the sheet, in the order of probing.

    Parameters
    ----------
    order
        Place in the sheet, from 1.
    day, operator, piece, setup, station, probe
        Who sets up which piece for which time, and where.
    study
        Name of the study, for the results' column.
    """

    order: int
    day: int
    operator: str
    piece: str
    setup: int
    station: int
    probe: int
    study: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeSheet:
    """A run sheet and what its design can tell.

    Parameters
    ----------
    study
        Name of the study.
    plan
        The plan whose points are probed; None where no store was at hand.
    rows
        The runs in order.
    hits
        Hits at each point.
    separates, merged
        Sources of variation that the design tells apart, and those it cannot, with the reason.
    assumed
        Standard deviations assumed, mm, by source.
    assumed_from
        Where they come from.
    expected
        Widths of the answer to be expected.
    shorter
        The shortest design that answers the same questions, with no interval more than a quarter
        wider, or None.
    seed
        Of the order.
    notes
        What the reader must know.
    """

    study: str
    plan: Plan | None
    rows: tuple[SheetRow, ...]
    hits: int
    separates: tuple[str, ...]
    merged: tuple[str, ...]
    assumed: Mapping[str, float]
    assumed_from: str
    expected: Expected
    shorter: Suggestion | None
    seed: int
    notes: tuple[str, ...]


def gauge_sheet(
    store: Store | None, study: str, *, pieces: tuple[str, ...], operators: tuple[str, ...],
    setups: int, hits: int, days: int = 1, stations: int = 1, probes: int = 1, seed: int = 1,
    like: str | None = None, tolerance: float | None = None, part: str | None = None,
    revision: str | None = None,
) -> GaugeSheet:  # fmt: skip
    """Make a randomised run sheet.

    Parameters
    ----------
    store
        An open store, or None.
    study
        Name of the new study.
    pieces, operators
        Serials and names.
    setups, hits, days, stations, probes
        Size of the design.
    seed
        The same seed gives the same sheet.
    like
        Take the spread from this study of the store; else common figures are assumed.
    tolerance
        Width of the tolerance, mm, to say whether the study can show that the gauge sorts.
    part, revision
        The part.
    """
    _check(pieces, operators)
    plan = None if store is None else _plan(store, part, revision)
    sheet = run_sheet(
        pieces=len(pieces), operators=len(operators), setups=setups, hits=hits, days=days,
        stations=stations, probes=probes, rng=np.random.default_rng(seed),
    )  # fmt: skip
    assumed, source = _assumed(store, like, part, revision)
    expected = expected_widths(
        balanced_counts(len(pieces), len(operators), setups, hits), assumed,
        rng=np.random.default_rng(seed), tolerance=tolerance, studies=STUDIES,
    )  # fmt: skip
    return GaugeSheet(
        study=study, plan=plan, rows=_rows(sheet, study, pieces, operators), hits=hits,
        separates=tuple(SPOKEN.get(name, name) for name in sheet.separable.kept),
        merged=tuple(m.reason for m in sheet.separable.merged), assumed=assumed,
        assumed_from=source, expected=expected,
        shorter=_shorter(assumed, expected, len(sheet.piece), hits, seed),
        seed=seed, notes=_notes(sheet, operators, pieces),
    )  # fmt: skip


def _check(pieces: tuple[str, ...], operators: tuple[str, ...]) -> None:
    for names, what in ((pieces, "piece"), (operators, "operator")):
        if len(set(names)) != len(names):
            raise InputError(f"a {what} is named twice", do="name each once")
    if len(pieces) < 2:
        raise InputError("fewer than two pieces", do="name five or more, from several batches")


def _plan(store: Store, part: str | None, revision: str | None) -> Plan | None:
    try:
        return read.plan(store, part, revision)
    except NotFoundError:
        return None


def _assumed(
    store: Store | None, like: str | None, part: str | None, revision: str | None
) -> tuple[dict[str, float], str]:
    if like is None or store is None:
        return dict(ASSUMED), "common figures, no published source: name a study with --like"
    known = gauge_study(store, like, part, revision)
    sd = {name: float(band.value[-1]) for name, band in known.pooled.sd.items()}
    return {n: v for n, v in sd.items() if np.isfinite(v)}, f"gauge study {like}"


def _rows(
    sheet: RunSheet, study: str, pieces: tuple[str, ...], operators: tuple[str, ...]
) -> tuple[SheetRow, ...]:
    return tuple(
        SheetRow(
            order=k + 1, day=int(sheet.day[k]) + 1, operator=operators[int(sheet.operator[k])],
            piece=pieces[int(sheet.piece[k])], setup=int(sheet.setup[k]) + 1,
            station=int(sheet.station[k]) + 1, probe=int(sheet.probe[k]) + 1, study=study,
        )
        for k in range(len(sheet.piece))
    )  # fmt: skip


def _shorter(
    assumed: Mapping[str, float], expected: Expected, runs: int, hits: int, seed: int
) -> Suggestion | None:
    """Return the shortest design that answers the same questions, at most a quarter wider.

    It has fewer runs, as many people and no fewer than five pieces: the answer on people stands on
    their number alone, and fewer pieces are said to be missing where the study is read.
    """
    counts = expected.counts
    if counts.setups < FEWEST_SETUPS or counts.pieces < FEWEST_ASKED:
        return None
    sizes = [
        balanced_counts(p, counts.operators, r, hits)
        for p in range(FEWEST_ASKED, counts.pieces + 1)
        for r in range(FEWEST_SETUPS, counts.setups + 1)
        if p * counts.operators * r < runs
    ]
    for size in sorted(sizes, key=lambda c: c.runs):
        found = expected_widths(size, assumed, rng=np.random.default_rng(seed), studies=STUDIES)
        if as_good(found, expected):
            factor = found.width("gauge").factor
            return Suggestion(counts=size, factor=factor, expected=found)
    return None


def as_good(shorter: Expected, asked: Expected) -> bool:
    """Tell whether the shorter design sees all that the asked one does, nearly as narrowly.

    Ends are compared as high over low; where the asked interval begins at zero, by its high end.

    Parameters
    ----------
    shorter, asked
        What both designs can be expected to show.
    """
    for width in asked.widths:
        if width.name == "of_tolerance":
            continue  # The gauge over a constant: it has the gauge's own width.
        mine = shorter.width(width.name)
        if not np.isfinite(width.truth):
            continue
        closed = bool(np.isfinite(width.factor))
        ends = (mine.factor, width.factor) if closed else (mine.high, width.high)
        if not ends[0] <= WIDER * ends[1]:
            return False
    return True


def _notes(sheet: RunSheet, operators: tuple[str, ...], pieces: tuple[str, ...]) -> tuple[str, ...]:
    said = list(sheet.notes)
    if len(operators) == 1:
        said.append("one person: how far people differ is not tested")
    elif len(operators) < 4:
        said.append(
            f"{len(operators)} people tell little of how far people differ: more people or days "
            "are worth more than more repeats"
        )
    if len(pieces) < 10:
        said.append("choose the pieces from several batches and over the whole spread")
    said.append("lift the piece off its supports before every run: a run is one set-up")
    return tuple(said)
