"""What a plan may choose: second opinion, exact hold, ball centres, the part at 20 °C."""

from pathlib import Path

import numpy as np
import pytest
from helpers import SAMPLES, fill
from layouts import FAR, TIED, geometry, plan_toml, posed, results_csv, shown, taken, written

from spc.demo.files import sheet_text
from spc.demo.scenario import Scenario, build
from spc.errors import PlanError
from spc.ingest.plan_toml import read_plan
from spc.pages.review_text import review_text
from spc.plan import Material, Plan, Probe
from spc.store import read
from spc.store.connection import create_store, open_store
from spc.studies import plans
from spc.studies.arrays import plan_arrays
from spc.studies.fitting import fit_hits

SPOTS = (*TIED, *FAR)
#: Identity of the sample plan before plans could choose anything further.
OLD_IDENTITY = "f7d3999af00a979e25247df1"


def plan_from(folder: Path, **said: object) -> Plan:
    return read_plan(written(folder, plan_toml(SPOTS, **said)))[0]  # type: ignore[arg-type]


def deviations(store_path: Path, runs: int) -> np.ndarray:
    """Return working deviations (runs, points) as the store has them."""
    with open_store(store_path, read_only=True) as store:
        rows = read.deviations(store, "P-1", "A").merge(read.known_runs(store), on="run_id")
    laid = np.full((runs, len(SPOTS)), np.nan)
    names = [s[0] for s in SPOTS]
    for row in rows.to_dict("records"):
        laid[int(row["serial"][1:]), names.index(row["point"])] = row["deviation"]
    return laid


# --- the plan's words ---

CHOICES = (
    'second_opinion = "huber"\n[probe]\ncentres = true\nball_diameter = 0.25\nsigma = 0.002\n'
    "[material]\nexpansion = 150e-6\nwall = 0.16\nmodulus_gpa = 0.6\npoisson = 0.42"
)


def test_choices_come_in_the_plans_unit(tmp_path: Path) -> None:
    plan = plan_from(
        tmp_path, unit="in", head=f"[fit]\n{CHOICES}", more={"middle": "panel = [16, 12]"}
    )
    assert plan.second_opinion == "huber"
    assert plan.probe == Probe(
        centres=True, ball_diameter=pytest.approx(6.35), sigma=pytest.approx(0.0508)
    )
    assert plan.material == Material(
        expansion=150e-6, wall=pytest.approx(4.064), modulus_gpa=0.6, poisson=0.42
    )
    assert plan.ball_radius == pytest.approx(3.175)
    middle = plan.point("middle")
    assert middle is not None
    assert middle.panel == pytest.approx((406.4, 304.8))


def test_choices_are_kept_by_the_store(tmp_path: Path) -> None:
    plan = plan_from(tmp_path, head=f"[fit]\n{CHOICES}", more={"middle": "panel = [400, 300]"})
    with create_store(tmp_path / "s.duckdb") as store:
        plans.add(store, plan, (), "tester")
        assert read.plan(store, "P-1") == plan


def test_choices_are_part_of_the_identity(tmp_path: Path) -> None:
    said = [
        {}, {"head": '[fit]\nsecond_opinion = "huber"'},
        {"head": '[fit]\nsecond_opinion = "least trimmed"'},
        {"head": "[probe]\ncentres = true\nball_diameter = 6"},
        {"head": "[probe]\ncentres = true\nball_diameter = 4"},
        {"head": "[material]\nexpansion = 150e-6"}, {"more": {"middle": "panel = [400, 400]"}},
    ]  # fmt: skip
    assert len({plan_from(tmp_path, **one).plan_id for one in said}) == len(said)  # type: ignore[arg-type]


