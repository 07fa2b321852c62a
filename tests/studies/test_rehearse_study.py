"""Rehearsals of a plan against chi-square's own power and numpy's response to an error."""

import numpy as np
import pytest
from helpers import SAMPLES
from layouts import FAR, TIED, geometry, plan_of
from scipy.stats import chi2, ncx2

from spc.errors import InputError, PlanError
from spc.ingest.plan_toml import read_plan
from spc.pages.rehearse_text import rehearse_text
from spc.plan import Plan
from spc.studies.rehearse_plan import PlanRehearsed, RehearsedFault, rehearsed_plan

TRIALS = 3000
#: Standard errors that a simulated share may be off by, of some hundred looked at here.
WIDE = 4.5


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_of((*TIED, *FAR), head="[probe]\nsigma = 0.04")


@pytest.fixture(scope="module")
def usual(plan: Plan) -> PlanRehearsed:
    return rehearsed_plan(plan, alpha=0.01, trials=TRIALS, seed=7)


def rate(fault: RehearsedFault, figure: str) -> float:
    return next(s.rate for s in fault.seen if s.figure == figure)


def near(share: float, expected: float) -> bool:
    spread = np.sqrt(max(expected * (1 - expected), 1e-4) / TRIALS)
    return abs(share - expected) < WIDE * spread


def redundancy() -> np.ndarray:
    p, n = geometry(TIED)
    rows = np.hstack([n, np.cross(p, n)])
    return 1.0 - np.diag(rows @ np.linalg.pinv(rows))


def test_with_nothing_wrong_each_figure_speaks_as_often_as_promised(usual: PlanRehearsed) -> None:
    nothing = usual.faults[0]
    assert nothing.fault == "nothing wrong"
    for one in nothing.seen:
        if one.figure != "worst-point test":  # kept below by Šidák's bound, not met exactly
            assert near(one.rate, 0.01), one
    assert rate(nothing, "worst-point test") < 0.01 + WIDE * np.sqrt(0.01 * 0.99 / TRIALS)
    assert nothing.misnamed == rate(nothing, "worst-point test")
    assert np.isnan(nothing.named)


def test_the_usual_set_is_nothing_each_point_a_twist_and_a_shrink(usual: PlanRehearsed) -> None:
    assert usual.sigma == pytest.approx(0.04)
    assert usual.sigma_source == "set by the plan"
    names = [f.fault for f in usual.faults]
    assert names[1:10] == [f"{s[0]} reads +0.4 mm" for s in TIED]
    assert names[10:] == ["twist of the +z face by 0.4 mm", "size -0.1 %"]
    assert [f.guilty for f in usual.faults[1:10]] == [(s[0],) for s in TIED]


def test_the_overall_test_has_the_power_of_the_noncentral_chi_square(usual: PlanRehearsed) -> None:
    """One bad reading of k sigma: ssr/sigma² is chi-square of dof with k² times redundancy."""
    limit = chi2.isf(0.01, 3)
    for fault, share in zip(usual.faults[1:10], redundancy(), strict=True):
        expected = float(ncx2.sf(limit, 3, 100.0 * share))
        assert near(rate(fault, "overall residual test"), expected), fault.fault


def test_a_named_set_counts_as_right_and_another_as_wrong(usual: PlanRehearsed) -> None:
    """The worst-point test speaks and names one or the other, so the shares add up."""
    for fault in usual.faults[1:10]:
        spoke = rate(fault, "worst-point test")
        assert fault.named + fault.misnamed == pytest.approx(spoke)
        assert fault.named_error == pytest.approx(np.sqrt(fault.named * (1 - fault.named) / TRIALS))
    middle = usual.faults[5]
    assert middle.fault.startswith("middle")
    # Its residual is its own alone; a side point's set is four points, never the one.
    assert middle.exact == pytest.approx(middle.named)
    assert usual.faults[6].exact == 0.0


def test_shifts_are_those_of_numpys_fit(usual: PlanRehearsed) -> None:
    p, n = geometry((*TIED, *FAR))
    rows = np.hstack([n, np.cross(p, n)])
    response = -rows @ np.linalg.pinv(rows[:9])
    far = [s[0] for s in FAR]
    for k, fault in enumerate(usual.faults[1:10]):
        expected = np.sort(np.abs(0.4 * response[9:, k]))[::-1][:3]
        assert np.abs([s.shift for s in fault.shifts]) == pytest.approx(expected, abs=2e-3)
        assert set(s.point for s in fault.shifts) <= set(far)


