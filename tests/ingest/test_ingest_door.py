"""Checks at the door: what is said of a file against what the store knows, and kept with it."""

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from helpers import Outcome, contents, held_bytes
from hypothesis import given
from hypothesis import strategies as st
from qif_documents import Doc, Feature, Hits
from strategies import box, csv_text, hit_rows, plan_toml, probed

from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.store import door, read
from spc.store.audit import record
from spc.store.connection import create_store, open_store
from spc.studies import at_the_door
from spc.studies.intake import Taken, take_file
from spc.studies.plans import add
from spc.units import MILLIMETRES

PLAN = box(check=2)
POINTS = len(PLAN.points)
Take = Callable[..., Taken]


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds the box's plan; to be copied."""
    folder = tmp_path_factory.mktemp("door")
    (folder / "box.toml").write_text(plan_toml(PLAN))
    with create_store(folder / "box.duckdb") as store:
        add(store, *read_plan(folder / "box.toml"), "tester")
    return folder / "box.duckdb"


@pytest.fixture
def take(empty: Path, tmp_path: Path) -> Take:
    """Return a function that takes rows into a store that holds the box's plan."""
    path = Path(shutil.copy(empty, tmp_path / "box.duckdb"))
    count = iter(range(999))

    def taking(rows: Sequence[dict[str, object]] | bytes, **declared: str) -> Taken:
        offered = tmp_path / f"offered-{next(count)}.csv"
        offered.write_bytes(rows if isinstance(rows, bytes) else csv_text(rows).encode())
        with open_store(path) as store:
            return take_file(store, read_file(offered, Declared(**declared)), "tester")

    return taking


def run(serial: str, label: str = "1", **more: object) -> dict[str, object]:
    """Return the columns of a run."""
    return {"serial": serial, "run": f"{serial}-{label}", "batch": "", "study": "",
            "measured_at": "2026-01-05T08:00:00Z", "unit": "mm", **more}  # fmt: skip


def hits(
    runs: Sequence[dict[str, object]], seed: int = 0, per: float = 1.0
) -> list[dict[str, object]]:
    """Return hits of pieces, two a point."""
    rng = np.random.default_rng(seed)
    laid = probed(PLAN, rng.normal(0, 0.2, (len(runs), POINTS)), rng, hits=2)
    return hit_rows(PLAN, laid, runs, per=per)


def ready(
    runs: Sequence[dict[str, object]], *, seed: int = 0, per: float = 1.0, spread: float = 0.3
) -> list[dict[str, object]]:
    """Return ready deviations of pieces, in units of ``per`` millimetres."""
    values = np.random.default_rng(seed).normal(0, spread, (len(runs), POINTS))
    return [
        {"part": PLAN.part, **one, "point": p.id, "deviation": repr(float(values[r, c] / per))}
        for r, one in enumerate(runs)
        for c, p in enumerate(PLAN.points)
    ]


def said(taken: Taken, *words: str) -> str:
    """Return the one warning that holds each of the words."""
    (found,) = [w for w in taken.warnings if all(word in w for word in words)]
    return found


# --- measured again ------------------------------------------------------------------------------


def test_a_piece_measured_twice_is_said_in_the_store_and_in_one_file(take: Take) -> None:
    assert take(hits([run("S1"), run("S2")])).warnings == ()
    again = take(hits([run("S1", "2"), run("S3"), run("S3", "2")], seed=1))
    said(again, "piece 'S1' is measured again", "run 'S1-2' after run 'S1-1'")
    said(again, "piece 'S3' is measured again", "run 'S3-2' after run 'S3-1'")
    assert len(again.warnings) == 2


def test_a_piece_measured_again_at_an_earlier_time_is_said_to_be_so(take: Take) -> None:
    take(hits([run("S1"), run("S1", "2", measured_at="2026-01-06T08:00:00Z")]))
    early = take(hits([run("S1", "3", measured_at="2026-01-02T09:30:00Z")], seed=1))
    said(early, "time runs backwards: run 'S1-3' is dated 2026-01-02 09:30 UTC, before run 'S1-2' "
         "(2026-01-06 08:00)", "look at the clock")  # fmt: skip


