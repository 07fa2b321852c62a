"""Designs that reach a wanted width with the fewest set-ups."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from spc.gauge.layout import Counts
from spc.gauge.power import Expected, balanced_counts, expected_widths


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A design and how wide the asked interval will be.

    Parameters
    ----------
    counts
        The design.
    factor
        Median high end over low end of the asked figure's interval.
    enough
        True where the factor is at most the wanted one.
    expected
        Everything else to expect of it.
    """

    counts: Counts
    factor: float
    enough: bool
    expected: Expected


def suggest_designs(
    sd: Mapping[str, float],
    *,
    wanted: float,
    most_runs: int,
    seed: int,
    figure: str = "gauge",
    pieces: Sequence[int] = (5, 6, 8, 10, 12, 15, 20),
    operators: Sequence[int] = (1, 2, 3, 4, 5, 6),
    setups: Sequence[int] = (2, 3, 4),
    hits: int = 3,
    studies: int = 500,
    level: float = 0.95,
) -> tuple[Suggestion, ...]:
    """Return designs worth choosing from, fewest set-ups first.

    A design is listed where no other one with as few set-ups has a narrower interval. The first
    one with ``enough`` is the shortest that does; where none has, the last one comes nearest.

    Parameters
    ----------
    sd
        Assumed standard deviation of each source, mm, as in `expected_widths`.
    wanted
        High end over low end that the interval is to have at most.
    most_runs
        Most set-ups that can be spent.
    seed
        Seed of the simulated studies, the same for every design so that they compare.
    figure
        Which figure: ``gauge``, ``of_study``, or a component.
    pieces, operators, setups
        Numbers to choose from. With one operator the result says nothing of operators: leave 1 out
        where there are several.
    hits
        Hits a set-up.
    studies
        Simulated studies a design.
    level
        Confidence level of the intervals.
    """
    found = []
    for p in pieces:
        for o in operators:
            for s in setups:
                if p * o * s > most_runs:
                    continue
                got = expected_widths(
                    balanced_counts(p, o, s, hits),
                    sd,
                    rng=np.random.default_rng(seed),
                    studies=studies,
                    level=level,
                )
                found.append((got.counts.runs, got.width(figure).factor, got))
    found.sort(key=lambda one: one[:2])
    listed: list[Suggestion] = []
    best = float("inf")
    for _, factor, got in found:
        if factor < best:
            best = factor
            listed.append(
                Suggestion(counts=got.counts, factor=factor, enough=factor <= wanted, expected=got)
            )
    return tuple(listed)
