"""How often a run's verdict is right: bad touches planted into the simulated moulding, and none.

Whole stores are filled from files, as users do, with a process in which nothing else goes wrong.
In every ninth run after the pieces that say what is usual, all three hits of one or two fit points
are moved along the normal by k times the noise of the history; then each of these runs is reviewed.
The reference is what was planted. The full size is run where the environment says SPC_BENCH=1;
the table it prints is the one in the guide.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from helpers import SAMPLES, fill

from spc.demo.files import sheet_text
from spc.demo.scenario import Scenario, build
from spc.ingest.plan_toml import read_plan
from spc.store.connection import open_store
from spc.studies.advice import ACCEPT, REMEASURE
from spc.studies.fitting import fit_hits
from spc.studies.review import review
from spc.studies.reviewed import Review

FULL = os.environ.get("SPC_BENCH") == "1"
SEEDS = (11, 12) if FULL else (11,)
#: Batches and pieces a batch, and how many offsets of the planted runs are gone through.
SHAPE = {"batches": 35} if FULL else {"batches": 16, "pieces": 6}
OFFSETS = 9 if FULL else 1
#: Sizes planted, in standard deviations of a reading in the history.
SIZES = (2, 4, 6, 8, 12, 16) if FULL else (6, 16)
#: Runs before the first planted one: those that say what is usual, by far.
FIRST, EVERY = (150, 9) if FULL else (72, 3)
#: Every which of the runs with nothing planted is reviewed, and how many tell the noise.
STEP, TELLING = (1, 30) if FULL else (3, 6)


@dataclass(frozen=True, kw_only=True)
class Case:
    """What was planted into a run: points by name, and k."""

    run: str
    points: tuple[str, ...]
    size: int


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What the verdict made of it: accepted, or a wrong point named, or others, or none."""

    case: Case
    accepted: bool
    remeasure_right: bool
    hold_right: bool
    others: bool
    unnamed: bool
    every: bool

    @property
    def right(self) -> bool:
        return self.remeasure_right or self.hold_right


def planted(scenario: Scenario, folder: Path, cases: Iterable[Case], sigma: float) -> Path:
    """Write the scenario's files with the cases in them, and fill a store."""
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    wanted = {case.run: case for case in cases}
    files = []
    for place, sheet in enumerate(scenario.sheets):
        hits = sheet.hits.copy()
        for k, info in enumerate(sheet.runs):
            case = wanted.get(info.run)
            if case is not None:
                turn = fit_hits(plan, hits[k : k + 1]).fit.rotation[0]
                for name in case.points:
                    at = scenario.hood.index(name)
                    hits[k, at] += case.size * sigma * (turn.T @ scenario.hood.normal[at])
        text = sheet_text(replace(sheet, hits=hits), scenario.hood.names)
        files.append(folder / f"{place}.csv")
        files[-1].write_text(text, encoding="utf-8")
    store = folder / "s.duckdb"
    fill(store, files)
    return store


def judged(case: Case, seen: Review) -> Outcome:
    """Hold a review against what was planted."""
    advice, guilty = seen.advice, set(case.points)
    named = set(advice.points)
    accepted = advice.verdict == ACCEPT
    right = not accepted and bool(named & guilty)
    return Outcome(
        case=case, accepted=accepted, remeasure_right=right and advice.verdict == REMEASURE,
        hold_right=right and advice.verdict != REMEASURE,
        others=not accepted and bool(named) and not right, unnamed=not accepted and not named,
        every=right and named >= guilty,
    )  # fmt: skip


def reviewed(store_path: Path, cases: Sequence[Case]) -> list[Outcome]:
    with open_store(store_path, read_only=True) as store:
        return [judged(case, review(store, case.run)) for case in cases]


def labels(scenario: Scenario) -> list[str]:
    return [info.run for sheet in scenario.sheets for info in sheet.runs]