def test_runs_of_a_study_are_no_second_measurement(take: Take) -> None:
    take(hits([run("S1")]))
    assert take(hits([run("S1", str(i), study="G1") for i in range(2, 5)], seed=1)).warnings == ()


def test_many_pieces_measured_again_are_counted(take: Take) -> None:
    take(hits([run(f"S{i}") for i in range(6)]))
    again = take(hits([run(f"S{i}", "2") for i in range(6)], seed=1))
    assert len(again.warnings) == 4
    assert again.warnings[-1] == "and 3 more pieces measured again"


def test_warnings_are_kept_with_the_file(take: Take, tmp_path: Path) -> None:
    take(hits([run("S1")]))
    again = take(hits([run("S1", "2")], seed=1))
    kept = [row for row in contents(tmp_path / "box.duckdb")["source_file"]
            if any("measured again" in str(cell) for cell in row)]  # fmt: skip
    assert len(kept) == 1
    assert "\n".join(again.warnings) in kept[0]


# --- copies --------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows_of", [hits, ready])
def test_the_same_values_under_another_name_are_said(
    rows_of: Callable[..., list[dict[str, object]]], take: Take
) -> None:
    take(rows_of([run("S1"), run("S2")]))
    copy = rows_of([run("S7"), run("S8")])
    taken = take(copy)
    said(taken, "run 'S7-1' of serial 'S7' holds the very values of run 'S1-1' of serial 'S1'")
    said(taken, "run 'S8-1'", "run 'S2-1'")
    shuffled = [copy[i] for i in np.random.default_rng(3).permutation(len(copy))]
    renamed = [{**row, "serial": f"{row['serial']}x", "run": "r"} for row in shuffled]
    again = take(renamed)
    assert len([w for w in again.warnings if "holds the very values of" in w]) == 3
    said(again, "and 1 more copies")


def test_a_copy_within_one_file_is_said(take: Take) -> None:
    rows = hits([run("S1"), run("S2")])
    copies = [{**r, "serial": "S9", "run": "S9-1"} for r in rows if r["serial"] == "S2"]
    taken = take([*rows, *copies])
    said(taken, "run 'S9-1' of serial 'S9' holds the very values of run 'S2-1' of serial 'S2'")
    assert len(taken.warnings) == 1


def test_a_copy_in_another_unit_is_one(take: Take) -> None:
    take(hits([run("S1")]))
    said(take(hits([run("S7", unit="in")], per=25.4)), "holds the very values of run 'S1-1'")


def test_one_hit_changed_is_no_copy(take: Take) -> None:
    rows = hits([run("S1")])
    take(rows)
    changed = [{**r, "serial": "S7", "run": "S7-1"} for r in rows]
    changed[5]["x"] = repr(float(str(changed[5]["x"])) + 0.001)
    assert take(changed).warnings == ()


def test_a_few_equal_deviations_are_chance(take: Take) -> None:
    few = [r for r in ready([run("S1")]) if r["point"] in ("top-1", "top-2", "top-3")]
    take(few)
    assert take([{**r, "serial": "S7", "run": "S7-1"} for r in few]).warnings == ()


# --- times ---------------------------------------------------------------------------------------


def test_a_time_later_than_now_is_said(take: Take) -> None:
    later = pd.Timestamp.now("UTC") + pd.Timedelta(days=2)
    runs = [run(f"S{i}", measured_at=later.isoformat()) for i in range(3)]
    said(take(hits([*runs, run("S9")])), "run 'S0-1' of serial 'S0'", "later than now, and 2 more")
    soon = pd.Timestamp.now("UTC") + pd.Timedelta(minutes=2)
    assert take(hits([run("S10", measured_at=soon.isoformat())], seed=1)).warnings == ()


def dated(order: Sequence[int], **more: object) -> list[dict[str, object]]:
    """Return runs of one file, measured on these days of January in the order of its rows."""
    return hits([
        run(f"S{at}", measured_at=f"2026-01-{day:02d}T08:00:00Z", device="arm-1", **more)
        for at, day in enumerate(order)
    ])  # fmt: skip


