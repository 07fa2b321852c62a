"""The randomised run sheet of a gauge study, and what its rows will be able to tell apart."""

from dataclasses import dataclass

import numpy as np

from spc.gauge.arrays import BoolArray, IntArray, counted
from spc.gauge.separable import Separable, nested, separable

#: Tries at an order in which no piece comes twice in a row.
_TRIES = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunSheet:
    """Set-ups in the order in which they are to be measured; each is a whole re-alignment.

    Parameters
    ----------
    day, station, probe, operator, piece, setup
        Codes of each set-up from 0, (runs,); ``setup`` counts within a piece and operator.
    hits
        Hits a patch in each set-up.
    separable
        What the sheet's hits can tell apart.
    notes
        What the reader must know, one sentence each.
    """

    day: IntArray
    station: IntArray
    probe: IntArray
    operator: IntArray
    piece: IntArray
    setup: IntArray
    hits: int
    separable: Separable
    notes: tuple[str, ...]

    def remaining(self, done: BoolArray) -> "RunSheet":
        """Return the sheet without the set-ups that are done, in the same order.

        Parameters
        ----------
        done
            True for each set-up that is measured, (runs,).
        """
        left = ~np.asarray(done, dtype=np.bool_)
        parts = (self.day, self.station, self.probe, self.operator, self.piece, self.setup)
        day, station, probe, operator, piece, setup = (p[left] for p in parts)
        return RunSheet(
            day=day,
            station=station,
            probe=probe,
            operator=operator,
            piece=piece,
            setup=setup,
            hits=self.hits,
            separable=self.separable,
            notes=self.notes,
        )


def run_sheet(
    *,
    pieces: int,
    operators: int,
    setups: int,
    hits: int = 3,
    days: int = 1,
    stations: int = 1,
    probes: int = 1,
    rng: np.random.Generator,
) -> RunSheet:
    """Return a randomised run sheet: every operator sets up every piece ``setups`` times.

    Days are blocks; inside a day the order is random and no piece comes twice in a row where that
    can be had. Days, stations and probes are dealt out in turn over the set-ups of each piece and
    operator, starting at another one for each, so that all meet about equally often.

    Parameters
    ----------
    pieces, operators, setups, hits
        Size of the study.
    days, stations, probes
        How many of each it is spread over.
    rng
        Source of the random order: the same seed gives the same sheet.

    Returns
    -------
    RunSheet
    """
    sizes = {"pieces": pieces, "operators": operators, "setups": setups, "hits": hits}
    sizes |= {"days": days, "stations": stations, "probes": probes}
    for name, size in sizes.items():
        counted(size, name=name, least=1)
    piece, operator, setup = (f.ravel() for f in np.indices((pieces, operators, setups)))
    dealt = rng.permutation(days * stations * probes)
    deal = dealt[(setup + piece + operator * setups) % dealt.size]
    day, station, probe = np.unravel_index(deal, (days, stations, probes))
    order, apart = _order(piece, day, rng)
    table = np.stack([day, station, probe, operator, piece, setup])[:, order].astype(np.int64)
    return RunSheet(
        day=table[0],
        station=table[1],
        probe=table[2],
        operator=table[3],
        piece=table[4],
        setup=table[5],
        hits=hits,
        separable=_separable(table, hits),
        notes=_notes(sizes, apart),
    )


def _order(piece: IntArray, day: IntArray, rng: np.random.Generator) -> tuple[IntArray, bool]:
    """Return a random order by day, and whether no piece comes twice in a row."""
    best, fewest = np.empty(0, dtype=np.int64), piece.size + 1
    for _ in range(_TRIES):
        order = np.lexsort((rng.random(piece.size), day))
        order = _spread(order, piece, day)
        twice = int((piece[order][1:] == piece[order][:-1]).sum())
        if twice < fewest:
            best, fewest = order, twice
        if fewest == 0:
            break
    return best.astype(np.int64), fewest == 0


def _spread(order: IntArray, piece: IntArray, day: IntArray) -> IntArray:
    """Swap a set-up that follows its own piece with the next one of its day that does not."""
    order = order.copy()
    for k in range(1, order.size):
        if piece[order[k]] != piece[order[k - 1]]:
            continue
        later = np.flatnonzero(
            (piece[order[k + 1 :]] != piece[order[k - 1]]) & (day[order[k + 1 :]] == day[order[k]])
        )
        if later.size:
            other = k + 1 + later[0]
            order[[k, other]] = order[[other, k]]
    return order


def _separable(table: IntArray, hits: int) -> Separable:
    day, station, probe, operator, piece, setup = (np.repeat(f, hits) for f in table)
    return separable(
        {
            "piece": piece,
            "operator": operator,
            "day": day,
            "station": station,
            "probe": probe,
            "operator_piece": nested(operator, piece),
            "setup": nested(setup, piece, operator),
        }
    )


def _notes(sizes: dict[str, int], apart: bool) -> tuple[str, ...]:
    said = []
    if not apart:
        said.append("some piece comes twice in a row: take it out and set it up anew all the same")
    if sizes["operators"] == 1:
        said.append("one operator: how far operators differ will not be tested")
    elif sizes["operators"] < 4:
        said.append(
            f"{sizes['operators']} operators: their part of the noise will be known very loosely"
        )
    if sizes["setups"] == 1:
        said.append("one set-up each: re-alignment will not be told from operator by piece")
    if sizes["pieces"] < 5:
        said.append(f"{sizes['pieces']} pieces: take pieces over the real spread, 10 as a rule")
    return tuple(said)
