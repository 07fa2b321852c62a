"""How often each interval of a gauge study holds the truth, for the designs of the guide.

Studies are simulated from known components. Small in everyday runs; with SPC_BENCH set large enough
to tell one point from another, and then the table is what the guide's was copied from.
"""

import os

import numpy as np
import pytest

from spc.gauge.anova import crossed_study
from spc.gauge.answer import crossed_factors
from spc.gauge.band import Band
from spc.gauge.bias import bias
from spc.gauge.bridging import bridging_study
from spc.gauge.history import History
from spc.gauge.intervals import anova_quantities
from spc.gauge.leapfrog import seat_noise
from spc.gauge.like_points import like_points_study
from spc.gauge.quantities import Quantities
from spc.gauge.reml import reml_study
from spc.gauge.reml_intervals import reml_quantities
from spc.gauge.type1 import type1_study

FULL = os.environ.get("SPC_BENCH") == "1"
#: Simulated studies, by analysis of variance, by likelihood, and of what costs little.
STUDIES, LIKELIHOODS, MANY = (20_000, 600, 20_000) if FULL else (1_000, 60, 2_000)
NOMINAL, WITHIN = 0.95, 0.02

DESIGNS = {
    "10 x 3 x 3 x 3": (10, 3, 3, 3), "8 x 2 x 2 x 3": (8, 2, 2, 3), "5 x 2 x 2 x 3": (5, 2, 2, 3),
    "10 x 1 x 3 x 3": (10, 1, 3, 3),
}  # fmt: skip
#: Hit, set-up, operator by piece, operator, piece, mm: as the samples have them, people alike,
#: people far apart, and what a sheet assumes where no study is known.
TRUTHS = {
    "as sampled": (0.04, 0.05, 0.02, 0.03, 0.21), "people alike": (0.04, 0.05, 0.0, 0.0, 0.21),
    "people apart": (0.04, 0.05, 0.03, 0.1, 0.21), "assumed": (0.04, 0.15, 0.03, 0.05, 0.4),
}  # fmt: skip
#: Intervals that are on the safe side, and say so: they may hold the truth more often.
SAFE = ("total", "of_study")

Codes = tuple[np.ndarray, np.ndarray, np.ndarray]


def simulated(
    shape: tuple[int, ...], sd: tuple[float, ...], number: int, seed: int
) -> tuple[np.ndarray, Codes]:
    """Return studies of known components as points, with the codes of their rows."""
    (p, o, s, n), rng = shape, np.random.default_rng(seed)
    hit, setup, both, operator, piece = sd
    y = (
        piece * rng.normal(size=(p, 1, 1, 1, number))
        + operator * rng.normal(size=(1, o, 1, 1, number))
        + both * rng.normal(size=(p, o, 1, 1, number))
        + setup * rng.normal(size=(p, o, s, 1, number))
        + hit * rng.normal(size=(p, o, s, n, number))
    )
    p_code, o_code, s_code = np.indices(shape).reshape(4, -1)[:3]
    return y.reshape(-1, number), (p_code, o_code, s_code)


def truth_of(shape: tuple[int, ...], sd: tuple[float, ...]) -> dict[str, float]:
    """Return the true figures as the design sees them: one operator's effects are the piece's."""
    hit, setup, both, operator, piece = sd
    if shape[1] == 1:
        piece, both, operator = float(np.hypot(piece, both)), 0.0, 0.0
    gauge = float(np.sqrt(hit**2 / shape[3] + setup**2 + both**2 + operator**2))
    total = float(np.hypot(gauge, piece))
    return {"hit": hit, "setup": setup, "operator_piece": both, "operator": operator,
            "piece": piece, "gauge": gauge, "total": total, "of_study": gauge / total}  # fmt: skip


def held(band: Band, truth: float) -> float:
    """Return the share of intervals that hold the truth; one that is missing holds nothing."""
    return float(np.mean((band.low <= truth * (1 + 1e-12)) & (truth <= band.high)))


def shares(found: Quantities, truth: dict[str, float]) -> dict[str, float]:
    """Return the share of each figure that the design sees."""
    bands = {**found.sd, "gauge": found.gauge, "total": found.total, "of_study": found.of_study}
    return {k: held(b, truth[k]) for k, b in bands.items() if np.isfinite(b.value).all()}


def told(design: str, truth: str, found: dict[str, float]) -> None:
    print(f"{design:>15} {truth:>13}  " + "  ".join(f"{k} {v:.1%}" for k, v in found.items()))


def least(number: int) -> float:
    """Return the least share that is no miss: two points below nominal, and three errors more."""
    return NOMINAL - WITHIN - 3.0 * float(np.sqrt(NOMINAL * (1 - NOMINAL) / number))


@pytest.mark.parametrize("truth", TRUTHS)
@pytest.mark.parametrize("design", DESIGNS)
def test_balanced_studies_as_the_program_answers_them(design: str, truth: str) -> None:
    shape, sd = DESIGNS[design], TRUTHS[truth]
    y, codes = simulated(shape, sd, STUDIES, 3)
    found = shares(anova_quantities(crossed_study(y, *codes)), truth_of(shape, sd))
    told(design, truth, found)
    assert min(found.values()) >= least(STUDIES)
    for name, share in found.items():
        # A component that is truly zero is held by every interval that reaches it: 97.5 %.
        zero = truth_of(shape, sd)[name] == 0.0
        safe = name in SAFE or zero or (name == "gauge" and truth == "people alike")
        assert share <= (0.99 if safe else NOMINAL + WITHIN + 0.005), name