def test_a_plan_without_choices_keeps_its_old_identity() -> None:
    assert read_plan(SAMPLES / "LH-640.toml")[0].plan_id == OLD_IDENTITY


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ('[fit]\nsecond_opinion = "median"', "unknown second opinion 'median'"),
        ("[probe]\ncentres = true", "centres without a ball_diameter"),
        ('[probe]\ncentres = "yes"', "centres is 'yes'"),
        ("[probe]\nball_diameter = -6", "ball_diameter is -6"),
        ("[probe]\nball_diameter = true", "ball_diameter is True"),
        ("[probe]\nsigma = 0", "sigma is 0"),
        ("[probe]\ntip = 6", "unknown key 'tip'"),
        ("probe = 6", r"\[probe\] is not a table"),
        ("[material]\nexpansion = 150", "expansion is 150"),
        ("[material]\nexpansion = nan", "expansion is nan"),
        ("[material]\npoisson = 0.5", "poisson is 0.5"),
        ('[material]\nwall = "4 mm"', "wall is '4 mm'"),
    ],
)
def test_a_choice_that_cannot_be_is_refused(tmp_path: Path, head: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        plan_from(tmp_path, head=head)


@pytest.mark.parametrize("panel", ["400", "[400]", "[400, 0]", '["400", 400]'])
def test_a_panel_is_two_lengths(tmp_path: Path, panel: str) -> None:
    with pytest.raises(PlanError, match=r"point 'middle'.*panel"):
        plan_from(tmp_path, more={"middle": f"panel = {panel}"})


# --- ball centres ---


def readings(runs: int, radius: float = 0.0) -> tuple[list[np.ndarray], np.ndarray]:
    """Return posed positions off the surface by a radius, and the deviations they have."""
    p, n = geometry(SPOTS)
    d = np.random.default_rng(5).normal(0.0, 0.3, (runs, len(SPOTS)))
    return [posed(p + (d[k] + radius)[:, None] * n, seed=k) for k in range(runs)], d


@pytest.mark.parametrize("unit", ["mm", "in", "thou"])
def test_centres_of_a_ball_are_as_good_as_compensated_points(tmp_path: Path, unit: str) -> None:
    """The same part, once as surface points and once as centres of a 6 mm ball, through files."""
    surface, _ = readings(4)
    centres, _ = readings(4, radius=3.0)
    ball = {"mm": 6.0, "in": 6.0 / 25.4, "thou": 6.0 / 0.0254}[unit]
    head = f"[probe]\ncentres = true\nball_diameter = {ball}"
    plain, first = taken(
        tmp_path, plan_toml(SPOTS, unit=unit), results_csv(SPOTS, surface, unit=unit), "plain"
    )
    moved, second = taken(
        tmp_path, plan_toml(SPOTS, unit=unit, head=head), results_csv(SPOTS, centres, unit=unit),
        "moved",
    )  # fmt: skip
    # The centres lie along normals of the true pose, the fit holds them along those of its own.
    assert deviations(moved, 4) == pytest.approx(deviations(plain, 4), abs=2e-5)
    assert [r.worst_point for r in second.runs] == [r.worst_point for r in first.runs]
    assert shown(moved, "R1").worst_residual == pytest.approx(
        shown(plain, "R1").worst_residual, abs=2e-5
    )


def test_centres_taken_for_points_are_off_by_the_radius(tmp_path: Path) -> None:
    """Without the plan's word opposite faces stand apart by twice the radius."""
    centres, d = readings(1, radius=3.0)
    path, _ = taken(tmp_path, plan_toml(SPOTS), results_csv(SPOTS, centres), "wrong")
    names = [s[0] for s in SPOTS]
    off = deviations(path, 1)[0] - d[0]
    assert off[names.index("far-end-1")] > 5.0


def test_omissions_and_hits_use_the_centres_too(tmp_path: Path) -> None:
    centres, _ = readings(2, radius=3.0)
    head = "[probe]\ncentres = true\nball_diameter = 6.0"
    path, _ = taken(tmp_path, plan_toml(SPOTS, head=head), results_csv(SPOTS, centres), "c")
    seen = shown(path, "R0")
    assert max(abs(o.deviation) for o in seen.omissions) < 5.0
    assert seen.closer.mistakes == ()


# --- second opinion ---


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return build(batches=6, pieces=10, null=True)


def sample_store(
    folder: Path, scenario: Scenario, fit_words: str, size: float, point: str = "flank-2"
) -> Path:
    """Fill a store with the scenario; the last run's point reads ``size`` mm too far out."""
    text = (SAMPLES / "LH-640.toml").read_text(encoding="utf-8")
    plan = written(folder, text.replace("[fit]", f"[fit]\n{fit_words}"))
    files = []
    for k, sheet in enumerate(scenario.sheets):
        hits = sheet.hits.copy()
        if k == len(scenario.sheets) - 1:
            fitted = fit_hits(read_plan(plan)[0], hits[-1:])
            at = scenario.hood.index(point)
            hits[-1, at] += size * (fitted.fit.rotation[0].T @ scenario.hood.normal[at])
        changed = type(sheet)(
            path=sheet.path, unit=sheet.unit, runs=sheet.runs, hits=hits, deviation=sheet.deviation
        )
        text = sheet_text(changed, scenario.hood.names)
        files.append(written(folder, text, f"{k}.csv"))
    store = folder / "s.duckdb"
    fill(store, files, plan)
    return store


def last_run(scenario: Scenario) -> str:
    return scenario.sheets[-1].runs[-1].run


def test_huber_pulls_less_by_the_bad_point_and_the_fit_stays(
    tmp_path: Path, scenario: Scenario
) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    run = last_run(scenario)
    plain = shown(sample_store(tmp_path / "a", scenario, "", 2.0), run)
    robust = shown(sample_store(tmp_path / "b", scenario, 'second_opinion = "huber"', 2.0), run)
    assert plain.closer.second is None
    second = robust.closer.second
    assert second is not None
    assert "flank-2" in second.doubted
    # Shown beside: the working figures are the least-squares ones, to the last digit.
    assert robust.worst_residual == plain.worst_residual
    assert [c.deviation for c in robust.checks] == [c.deviation for c in plain.checks]
    own = {p.point: p for p in second.points}
    assert own["flank-2"].deviation == pytest.approx(plain.worst_residual)
    # The second opinion leaves more of the error at the bad point, and less elsewhere.
    assert abs(own["flank-2"].second) > abs(own["flank-2"].deviation)
    assert own["flank-2"].pull == min(p.pull for p in second.points if p.role == "fit")
    assert all(np.isnan(p.pull) for p in second.points if p.role == "check")
    text = review_text(robust)
    assert "beside the fit and never in its place" in text
    assert "second opinion" not in review_text(plain)


def test_least_trimmed_leaves_out_the_bad_point_and_names_a_rival_where_tied(
    tmp_path: Path, scenario: Scenario
) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    words, run = 'second_opinion = "least trimmed"', last_run(scenario)
    clear = shown(sample_store(tmp_path / "a", scenario, words, 2.0), run).closer.second
    tied = shown(sample_store(tmp_path / "b", scenario, words, 2.0, "nose-1"), run).closer.second
    assert clear is not None
    assert tied is not None
    assert (clear.doubted, clear.rivals) == (("flank-2",), ())
    # The nose points are tied exactly: leaving out either explains the run as well.
    assert {*tied.doubted, *tied.rivals} == {"nose-1", "nose-2"}
    assert "do not say which" in tied.words
    assert next(p.pull for p in clear.points if p.point == "flank-2") == 0.0


def test_huber_without_a_history_says_why_there_is_none(tmp_path: Path) -> None:
    surface, _ = readings(2)
    plan = plan_toml(SPOTS, head='[fit]\nsecond_opinion = "huber"')
    path, _ = taken(tmp_path, plan, results_csv(SPOTS, surface), "h")
    seen = shown(path, "R0")
    assert seen.closer.second is not None
    assert "too few pieces" in seen.closer.second.note
    assert "second opinion (huber): none" in review_text(seen)


# --- exact hold ---

#: Three, two and one: the plan's own six, the others judged after it.
HELD = tuple(
    (name, "fit" if name in {"corner-1", "corner-2", "corner-3", "side-1", "side-2", "end-1"}
     else "check", at, normal)
    for name, _, at, normal in SPOTS
)  # fmt: skip


def test_an_exact_hold_leaves_nothing_and_says_so(tmp_path: Path) -> None:
    surface, _ = readings(2)
    plan = plan_toml(HELD, head='[fit]\nmethod = "exact hold"')
    path, _ = taken(tmp_path, plan, results_csv(HELD, surface), "held")
    seen = shown(path, "R0")
    assert max(abs(p.residual) for p in seen.points) < 1e-9
    assert (seen.dof, seen.n_points) == (0, 6)
    assert any("six fit points leave nothing over" in r for r in seen.advice.reasons)
    assert not any(np.isfinite(p.detectable) for p in seen.points)


def test_an_exact_hold_has_six_points_and_no_second_opinion(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="an exact hold with 9 fit points"):
        plan_from(tmp_path, head='[fit]\nmethod = "exact hold"')
    words = '[fit]\nmethod = "exact hold"\nsecond_opinion = "huber"'
    with pytest.raises(PlanError, match="leaves nothing over"):
        read_plan(written(tmp_path, plan_toml(HELD, head=words)))


# --- warmth ---


def warm_run(celsius: float | None, radius: float = 0.0) -> str:
    """Return a part that is exactly as drawn at 20 °C, measured warm."""
    p, n = geometry(SPOTS)
    factor = 1.0 + 150e-6 * ((celsius or 30.0) - 20.0)
    at = posed(factor * p + radius * n, seed=11)
    said = {} if celsius is None else {"part_temp_c": celsius}
    return results_csv(SPOTS, [at], **said)


WARM = "[material]\nexpansion = 150e-6"


@pytest.mark.parametrize("radius", [0.0, 3.0])
def test_a_perfect_part_measured_warm_is_perfect_at_20(tmp_path: Path, radius: float) -> None:
    head = WARM + ("\n[probe]\ncentres = true\nball_diameter = 6" if radius else "")
    path, _ = taken(tmp_path, plan_toml(SPOTS, head=head), warm_run(30.0, radius), "w")
    seen = shown(path, "R0")
    warmth = seen.closer.warmth
    assert warmth is not None
    assert np.abs([p.corrected for p in warmth.points]).max() < 1e-5
    at = {p.point: p for p in warmth.points}
    # The far end stands 1000 mm from the near one: 10 K of 150e-6 are 1.5 mm.
    assert at["far-end-1"].deviation == pytest.approx(1.5, abs=0.01)
    assert at["far-end-1"].uncertainty == pytest.approx(0.3 * 1.5, abs=0.003)
    assert warmth.percent == pytest.approx(-0.15, abs=0.001)
    # Beside the raw figure, never in its place.
    raw = next(c.deviation for c in seen.checks if c.point == "far-end-1")
    assert raw == pytest.approx(1.5, abs=0.01)
    text = review_text(seen)
    assert "at 20 °C" in text
    assert "+1.500" in text
    assert "the raw deviation is what is judged" in text


def test_at_20_nothing_changes_and_without_a_thermometer_nothing_is_said(tmp_path: Path) -> None:
    plan = plan_toml(SPOTS, head=WARM)
    cold, _ = taken(tmp_path, plan, warm_run(20.0), "cold")
    unknown, _ = taken(tmp_path, plan, warm_run(None), "unknown")
    plain, _ = taken(tmp_path, plan_toml(SPOTS), warm_run(30.0), "plain")
    warmth = shown(cold, "R0").closer.warmth
    assert warmth is not None
    assert [p.change for p in warmth.points] == pytest.approx([0.0] * len(SPOTS), abs=1e-9)
    missing = shown(unknown, "R0").closer.warmth
    assert missing is not None
    assert missing.points == ()
    assert "temperature is unknown" in missing.note
    assert shown(plain, "R0").closer.warmth is None


def test_aims_stand_off_by_the_radius_and_nominals_do_not(tmp_path: Path) -> None:
    plan = plan_from(tmp_path, head="[probe]\ncentres = true\nball_diameter = 6")
    arrays = plan_arrays(plan)
    p, n = geometry(SPOTS)
    assert arrays.nominals == pytest.approx(p)
    assert arrays.aims == pytest.approx(p + 3.0 * n)
    known = plan_from(tmp_path, head="[probe]\nball_diameter = 6")
    assert plan_arrays(known).aims == pytest.approx(p)