def test_a_clock_that_jumped_back_within_a_file_is_said(take: Take) -> None:
    jumped = take(dated([5, 6, 7, 2, 3, 4]))
    said(jumped, "time runs backwards: run 'S3-1' of serial 'S3' is dated 2026-01-02 08:00 UTC",
         "run 'S2-1' of serial 'S2'", "2026-01-07 08:00: look at the clock")  # fmt: skip


@pytest.mark.parametrize("order", [[1, 2, 3, 4, 5], [5, 4, 3, 2, 1], [3, 1, 5, 2, 4], [2, 1, 3]])
def test_a_file_in_another_order_or_a_short_one_has_no_clock_to_tell(
    order: list[int], take: Take
) -> None:
    assert take(dated(order)).warnings == ()


@pytest.mark.parametrize(
    ("per", "unit", "words"),
    [
        (1.0, "in", "a factor of 25.4, as where millimetres are declared as 'in'"),
        (25.4, "mm", "a factor of 1/25.4, as where inches are declared as 'mm'"),
        (1000.0, "mm", "a factor of 1/1000, as where metres are declared as 'mm'"),
        (25.4, "thou", "a factor of 1/1000, as where inches are declared as 'thou'"),
        (0.0254, "mm", "a factor of 39.3701, as where thou are declared as 'mm'"),
    ],
)
def test_a_wrong_unit_of_positions_is_named_with_its_factor(
    per: float, unit: str, words: str, take: Take
) -> None:
    rows = [row | {"unit": unit} for row in hits([run("S1"), run("S2")], per=per)]
    with pytest.raises(InputError) as error:
        take(rows)
    assert words in str(error.value)
    assert "find out which is right, the file's unit or the plan's" in str(error.value)


def test_a_revision_without_a_plan_is_refused_at_its_column(take: Take) -> None:
    for more, words in (({"revision": "Z"}, "column 'revision': no plan for part 'BX-1 Z'"),
                        ({"part": "Q"}, "column 'part': no plan for part 'Q A'")):  # fmt: skip
        with pytest.raises(InputError) as error:
            take([row | more for row in hits([run("S1")])])
        assert words in str(error.value)
        assert "correct the file, or add its plan first" in str(error.value)


def batches(take: Take, days: Sequence[int]) -> None:
    """Take batches B01, B02, ... measured on these days of January."""
    take(hits([run(f"P{n:02d}", batch=f"B{n:02d}", measured_at=f"2026-01-{day:02d}T08:00Z")
               for n, day in enumerate(days, start=1)]))  # fmt: skip


def test_a_batch_dated_before_the_one_below_it_is_said(take: Take) -> None:
    batches(take, [1, 2, 3, 4, 5, 6])
    wrong = take(hits([run("S1", batch="B07", measured_at="2025-01-07T08:00Z")], seed=1))
    said(wrong, "batch 'B07' is dated 2025-01-07 08:00 UTC, before batch 'B06' (2026-01-06 08:00)")
    right = take(hits([run("S2", batch="B08", measured_at="2026-01-08T08:00Z")], seed=2))
    assert right.warnings == ()
    late = take(hits([run("S3", batch="B03", measured_at="2026-01-09T08:00Z")], seed=3))
    assert late.warnings == ()


def test_batches_whose_numbers_do_not_follow_time_say_nothing(take: Take) -> None:
    batches(take, [4, 2, 6, 1, 5, 3])
    assert (
        take(hits([run("S1", batch="B07", measured_at="2025-01-07T08:00Z")], seed=1)).warnings == ()
    )


@pytest.mark.parametrize("batch", ["X07", "B", "2026/7"])
def test_batches_of_other_names_are_not_compared(batch: str, take: Take) -> None:
    batches(take, [1, 2, 3, 4, 5, 6])
    assert (
        take(hits([run("S1", batch=batch, measured_at="2025-01-07T08:00Z")], seed=1)).warnings == ()
    )


# --- units of ready deviations -------------------------------------------------------------------