#: With gaps; they cost much, so everyday runs take one case each.
GAPS = ["8 x 2 x 2 x 3", "5 x 2 x 2 x 3"] if FULL else ["5 x 2 x 2 x 3"]


@pytest.mark.parametrize("truth", TRUTHS if FULL else ["people apart"])
@pytest.mark.parametrize("design", GAPS)
def test_studies_with_gaps_are_on_the_safe_side(design: str, truth: str) -> None:
    shape, sd = DESIGNS[design], TRUTHS[truth]
    y, codes = simulated(shape, sd, LIKELIHOODS, 5)
    keep = np.random.default_rng(1).random(len(y)) >= 0.15
    fit = reml_study(y[keep], crossed_factors(*(c[keep] for c in codes)))
    found = shares(reml_quantities(fit, averaged={"hit": 3}), truth_of(shape, sd))
    told(f"{design}, gaps", truth, found)
    assert min(found.values()) >= least(LIKELIHOODS)


#: Share of the variance that like points have in common, and how many points there are.
TOGETHER = [0.0, 0.3, 0.7, 0.8, 0.9, 0.95, 1.0] if FULL else [0.0, 0.8, 1.0]
LIKE = [8, 24] if FULL else [8]


@pytest.mark.parametrize("points", LIKE)
@pytest.mark.parametrize("together", TOGETHER)
@pytest.mark.parametrize("design", DESIGNS)
def test_like_points_pooled(design: str, together: float, points: int) -> None:
    """Points of one run that move apart, mostly together, and as one: never more than two short.

    The range may hold the truth more often, and does where points move apart: few pieces cannot
    tell that, and whatever would make such ranges narrower takes others below (the degrees of
    freedom right on average instead of too few: 82 %).
    """
    shape, sd = DESIGNS[design], TRUTHS["as sampled"]
    studies = 4_000 if FULL else 200
    found: dict[str, float] = {}
    for seed in range(studies // 200):
        own, codes = simulated(shape, sd, 200 * points, 100 + seed)
        common, _ = simulated(shape, sd, 200, 900 + seed)
        y = np.sqrt(1 - together) * own + np.sqrt(together) * np.repeat(common, points, axis=1)
        like = like_points_study(y, *codes, np.repeat(np.arange(200), points))
        for name, share in shares(anova_quantities(like), truth_of(shape, sd)).items():
            found[name] = found.get(name, 0.0) + share / (studies // 200)
    told(design, f"{points} at {together:.0%}", found)
    assert min(found.values()) >= least(studies)
    if together == 1.0:
        # As one point: no more than what one point's ranges hold.
        rest = [share for name, share in found.items() if name not in SAFE]
        assert max(rest) <= NOMINAL + WITHIN + 3.0 * np.sqrt(0.95 * 0.05 / studies)


def test_pieces_from_production() -> None:
    shape, sd = DESIGNS["5 x 2 x 2 x 3"], TRUTHS["as sampled"]
    y, codes = simulated(shape, sd, STUDIES, 9)
    truth = truth_of(shape, sd)
    seen = truth["total"] * np.sqrt(np.random.default_rng(2).chisquare(60, STUDIES) / 60)
    got = anova_quantities(crossed_study(y, *codes), history=History(sd=seen, dof=60))
    found = {"of_study": held(got.of_study, truth["of_study"]),
             "pieces": held(got.pieces, truth["piece"])}  # fmt: skip
    told("5 x 2 x 2 x 3", "production", found)
    assert min(found.values()) >= least(STUDIES)


def test_check_standard_bridge_and_seats() -> None:
    rng, found = np.random.default_rng(4), dict[str, float]()
    y = 0.003 + 0.01 * rng.normal(size=(25, MANY))
    one = type1_study(y, 0.0, 0.2)
    found["Cg"] = held(one.cg, 0.2 * 0.2 / (6 * 0.01))
    found["Cgk"] = held(one.cgk, (0.1 * 0.2 - 0.003) / (3 * 0.01))
    # A reference with an uncertainty of its own, drawn anew for each study.
    off = 0.004 * rng.normal(size=MANY)
    found["bias"] = held(bias(y + off, 0.0, reference_u=0.004).bias, 0.003)
    piece = 0.2 * rng.normal(size=(10, MANY))
    before = piece + 0.05 * rng.normal(size=(10, MANY))
    after = piece + 0.03 + 0.05 * rng.normal(size=(10, MANY))
    bridge = bridging_study(before, after)
    found |= {"step": held(bridge.offset, 0.03), "spread": held(bridge.ratio, 1.0)}
    for seats in (3, 6):
        drawn = np.sqrt(rng.chisquare(3 * seats - 6, 400) * 0.03**2 / seats)
        ends = [seat_noise([r] * seats).interval for r in drawn]
        inside = [e is not None and e.low <= 0.03 * np.sqrt(3) <= e.high for e in ends]
        assert np.mean(inside) >= least(400)
    told("check standard", "and bridge", found)
    assert min(found.values()) >= least(MANY)
    assert max(found.values()) <= NOMINAL + WITHIN + 0.01