def test_a_shrink_shows_nothing_in_the_fit_and_everything_opposite(usual: PlanRehearsed) -> None:
    """The trade notes: a mould that shrinks more shows nothing in these nine residuals."""
    shrink = usual.faults[-1]
    assert near(rate(shrink, "overall residual test"), 0.01)
    assert rate(shrink, "check patch: far-end-1") > 0.99
    # The far end stands 1000 mm from the near one: 0.1 % is a millimetre.
    ends = {s.point: s.shift for s in shrink.shifts}
    assert ends["far-end-1"] == pytest.approx(-1.0, abs=0.01)


def test_a_twist_is_seen_by_its_mode_and_named_as_a_touch(usual: PlanRehearsed) -> None:
    twist = usual.faults[-2]
    assert rate(twist, "shape: twist of the +z face") > 0.99
    assert twist.misnamed > 0.9


def test_the_same_seed_gives_the_same_figures_and_another_others(plan: Plan) -> None:
    said = {"touches": {"middle": 0.15}, "trials": 300}
    one, same, other = (rehearsed_plan(plan, seed=s, **said) for s in (3, 3, 4))  # type: ignore[arg-type]
    assert one.faults[1].seen == same.faults[1].seen
    assert one.faults[1].seen != other.faults[1].seen


def test_faults_asked_for_each_alone_and_together(plan: Plan) -> None:
    found = rehearsed_plan(
        plan, touches={"side-1": 0.5, "corner-2": -0.3}, twists={"+z": 0.2}, shrinks=(0.05, -0.1),
        trials=200, sigma=0.08,
    )  # fmt: skip
    assert [f.fault for f in found.faults] == [
        "nothing wrong", "side-1 reads +0.5 mm", "corner-2 reads -0.3 mm",
        "side-1 reads +0.5 mm, corner-2 reads -0.3 mm", "twist of the +z face by 0.2 mm",
        "size -0.05 %", "size +0.1 %",
    ]  # fmt: skip
    assert found.faults[3].guilty == ("side-1", "corner-2")
    assert (found.sigma, found.sigma_source) == (0.08, "as asked for")


def test_a_plan_without_a_face_to_twist_says_so() -> None:
    spots = [TIED[0], TIED[1], TIED[2], *TIED[5:], *FAR]
    found = rehearsed_plan(plan_of(spots), trials=200)
    assert "no twist was planted" in found.note
    assert not [f for f in found.faults if f.fault.startswith("twist")]
    assert found.note in rehearse_text(found)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"touches": {"under": 1.0}}, "'under' is no fit point"),
        ({"touches": {"nobody": 1.0}}, "'nobody' is no fit point"),
        ({"twists": {"+q": 1.0}}, "no face '\\+q'"),
    ],
)
def test_names_that_the_plan_does_not_have(
    plan: Plan, said: dict[str, dict[str, float]], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        rehearsed_plan(plan, trials=100, **said)  # type: ignore[arg-type]


def test_a_loose_plan_is_refused() -> None:
    with pytest.raises(PlanError, match="a shift along x"):
        rehearsed_plan(plan_of(TIED[:7]), trials=100)


def test_the_text_names_points_and_says_what_it_is(plan: Plan) -> None:
    text = rehearse_text(rehearsed_plan(plan, touches={"side-1": 0.5}, trials=200, seed=2))
    for words in ("200 alignments a fault, seed 2", "side-1 reads +0.5 mm", "set by the plan",
                  "± one standard error"):  # fmt: skip
        assert words in text


def test_the_hood_names_a_deck_point_wrongly_more_often_than_not() -> None:
    """Deck points are tied within one per cent: naming the largest residual is near to a toss."""
    hood = read_plan(SAMPLES / "LH-640.toml")[0]
    found = rehearsed_plan(hood, touches={"deck-1": 0.5}, trials=1000)
    deck = found.faults[1]
    assert rate(deck, "worst-point test") > 0.85
    assert deck.misnamed > deck.named
