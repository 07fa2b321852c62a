"""Run lengths of charts with run rules, and of T²: how soon they tell, how often they err.

References
----------
.. [1] Champ, C. W. and Woodall, W. H. (1987). Exact results for Shewhart control charts with
       supplementary runs rules. Technometrics 29, 393-399.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln

from spc.charts import arrays
from spc.charts.arrays import Floats, Ints
from spc.charts.chains import Chain, RunLength, geometric, settled
from spc.charts.rules import DEFAULT, RULES, NamedRule, signals
from spc.charts.tails import chi2_sf, normal_sf

ORDERED = ("trend", "oscillation")
"""Patterns of order, which no chain over zones can follow; their run lengths are simulated."""
ZONES = np.array([-1, -2 / 3, -1 / 3, 0, 1 / 3, 2 / 3, 1])
"""Edges of the zones, as shares of the way from the centre to a limit."""
MIDDLES = (-7 / 6, -5 / 6, -1 / 2, -1 / 6, 1 / 6, 1 / 2, 5 / 6, 7 / 6)
"""A value inside each zone."""
State = tuple[int, ...]


def rules_run_length(
    rules: Sequence[str] = DEFAULT,
    shift: float = 0.0,
    *,
    width: float = 3.0,
    spread: float = 1.0,
    after_a_while: bool = False,
    runs: int = 10_000,
    seed: int = 1956,
) -> RunLength:
    """Run length of a chart of independent normal values with any set of rules.

    Parameters
    ----------
    rules
        Names from `spc.charts.rules.RULES`.
    shift
        Distance of the process from the centre, in the sigma that the limits stand on.
    width
        Distance of the limits from the centre in sigma; the zones are thirds of it.
    spread
        Standard deviation of the values in that sigma.
    after_a_while
        True for a shift that comes after the chart has long run without a signal; false for one
        that is there from the first piece. Not for rules of order.
    runs, seed
        Number of runs and seed where rules of order (six in one direction, fourteen up and down)
        are among them: then it is simulated, with its standard error.

    Returns
    -------
    RunLength
        Exact by the chain over the rules' states [1]_ unless simulated.

    Examples
    --------
    >>> from spc.charts.rules import ZONES_1956
    >>> round(rules_run_length(ZONES_1956).mean, 2)
    91.75
    """
    chosen = _chosen(rules, width, spread)
    if any(rule.kind in ORDERED for rule in chosen):
        arrays.require(not after_a_while, "after_a_while", True, "False with rules of order")
        return _simulated(rules, shift, width, spread, runs, seed)
    chain = rules_chain(rules, shift, width=width, spread=spread)
    if after_a_while:
        chain = settled(rules_chain(rules, 0.0, width=width).step, chain.step)
    return chain.run_length("exact, by the chain over the rules' states")


def rules_width(rules: Sequence[str], run_length: float) -> float:
    """Return the width of limits (and zones with them) that gives a wanted in-control run length.

    Rules of one side only look at the centre, so that a run length beyond theirs cannot be had.
    """
    chosen = _chosen(rules, 3.0, 1.0)
    ordered = [rule.name for rule in chosen if rule.kind in ORDERED]
    arrays.require(
        not ordered, "rules", ", ".join(ordered), "rules of zones, whose run length is exact"
    )

    def excess(width: float) -> float:
        return float(np.log(rules_chain(rules, 0.0, width=width).mean() / run_length))

    low, high = 0.5, 6.0
    longest = rules_chain(rules, 0.0, width=high).mean()
    arrays.require(
        run_length < longest, "run_length", run_length, f"below {longest:.1f} for these rules"
    )
    return float(brentq(excess, low, high, xtol=1e-10))


def rules_chain(
    rules: Sequence[str], shift: float, *, width: float = 3.0, spread: float = 1.0
) -> Chain:
    """Return the chain over the states of zone rules [1]_."""
    _chosen(rules, width, spread)
    probability = _zone_probabilities(width * ZONES, shift, spread)
    moves = _moves(tuple(rules))
    step = np.zeros((len(moves), len(moves)))
    for zone, targets in enumerate(moves.T):
        goes = np.flatnonzero(targets >= 0)
        step[goes, targets[goes]] += probability[zone]
    return Chain(weight=step[0], step=step)


def t2_run_length(p: int, limit: float, shift: float = 0.0) -> RunLength:
    """Run length of T² with known mean and covariance.

    Parameters
    ----------
    p
        Values judged together.
    limit
        Limit of T².
    shift
        Distance of the process mean from the reference: ``sqrt((μ−μ0)' Σ⁻¹ (μ−μ0))``.
    """
    arrays.require(p >= 1, "p", p, "1 or more")
    arrays.require(limit > 0, "limit", limit, "above 0")
    return geometric(
        noncentral_chi2_sf(limit, p, shift**2), "exact, from the non-central chi-square"
    )


def noncentral_chi2_sf(x: float, df: float, nc: float) -> float:
    """Return P(χ²(df, nc) > x) as a Poisson mixture of central tails, accurate far out."""
    half = nc / 2
    if half == 0:
        return float(chi2_sf(x, df))
    top = int(half + 12 * np.sqrt(half + 1) + 20)
    terms = np.arange(max(0, int(half - 12 * np.sqrt(half + 1))), top)
    weight = np.exp(terms * np.log(half) - half - gammaln(terms + 1))
    return float(weight @ chi2_sf(x, df + 2 * terms))


@dataclass(frozen=True, slots=True)
class _Watcher:
    """One rule as a machine: where it starts, and state and value → next state (None: signal)."""

    start: State
    move: Callable[[State, float], State | None]


def _chosen(rules: Sequence[str], width: float, spread: float) -> list[NamedRule]:
    for name in rules:
        arrays.require(name in RULES, "rule", repr(name), f"one of {', '.join(RULES)}")
    arrays.require(len(rules) > 0, "rules", "empty", "one or more names")
    arrays.require(width > 0, "width", width, "above 0")
    arrays.require(spread > 0, "spread", spread, "above 0")
    return [RULES[name] for name in rules]


def _watcher(rule: NamedRule) -> _Watcher:
    """Turn a rule into a machine over values given as shares of the way to the limit."""
    numbers = rule.numbers
    length = int(numbers.get("length", 0))
    zone = numbers.get("zone", 1.0)
    match rule.kind:
        case "beyond":
            return _Watcher((), lambda state, v: None if abs(v) > 1 else ())
        case "one side":
            return _Watcher((0,), lambda state, v: _side(state, v, length))
        case "stratification":
            return _Watcher((0,), lambda state, v: _count(state, abs(v) < zone, length))
        case "mixture":
            return _Watcher((0,), lambda state, v: _count(state, abs(v) > zone, length))
        case _:
            hits, of = int(numbers["hits"]), int(numbers["of"])
            return _Watcher((0,) * (2 * of - 2), lambda state, v: _group(state, v, zone, hits, of))


def _side(state: State, v: float, length: int) -> State | None:
    """Count values on one side, the count negative below the centre."""
    side = 1 if v > 0 else -1
    count = state[0] + side if state[0] * side > 0 else side
    return None if abs(count) >= length else (count,)


def _count(state: State, hit: bool, length: int) -> State | None:
    count = state[0] + 1 if hit else 0
    return None if count >= length else (count,)


def _group(state: State, v: float, zone: float, hits: int, of: int) -> State | None:
    """Remember which of the last ``of`` − 1 values lay beyond the zone, above and below."""
    upper, lower = state[: of - 1], state[of - 1 :]
    high, low = int(v > zone), int(v < -zone)
    if (high and high + sum(upper) >= hits) or (low and low + sum(lower) >= hits):
        return None
    return (*_alive((high, *upper[:-1]), hits), *_alive((low, *lower[:-1]), hits))


def _alive(window: State, hits: int) -> State:
    """Forget hits too old to be part of a pattern, so that like states are one state."""
    kept = list(window)
    for age in range(len(kept) - 1, -1, -1):
        # the pattern needs `hits` among those not older: it can still get one for each slot left
        if kept[age] and sum(kept[: age + 1]) + len(kept) - age < hits:
            kept[age] = 0
    return tuple(kept)


@lru_cache(maxsize=256)
def _moves(rules: tuple[str, ...]) -> Ints:
    """Return where each zone leads from each state (−1: a signal), ``(states, zones)``.

    States that cannot be told apart by anything that follows are one; the first is the start.
    """
    moves = np.array(_explore([_watcher(RULES[name]) for name in rules]))
    group = np.zeros(len(moves), dtype=np.int64)
    while True:
        ahead = np.where(moves >= 0, group[moves], -1)
        finer = np.unique(np.column_stack([group, ahead]), axis=0, return_inverse=True)[1]
        if finer.max() == group.max():
            break
        group = finer
    order, first = np.unique(group, return_index=True)
    rank = np.empty(len(order), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(order))
    small = moves[np.sort(first)]
    return np.where(small >= 0, rank[group[small]], -1)


def _explore(watchers: list[_Watcher]) -> list[list[int]]:
    """Walk from the start to every state that can be reached, zone by zone."""
    start = tuple(w.start for w in watchers)
    known, queue, moves = {start: 0}, [start], []
    for states in queue:  # grows while it is walked
        targets = []
        for value in MIDDLES:
            nexts = [w.move(s, value) for w, s in zip(watchers, states, strict=True)]
            if any(n is None for n in nexts):
                targets.append(-1)
                continue
            key = tuple(n for n in nexts if n is not None)
            if key not in known:
                known[key] = len(queue)
                queue.append(key)
            targets.append(known[key])
        moves.append(targets)
    return moves


def _zone_probabilities(edges: Floats, shift: float, spread: float) -> Floats:
    upper = normal_sf((edges - shift) / spread)
    lower = normal_sf((shift - edges) / spread)
    # each difference is taken in the tail where it does not cancel
    inside = np.where(edges[1:] > shift, upper[:-1] - upper[1:], lower[1:] - lower[:-1])
    return np.concatenate([[lower[0]], inside, [upper[-1]]])


def _simulated(
    rules: Sequence[str], shift: float, width: float, spread: float, runs: int, seed: int
) -> RunLength:
    rng = np.random.default_rng(seed)
    arrays.require(runs >= 100, "runs", runs, "100 or more")
    found = np.zeros(runs)
    open_runs, done, block = np.arange(runs), 0, 250
    tail = np.empty((0, runs))
    overlap = max(RULES[name].runs for name in rules)
    while open_runs.size:
        fresh = rng.normal(shift, spread, size=(block, open_runs.size))
        x = np.concatenate([tail, fresh])
        hit = np.logical_or.reduce(list(signals(x, 0.0, 1.0, rules=rules, width=width).values()))
        hit = hit[len(tail) :]
        over = hit.any(axis=0)
        found[open_runs[over]] = done + 1 + hit[:, over].argmax(axis=0)
        open_runs, tail, done = open_runs[~over], x[-overlap:, ~over], done + block
    low, median, high = np.quantile(found, [0.05, 0.5, 0.95])
    return RunLength(mean=float(found.mean()), sd=float(found.std(ddof=1)), low=float(low),
                     median=float(median), high=float(high), n=runs,
                     error=float(found.std(ddof=1) / np.sqrt(runs)),
                     method=f"simulated, {runs} runs with seed {seed}")  # fmt: skip