def cases_of(scenario: Scenario, offset: int, two: bool, rng: np.random.Generator) -> list[Case]:
    fit = [name for name, held in zip(scenario.hood.names, scenario.hood.fit, strict=True) if held]
    runs = labels(scenario)[FIRST + offset :: EVERY]
    return [
        Case(
            run=run, size=SIZES[k % len(SIZES)],
            points=tuple(rng.choice(fit, 2 if two else 1, replace=False)),
        )
        for k, run in enumerate(runs)
    ]  # fmt: skip


def noise_of(scenario: Scenario, folder: Path) -> tuple[Path, float]:
    """Return a store with nothing planted, and the noise that its reviews test against."""
    store_path = planted(scenario, folder, (), 0.0)
    with open_store(store_path, read_only=True) as store:
        seen = [
            review(store, run).history_noise for run in labels(scenario)[FIRST : FIRST + TELLING]
        ]
    return store_path, float(np.mean(seen))


def made(folder: Path, name: str) -> Path:
    path = folder / name
    path.mkdir()
    return path


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Outcome]]:
    """Every outcome: nothing planted, one point, two points."""
    out: dict[str, list[Outcome]] = {"none": [], "moving": [], "one": [], "two": []}
    folder = tmp_path_factory.mktemp("verdict")
    moving = build(SEEDS[0], **SHAPE)
    moved = planted(moving, made(folder, "moving"), (), 0.0)
    runs = labels(moving)[FIRST::STEP]
    out["moving"] = reviewed(moved, [Case(run=run, points=(), size=0) for run in runs])
    for seed in SEEDS:
        scenario = build(seed, null=True, **SHAPE)
        clean, sigma = noise_of(scenario, made(folder, f"{seed}"))
        runs = labels(scenario)[FIRST::STEP]
        none = [Case(run=run, points=(), size=0) for run in runs]
        out["none"] += reviewed(clean, none)
        rng = np.random.default_rng(seed)
        for offset in range(OFFSETS):
            for two in (False, True):
                key = "two" if two else "one"
                cases = cases_of(scenario, offset, two, rng)
                place = made(folder, f"{seed}-{offset}-{key}")
                out[key] += reviewed(planted(scenario, place, cases, sigma), cases)
        print(f"seed {seed}: noise of the history {sigma:.3f} mm")
    return out


def share(flags: Sequence[bool]) -> str:
    n = len(flags)
    rate = sum(flags) / n
    return f"{100 * rate:5.1f} ± {100 * (rate * (1 - rate) / n) ** 0.5:3.1f} %"


def row(name: str, some: Sequence[Outcome]) -> str:
    columns = ("accepted", "remeasure_right", "hold_right", "others", "unnamed", "every")
    cells = [share([getattr(o, c) for o in some]) for c in columns]
    return f"{name:28} {len(some):5}  " + "  ".join(cells)


def table(found: dict[str, list[Outcome]]) -> str:
    lines = [
        f"{'planted':28} {'runs':>5}  {'accepted':>13}  {'re-measure, it':>13}  "
        f"{'hold, it':>13}  {'names others':>13}  {'names none':>13}  {'names all':>13}",
        row("nothing", found["none"]),
        row("nothing, the moulding moves", found["moving"]),
    ]
    for key, words in (("one", "one point"), ("two", "two points at once")):
        for size in SIZES:
            lines.append(
                row(f"{words}, {size} sigma", [o for o in found[key] if o.case.size == size])
            )
    for group in ("deck", "flank", "nose"):
        some = [o for o in found["one"] if o.case.points[0].startswith(group)]
        for size in SIZES:
            here = [o for o in some if o.case.size == size]
            if here:
                lines.append(row(f"one of the {group}, {size} sigma", here))
    return "\n".join(lines)


def rate(some: Sequence[Outcome], what: str) -> float:
    return sum(getattr(o, what) for o in some) / len(some)


def test_verdicts_of_planted_touches(found: dict[str, list[Outcome]]) -> None:
    print("\n" + table(found))
    large = [o for o in found["one"] if o.case.size == max(SIZES)]
    small = [o for o in found["one"] if o.case.size == min(SIZES)]
    assert rate(found["none"], "accepted") > 0.85
    assert rate(large, "accepted") < 0.1
    assert rate(large, "right") > rate(large, "others")
    assert rate(large, "accepted") <= rate(small, "accepted")
