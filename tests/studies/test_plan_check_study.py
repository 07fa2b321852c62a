"""A plan judged before it is measured, against a design matrix of numpy's and published values."""

import json
from pathlib import Path

import numpy as np
import pytest
from helpers import SAMPLES
from layouts import BACK, DOWN, END, FAR, SIDE, TIED, UP, Spot, geometry, plan_of

from spc.errors import PlanError
from spc.ingest.plan_toml import read_plan
from spc.pages.json import to_json
from spc.pages.plan_check_text import plan_check_text
from spc.store.connection import create_store
from spc.studies import plans
from spc.studies.plan_check import (
    ASSUMED_SIGMA,
    LIMITED,
    SOUND,
    UNCHECKED,
    PlanChecked,
    checked_plan,
)
from spc.studies.plan_points import FitPointCheck

REFERENCE = Path(__file__).parents[1] / "reference"
LAYOUT = json.loads((REFERENCE / "alignment_layouts.json").read_text())["tied"]
PLATES = json.loads((REFERENCE / "alignment_plates.json").read_text())


def design(spots: list[Spot] | tuple[Spot, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return the design of all points and of the fit points, written plainly for numpy."""
    p, n = geometry(spots)
    rows = np.hstack([n, np.cross(p, n)])
    return rows, rows[[s[1] == "fit" for s in spots]]


def by_name(found: PlanChecked) -> dict[str, FitPointCheck]:
    return {p.point: p for p in found.points}


def third_side() -> tuple[Spot, ...]:
    """A plan whose points check one another: the tied one with points at other heights."""
    return (
        *TIED,
        ("side-3", "fit", (0.0, 300.0, -350.0), SIDE),
        ("end-3", "fit", (500.0, 0.0, -350.0), END),
        *FAR,
    )


@pytest.fixture(scope="module")
def tied() -> PlanChecked:
    return checked_plan(plan_of((*TIED, *FAR)), sigma=0.05)


@pytest.fixture(scope="module")
def hood() -> PlanChecked:
    return checked_plan(read_plan(SAMPLES / "LH-640.toml")[0])


# --- figures ---


def test_leverage_is_numpys_hat_matrix(tied: PlanChecked) -> None:
    _, fit = design((*TIED, *FAR))
    hat = np.diag(fit @ np.linalg.pinv(fit))
    assert [p.leverage for p in tied.points] == pytest.approx(hat, abs=1e-9)
    assert [p.redundancy for p in tied.points] == pytest.approx(1.0 - hat)
    assert sum(p.leverage for p in tied.points) == pytest.approx(6.0)


def test_detectable_is_baardas(tied: PlanChecked) -> None:
    """Baarda (1968): 4.13 for 0.1 % and 80 %; multiples of sigma from the trade notes' layout."""
    found = by_name(tied)
    for name, key in (("side-1", "side"), ("corner-2", "corner"), ("end-2", "end")):
        sigmas = found[name].detectable / 0.05
        assert sigmas == pytest.approx(LAYOUT["detectable_sigmas"][key], abs=0.05)
        assert sigmas == pytest.approx(4.132 / np.sqrt(found[name].redundancy), rel=1e-3)
    assert found["middle"].detectable / 0.05 == pytest.approx(4.6, abs=0.05)


def test_harm_is_what_numpys_fit_moves(tied: PlanChecked) -> None:
    rows, fit = design((*TIED, *FAR))
    moved = -rows @ np.linalg.pinv(fit)
    for k, point in enumerate(tied.points):
        shift = np.abs(moved[len(TIED) :, k]) * point.detectable
        assert point.harm == pytest.approx(shift.max())
        assert point.harmed in [FAR[i][0] for i in np.flatnonzero(shift > shift.max() - 1e-9)]


def test_alignment_at_check_points_is_numpys(tied: PlanChecked) -> None:
    rows, fit = design((*TIED, *FAR))
    variance = np.einsum("ij,jk,ik->i", rows, np.linalg.inv(fit.T @ fit), rows)[len(TIED) :]
    assert [c.alignment for c in tied.checks] == pytest.approx(0.05 * np.sqrt(variance))
    assert [c.inflation for c in tied.checks] == pytest.approx(np.sqrt(1.0 + variance))
    assert [c.share for c in tied.checks] == pytest.approx(6 * 0.05 * np.sqrt(variance) / 3.0)


def test_condition_measures_turns_at_the_size_of_the_part(tied: PlanChecked) -> None:
    p, n = geometry(TIED)
    about = p - p.mean(axis=0)
    size = np.sqrt((about**2).sum(axis=1).mean())
    values = np.linalg.svd(np.hstack([n, np.cross(about, n) / size]), compute_uv=False)
    assert tied.size == pytest.approx(size)
    assert tied.condition == pytest.approx(values[0] / values[-1])
    assert tied.rank == 6


def test_weakest_motion_moves_most_where_it_says(tied: PlanChecked) -> None:
    """No pose error of one SD moves any point of the part farther than the principal ones do."""
    _, fit = design((*TIED, *FAR))
    p, _ = geometry((*TIED, *FAR))
    covariance = np.linalg.inv(fit.T @ fit)
    names = [s[0] for s in (*TIED, *FAR)]
    at = p[names.index(tied.weakest.point)]
    cross = np.array([[0, at[2], -at[1]], [-at[2], 0, at[0]], [at[1], -at[0], 0]])
    moves = np.hstack([np.eye(3), cross])
    widest = np.sqrt(np.linalg.eigvalsh(moves @ covariance @ moves.T)[-1])
    assert 0.0 < tied.weakest.gain <= widest * (1 + 1e-9)
    assert tied.weakest.moved == pytest.approx(0.05 * tied.weakest.gain)


# --- what cannot be told ---


def test_tied_sets_are_those_of_the_trade_notes(tied: PlanChecked) -> None:
    """Side and end pairs are one set; of the corners one can say which diagonal, never which."""
    assert set(tied.tied) == {
        ("side-1", "side-2", "end-1", "end-2"), ("corner-1", "corner-3"), ("corner-2", "corner-4"),
    }  # fmt: skip
    assert by_name(tied)["side-1"].tied == ("side-2", "end-1", "end-2")
    assert tied.verdict == LIMITED
    assert any("cannot be told apart" in r and "corner-1" in r for r in tied.reasons)


def test_near_ties_of_the_hood(hood: PlanChecked) -> None:
    assert hood.tied == (("nose-1", "nose-2"),)
    assert hood.near == (("deck-1", "deck-2", "deck-3", "deck-4"),)
    assert by_name(hood)["deck-1"].near == ("deck-2", "deck-3", "deck-4")


def test_points_checked_by_nothing_and_their_harm() -> None:
    """Two end points, one of them left out: the other then takes up whatever it reads."""
    spots = [*TIED[:8], *FAR]
    found = checked_plan(plan_of(spots), sigma=0.1)
    rows, fit = design(spots)
    end = by_name(found)["end-1"]
    assert end.redundancy == pytest.approx(0.0, abs=1e-12)
    assert end.detectable == np.inf
    assert "end-1" in [u.point for u in found.unseen]
    unseen = next(u for u in found.unseen if u.point == "end-1")
    moved = np.sort(np.abs(rows[8:] @ np.linalg.pinv(fit)[:, 7]))[::-1]
    assert [abs(h.per_mm) for h in unseen.harms] == pytest.approx(moved[moved > 1e-9][:3])
    assert any("nothing checks" in r for r in found.reasons)
    assert "shows nowhere in the fit" in plan_check_text(found)


def test_a_plan_whose_points_check_one_another_is_sound() -> None:
    found = checked_plan(plan_of(third_side()))
    assert (found.verdict, found.reasons) == (SOUND, ())


def test_six_points_check_nothing() -> None:
    spots = [TIED[0], TIED[1], TIED[2], TIED[5], TIED[6], TIED[7]]
    found = checked_plan(plan_of(spots))
    assert (found.verdict, found.dof) == (UNCHECKED, 0)
    assert all(p.detectable == np.inf for p in found.points)
    assert len(found.unseen) == 6
    assert "no check point" in plan_check_text(found)


# --- form, warmth, panels, improvements ---


def test_size_cannot_be_seen_without_an_opposite_face() -> None:
    """The trade notes' rule: say so, and why; scale is wholly invisible with the nine points."""
    found = checked_plan(plan_of(TIED))
    assert found.shapes.blind_to_size == (
        "size cannot be seen with this plan: no patch on an opposite face"
    )
    assert found.shapes.blind_to_size in found.reasons
    size = next(s for s in found.shapes.shapes if s.name == "size")
    assert np.isnan(size.error)
    assert f"not seen: {size.reason}" in plan_check_text(found)


def test_error_of_size_is_numpys(tied: PlanChecked) -> None:
    """One column more beside the six motions, all points of weight one."""
    rows, _ = design((*TIED, *FAR))
    p, n = geometry((*TIED, *FAR))
    full = np.column_stack([rows, 0.01 * (n * p).sum(axis=1)])
    error = 0.05 * np.sqrt(np.linalg.inv(full.T @ full)[6, 6])
    size = next(s for s in tied.shapes.shapes if s.name == "size")
    assert size.error == pytest.approx(error)
    assert tied.shapes.blind_to_size == ""
    # The trade notes: about 0.05 mm gives 0.005 % with these check points (one digit).
    assert size.error == pytest.approx(0.005, abs=0.0025)


def test_warmth_looks_like_size(hood: PlanChecked) -> None:
    """1 K of polyethylene at 150e-6 is 0.015 % (trade notes)."""
    assert "0.015 %" in hood.shapes.temperature
    assert "assumed" in hood.shapes.expansion_source
    stated = checked_plan(plan_of(TIED, head="[material]\nexpansion = 11.5e-6"))
    assert stated.shapes.expansion_source == "set by the plan"
    assert "0.00115 %" in stated.shapes.temperature


@pytest.mark.parametrize("row", PLATES["panels"], ids=lambda r: f"{r['side']} x {r['wall']}")
def test_panels_give_way_as_plates_do(row: dict[str, object]) -> None:
    head = f"[material]\nwall = {row['wall']}\nmodulus_gpa = 0.9\npoisson = 0.42"
    side = row["side"]
    found = checked_plan(plan_of(TIED, head=head, more={"middle": f"panel = [{side}, {side}]"}))
    (panel,) = found.panels
    soft, stiff = row["push"]  # type: ignore[misc]
    assert panel.supported == pytest.approx(soft, abs=0.005)
    assert panel.clamped == pytest.approx(stiff, abs=0.006)
    assert panel.share == pytest.approx(panel.supported / 3.0)
    assert panel.beyond == (panel.supported > 0.3)
    assert ("PUSHED" in plan_check_text(found)) == panel.beyond


def test_panel_without_a_wall_is_words_not_a_figure() -> None:
    (panel,) = checked_plan(plan_of(TIED, more={"middle": "panel = [400, 400]"})).panels
    assert np.isnan(panel.supported)
    assert "wall and modulus_gpa" in panel.note


def test_improvements_say_before_and_after(tied: PlanChecked) -> None:
    """The figures after are those of the plan with the point in it."""
    assert tied.better.before.tied == 8
    best = next(b for b in tied.better.ranked if b.point)
    spots = [(n, "fit" if n == best.point else r, p, q) for n, r, p, q in (*TIED, *FAR)]
    again = checked_plan(plan_of(spots), sigma=0.05)
    assert best.after.tied == sum(len(group) for group in again.tied)
    assert best.after.least_redundancy == pytest.approx(min(p.redundancy for p in again.points))
    assert best.after.condition == pytest.approx(again.condition)
    assert best.after.tied <= tied.better.before.tied


def test_a_new_point_lies_within_the_part(hood: PlanChecked) -> None:
    p = np.array([q.nominal for q in read_plan(SAMPLES / "LH-640.toml")[0].points])
    low, high = p.min(axis=0), p.max(axis=0)
    new = [b for b in hood.better.ranked if not b.point]
    assert new
    for one in new:
        assert (np.array(one.nominal) >= low - 0.03 * (high - low)).all()
        assert (np.array(one.nominal) <= high + 0.03 * (high - low)).all()


# --- units, sizes, refusals ---


def test_an_inch_plan_has_the_same_figures(tied: PlanChecked) -> None:
    inch = checked_plan(plan_of((*TIED, *FAR), unit="in"), sigma=0.05)
    assert [p.detectable for p in inch.points] == pytest.approx([p.detectable for p in tied.points])
    assert [c.alignment for c in inch.checks] == pytest.approx([c.alignment for c in tied.checks])
    assert "lengths in in" in plan_check_text(inch)
    # 0.05 mm is 0.0020 in.
    assert "probing noise: 0.0020" in plan_check_text(inch)


def test_sigma_is_asked_for_or_the_plans_or_said_to_be_assumed() -> None:
    plain, stated = plan_of(TIED), plan_of(TIED, unit="in", head="[probe]\nsigma = 0.002")
    assert (checked_plan(plain).sigma, ASSUMED_SIGMA) == (0.05, 0.05)
    assert "no published source" in checked_plan(plain).sigma_source
    assert checked_plan(stated).sigma == pytest.approx(0.0508)
    assert checked_plan(stated).sigma_source == "set by the plan"
    assert checked_plan(stated, sigma=0.1).sigma_source == "as asked for"


def grid(normal: tuple[float, float, float]) -> list[Spot]:
    return [
        (f"p{a}{b}", "fit", (100.0 * a, 70.0 * b, 0.0), normal) for a in range(3) for b in range(3)
    ]


DEGENERATE: dict[str, tuple[list[Spot], tuple[str, ...]]] = {
    "all normals parallel": (
        grid(UP),
        ("hold 3 of", "a shift along x", "a shift along y", "a turn about the axis along z",
         "all fit points look along z"),
    ),
    "no point along x": (
        [*grid(UP), ("s1", "fit", (0.0, 0.0, 50.0), SIDE), ("s2", "fit", (200.0, 0.0, 50.0), SIDE)],
        ("hold 5 of", "a shift along x", "no fit point looks along x"),
    ),
    "on one line": (
        [(f"p{k}", "fit", (100.0 * k, 0.0, 0.0), (UP, SIDE, END)[k % 3]) for k in range(8)],
        ("hold 5 of", "a turn about the axis along x", "on one line"),
    ),
    "at one place": (
        [(f"p{k}", "fit", (5.0, 6.0, 7.0), (UP, SIDE, END)[k % 3]) for k in range(8)],
        ("hold 3 of", "through (5, 6, 7) mm", "at one place"),
    ),
    "opposite pairs only": (
        [*grid(UP), *((f"u{k}", "fit", (100.0 * k, 0.0, -50.0), DOWN) for k in range(3)),
         ("b", "fit", (0.0, -90.0, 0.0), BACK)],
        ("a shift along x", "a turn about the axis along z"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DEGENERATE)
def test_a_plan_that_leaves_a_motion_free_is_refused_by_its_name(name: str, tmp_path: Path) -> None:
    spots, words = DEGENERATE[name]
    plan = plan_of(spots)
    with pytest.raises(PlanError) as refusal:
        checked_plan(plan, file="bad.toml")
    assert not [w for w in ("bad.toml: ", *words) if w not in str(refusal.value)]
    with create_store(tmp_path / "s.duckdb") as store:
        with pytest.raises(PlanError, match="leave free"):
            plans.add(store, plan, (), "tester")
        assert not store.scalar("SELECT count(*) FROM plan")


def test_adding_says_what_the_plan_cannot_check(tmp_path: Path) -> None:
    seven = plan_of([*TIED[:4], *TIED[5:8]])
    with create_store(tmp_path / "s.duckdb") as store:
        few = plans.add(store, seven, ("from the reader",), "tester").warnings
        tied = plans.add(store, plan_of(TIED), (), "tester").warnings
        sound = plans.add(store, plan_of(third_side()), (), "tester").warnings
    assert few[0] == "from the reader"
    assert "7 fit points leave one number to check the fit by" in few[1]
    assert any("nothing checks" in w for w in few)
    assert sum("cannot be told apart" in w for w in tied) == 3
    assert sound == ()


def test_a_plan_of_two_thousand_points() -> None:
    """Real sizes: dense check points neither fail nor take long."""
    rng = np.random.default_rng(1)
    dense: list[Spot] = [
        (f"d{k}", "check", (float(x), float(y), 0.0), UP)
        for k, (x, y) in enumerate(rng.uniform(-400, 400, (1986, 2)))
    ]
    found = checked_plan(plan_of([*TIED, *FAR, *dense]))
    assert len(found.checks) == 1991
    assert "not tried" in found.better.note


def test_the_document_has_no_number_that_json_lacks(tied: PlanChecked) -> None:
    document = json.loads(to_json(tied))
    assert document["verdict"] == "limited"
    assert document["points"][0]["detectable"] == pytest.approx(tied.points[0].detectable)
    lonely = json.loads(to_json(checked_plan(plan_of([*TIED[:8], *FAR]))))
    assert lonely["points"][7]["detectable"] is None


def test_size_seen_as_a_whole_and_not_along_an_axis() -> None:
    """Opposite ends along x and the underside, and nothing on the far side along y."""
    spots = [*TIED, *(s for s in FAR if not s[0].startswith("far-side"))]
    found = checked_plan(plan_of(spots))
    states = {s.name: s.state for s in found.shapes.shapes}
    assert states["size along y"] == "hidden"
    assert states["size"] != "hidden"
    assert found.shapes.blind_to_size == (
        "size along y cannot be seen with this plan: no patch on an opposite face along y"
    )