@pytest.mark.parametrize("held", MILLIMETRES)
@pytest.mark.parametrize("declared", MILLIMETRES)
def test_a_wrong_unit_of_deviations_is_named(held: str, declared: str, take: Take) -> None:
    take(ready([run(f"P{i}") for i in range(8)]))
    rows = ready([run("S1", unit=declared), run("S2", unit=declared)], seed=1,
                 per=MILLIMETRES[held])  # fmt: skip
    taken = take(rows)
    if held == declared:
        assert taken.warnings == ()
    else:
        names = {"mm": "millimetres", "in": "inches", "thou": "thou"}
        told = said(taken, f"as where {names[held]} are declared as '{declared}'", "a factor of")
        assert told.endswith("look at the unit")


@pytest.mark.parametrize(
    ("per", "words"),
    [
        (25.4, "1/25.4, as where inches"), (1 / 25.4, "25.4, as where lengths were multiplied"),
        (1000.0, "1/1000, as where metres"), (0.001, "1000, as where micrometres"),
    ],
)  # fmt: skip
def test_a_factor_of_deviations_is_named_in_both_directions(
    per: float, words: str, take: Take
) -> None:
    take(ready([run(f"P{i}") for i in range(8)]))
    said(take(ready([run("S1"), run("S2")], seed=1, per=per)), words, "look at the unit")


@pytest.mark.parametrize(
    ("per", "words"),
    [
        (25.4, "a factor of 1/25.4"), (1 / 25.4, "a factor of 25.4"),
        (1000.0, "a factor of 1/1000"), (0.001, "a factor of 1000"),
    ],
)  # fmt: skip
def test_a_factor_of_positions_is_named_in_both_directions(
    per: float, words: str, take: Take
) -> None:
    with pytest.raises(InputError) as error:
        take(hits([run("S1"), run("S2")], per=per))
    assert words in str(error.value)


def test_a_process_that_only_got_worse_is_no_wrong_unit(take: Take) -> None:
    take(ready([run(f"P{i}") for i in range(8)]))
    assert take(ready([run("S1")], seed=1, spread=1.5)).warnings == ()
    assert take(ready([run("S2")], seed=2, spread=0.05)).warnings == ()


def test_too_little_history_says_nothing(take: Take) -> None:
    take(ready([run(f"P{i}") for i in range(4)]))
    assert take(ready([run("S1")], seed=1, per=25.4)).warnings == ()


# --- plans ---------------------------------------------------------------------------------------


def features(shift: float = 0.0) -> list[Feature]:
    """Return the box's points with hits, the first nominal moved."""
    rng = np.random.default_rng(4)
    laid = probed(PLAN, rng.normal(0, 0.2, (1, POINTS)), rng, hits=2)
    made = [Feature(name=p.id, nominal=p.nominal, normal=p.normal,
                    hits={0: Hits(positions=laid[0, at].tolist())})
            for at, p in enumerate(PLAN.points)]  # fmt: skip
    x, y, z = made[0].nominal
    made[0].nominal = (x + shift, y, z)
    return made


def test_nominals_of_another_revision_are_said(take: Take) -> None:
    assert take(Doc(features=features(), placed=True).bytes()).warnings == ()
    other = Doc(features=features(shift=2.0)[:-1], components=Doc().components)
    other.qpid = "other"
    rest = take(replace(other, features=[*other.features]).bytes().replace(b">S1<", b">S2<"))
    said(rest, f"1 of {POINTS - 1} nominals", "plan of BX-1 A", "top-1 (2.000 mm apart)")


def test_a_piece_of_another_revision_is_said(take: Take, tmp_path: Path) -> None:
    take(hits([run("S1"), run("S2")]))
    (tmp_path / "b.toml").write_text(plan_toml(box(check=2, revision="B")))
    with open_store(tmp_path / "box.duckdb") as store:
        add(store, *read_plan(tmp_path / "b.toml"), "tester")
    rows = [{**row, "revision": "B"} for row in hits([run("S1", "2"), run("S3")], seed=1)]
    said(take(rows), "piece 'S1' was measured to revision 'A' before, and here to 'B'")


def test_points_of_the_surface_against_a_plan_for_centres_are_refused(
    take: Take, tmp_path: Path
) -> None:
    text = plan_toml(PLAN) + "[probe]\ncentres = true\nball_diameter = 6.0\n"
    (tmp_path / "centres.toml").write_text(text)
    with open_store(tmp_path / "box.duckdb") as store:
        add(store, *read_plan(tmp_path / "centres.toml"), "tester")
    with pytest.raises(InputError) as error:
        take(Doc(features=features()).bytes())
    assert "points of the surface" in str(error.value)
    assert "centres of the ball" in str(error.value)
    take(hits([run("S1")]))


def test_a_run_that_cannot_be_aligned_stands_for_no_earlier_one(take: Take, tmp_path: Path) -> None:
    take(hits([run("A")]))
    later = run("A", "2", measured_at="2026-01-06T08:00:00Z")
    rows = hits([later, run("B")], seed=2)
    few = {p.id for p in PLAN.points[:4]}
    taken = take([r for r in rows if r["serial"] == "B" or r["point"] in few])
    said(taken, "'A-2' after run 'A-1'", "the last one that could be aligned counts")
    with open_store(tmp_path / "box.duckdb", read_only=True) as store:
        found = read.runs(store).set_index("run")
    assert found["fit_id"].isna().to_dict() == {"A-1": False, "B-1": False, "A-2": True}
    assert found["superseded"].to_dict() == {"A-1": False, "B-1": False, "A-2": True}


def test_what_two_stations_took_counts_once_at_the_door(take: Take, tmp_path: Path) -> None:
    rows = ready([run(f"S{k}") for k in range(6)])
    take(rows)
    path = tmp_path / "box.duckdb"
    with open_store(path, read_only=True) as store:
        sizes = door.deviation_sizes(store, PLAN.part, PLAN.revision)
    with open_store(path) as store, store.transaction():
        # As a merge leaves it: each station's own row of the run.
        store.copy_in("run", "SELECT * REPLACE (taken_at + INTERVAL 1 DAY AS taken_at) FROM run")
        record(store, "as merged", "run", "tester")
    with open_store(path, read_only=True) as store:
        again = door.deviation_sizes(store, PLAN.part, PLAN.revision)
        pd.testing.assert_frame_equal(again.sort_values("point", ignore_index=True),
                                      sizes.sort_values("point", ignore_index=True))  # fmt: skip
    copy = [{**row, "serial": "T0", "run": "T0-1"} for row in rows if row["serial"] == "S0"]
    taken = take(copy)
    assert len([w for w in taken.warnings if "the very values" in w]) == 1


def test_a_file_taken_before_is_known_by_its_bytes_and_not_read(
    first_batch: Path, store_path: Path, spc: Callable[..., Outcome],
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
) -> None:  # fmt: skip
    assert spc("ingest", first_batch, "--store", store_path).done("12 runs")
    before = held_bytes(store_path)
    renamed = Path(shutil.copy(first_batch, tmp_path / "renamed.csv"))
    monkeypatch.setattr("spc.ingest.results.read_file", lambda *_: pytest.fail("it was read"))
    again = spc("ingest", renamed, "--store", store_path)
    assert again.done("renamed.csv: everything in it is in the store already; nothing changed.")
    assert again.done("This very file was taken on 20")
    assert held_bytes(store_path) == before
    (told,) = json.loads(spc("ingest", renamed, "--json", "--store", store_path).out)
    assert (told["already"], told["known"], told["rows"], told["kind"]) == (True, 12, 1188, "hits")
    assert told["before"].startswith("20")


@given(
    rows=st.lists(st.tuples(st.integers(0, 5), st.integers(-3, 3)), min_size=1, max_size=40),
    ordered=st.booleans(),
)
def test_the_largest_of_each_run_is_found_as_pandas_finds_it(
    rows: list[tuple[int, int]], ordered: bool
) -> None:
    values = pd.DataFrame(sorted(rows) if ordered else rows, columns=["key", "x"]).astype(
        {"x": float}
    )
    found = at_the_door._largest(values["x"], values)
    assert found.tolist() == values.groupby("key")["x"].idxmax().tolist()
