"""The board: the word for a piece, the point, where it comes from, the next step, and the arm."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from boards import Row, later, moved, rows_of, take
from helpers import Outcome
from hypothesis import given
from hypothesis import strategies as some

from spc.errors import NotFoundError
from spc.ingest.plan_toml import read_plan
from spc.pages import board_words as words
from spc.pages.board_page import board_page
from spc.pages.display import way
from spc.store import read
from spc.store.audit import record
from spc.store.connection import Store, create_store, open_store
from spc.studies import plans
from spc.studies.board import Board, board
from spc.studies.events import add_event
from spc.studies.gauge import gauge_study
from spc.studies.review import review
from spc.units import MILLIMETRES

NASTY = '<script>alert("1")</script> & größe'

Another = Callable[..., Board]


@pytest.fixture
def store(sample_copy: Path) -> Iterator[Store]:
    with open_store(sample_copy) as opened:
        yield opened


@pytest.fixture
def another(store: Store, tmp_path: Path) -> Another:
    """Return a function that takes one more piece in and returns the board after it."""

    def measure(rows: list[Row], serial: str = "Z1", **more: float | str) -> Board:
        take(store, tmp_path, later(rows, serial, **more))  # type: ignore[arg-type] # as told
        return board(store, "LH-640")

    return measure


@pytest.fixture(scope="module")
def end(sample_store: Path) -> Board:
    """Return the board at the end of the sample runs."""
    with open_store(sample_store, read_only=True) as opened:
        return board(opened)


# --- the word --------------------------------------------------------------------------------


def test_words_of_the_last_twenty_follow_from_their_deviations(
    end: Board, sample_store: Path
) -> None:
    """Another way to the same words: the table of deviations, the tolerances, the gauge study."""
    with open_store(sample_store, read_only=True) as opened:
        plan = read.plan(opened, "LH-640")
        study = gauge_study(opened, "G1")
        noise = dict(zip(study.points, study.quantities.gauge.value, strict=True))
        runs = read.runs(opened, "LH-640").set_index("serial")
        table = read.deviations(opened, plan.part, plan.revision)
        for piece in end.pieces:
            run_id = runs.loc[piece.serial, "run_id"]
            mine = table[table["run_id"] == run_id].set_index("point")["deviation"]
            bad = [
                p.id
                for p in plan.check_points
                if p.lower is not None and p.upper is not None
                and not p.lower + 1.645 * noise[p.id] < mine[p.id] < p.upper - 1.645 * noise[p.id]
            ]  # fmt: skip
            verdict = review(opened, piece.run).advice.verdict
            assert piece.word == (verdict if verdict != "accept" else "hold" if bad else "accept")
    assert {"accept", "hold"} == {piece.word for piece in end.pieces}
    assert len(end.pieces) == 20


def test_a_sound_measurement_of_a_bad_piece_is_held(end: Board) -> None:
    """The sample runs end with mould K2 warping: the fit is believed, the piece is not accepted."""
    assert end.review is not None
    assert end.review.advice.verdict == "accept"
    assert (end.piece.serial, end.piece.word, end.source) == ("H0400", "hold", "process")
    assert words.next_steps(end)[-1] == "Tell moulding: mould K2 has moved."


def test_the_last_good_piece_is_of_the_same_mould_and_accepted(
    end: Board, sample_store: Path
) -> None:
    with open_store(sample_store, read_only=True) as opened:
        good = review(opened, end.last_good)
        runs = read.runs(opened, "LH-640")
    assert good.mould == end.piece.mould
    after = runs[(runs["mould"] == "K2") & (runs["serial"] > end.last_good) & (runs["study"] == "")]
    assert len(after) > 10
    assert all(p.word != "accept" for p in end.pieces if p.mould == "K2")


def test_a_good_piece_is_accepted_and_nothing_is_blamed(another: Another) -> None:
    found = another(rows_of())
    assert (found.piece.serial, found.piece.word, found.source) == ("Z1", "accept", "nothing")
    assert found.spot is not None
    assert found.spot.why == "nearest to its tolerance"
    assert words.next_steps(found)[-1] == "Measure the next piece."
    assert found.last_good == ""


def test_the_nearest_point_uses_most_of_its_tolerance(another: Another) -> None:
    found = another(rows_of())
    assert found.review is not None
    assert found.spot is not None

    def share(c) -> float:  # type: ignore[no-untyped-def] # a check point of the review
        middle = (c.lower + c.upper) / 2
        return abs(c.deviation - middle) / ((c.upper - c.lower) / 2)

    assert found.spot.point == max(found.review.checks, key=share).point


def test_a_slipped_hit_is_named_with_its_size_and_blames_the_hand(another: Another) -> None:
    slip = lambda row: 2.0 if (row["point"], row["hit"]) == ("deck-2", "2") else 0.0  # noqa: E731 # short
    found = another(moved(rows_of(), slip))
    assert (found.piece.word, found.source) == ("re-measure", "arm")
    assert found.spot is not None
    assert (found.spot.point, found.spot.why) == ("deck-2", "bad hit")
    assert abs(found.spot.off) == pytest.approx(2.0, abs=0.15)
    assert "Probe deck-2 again." in words.next_steps(found)[-1]


def test_a_slipped_hit_does_not_bring_the_arm_into_doubt(another: Another) -> None:
    slip = lambda row: 2.0 if (row["point"], row["hit"]) == ("deck-2", "2") else 0.0  # noqa: E731 # short
    found = another(moved(rows_of(), slip), days=0.1)
    assert found.arm.scatter == "trusted"
    assert found.arm.hit_sd < 0.06


def test_a_reading_wrong_as_a_whole_names_its_point(another: Another) -> None:
    # The arm's x is nearly the flank's normal.
    rows = [
        row | {"x": str(float(row["x"]) + 2.0)} if row["point"] == "flank-2" else row
        for row in rows_of()
    ]
    found = another(rows)
    assert (found.piece.word, found.source) == ("re-measure", "arm")
    assert found.spot is not None
    assert (found.spot.point, found.spot.why) == ("flank-2", "wrong touch")
    assert found.spot.off == pytest.approx(2.0, abs=0.3)
    assert words.next_steps(found)[-1] == "Probe flank-2 again."


def off_at(point: str, by: float, hit: str = "") -> list[Row]:
    """Return a good piece with one point, or one hit of it, off along the arm's x, mm."""
    return [
        row | {"x": str(float(row["x"]) + by)}
        if row["point"] == point and hit in ("", row["hit"]) else row
        for row in rows_of()
    ]  # fmt: skip


@pytest.mark.parametrize("hit", ["", "2"], ids=["whole point", "one hit"])
def test_a_fault_that_reads_the_same_again_is_the_part(another: Another, hit: str) -> None:
    first = another(off_at("flank-2", 2.0, hit))
    assert (first.piece.word, first.stays) == ("re-measure", False)
    again = another(off_at("flank-2", 2.1, hit), run="Z1-2", days=5.1)
    assert (again.piece.word, again.source, again.stays) == ("hold", "part", True)
    assert again.pieces[-1].word == "hold"
    assert "flank-2 reads the same: it is the part" in words.evidence(again)
    assert words.next_steps(again)[-2].startswith("Hold the piece and batch")
    assert not [step for step in words.next_steps(again) if step.startswith("Probe")]
    board_page(again, refresh=0)


def test_a_fault_elsewhere_or_of_another_size_is_probed_again(another: Another) -> None:
    another(off_at("flank-2", 2.0))
    smaller = another(off_at("flank-2", 0.9), run="Z1-2", days=5.1)
    assert not smaller.stays
    elsewhere = another(off_at("flank-2", 2.0, "2"), run="Z1-3", days=5.2)
    assert (elsewhere.piece.word, elsewhere.stays) == ("re-measure", False)
    assert words.next_steps(elsewhere)[-1].endswith("Probe flank-2 again.")


def test_names_exchanged_blame_the_set_up_and_no_point(store: Store, tmp_path: Path) -> None:
    swapped = {"deck-1": "deck-2", "deck-2": "deck-1"}
    rows = [row | {"point": swapped.get(row["point"], row["point"])} for row in rows_of()]
    # Alone, such a run would be refused as of another part; a good one in the file lets it in.
    take(store, tmp_path, [*later(rows_of(), "Z0"), *later(rows, "Z1", days=5.1)])
    found = board(store)
    assert (found.piece.serial, found.piece.word) == ("Z1", "re-measure")
    assert (found.source, found.spot) == ("set-up", None)
    assert words.headline(found) == ("names or places are wrong", "")
    assert words.evidence(found) == "Deck-1 and deck-2 were probed in each other's place."
    board_page(found, refresh=0)


def test_a_piece_beyond_the_limit_is_seated_afresh_and_then_believed(another: Another) -> None:
    # Two points at once: no single one left out puts the check points right.
    knocked = moved(rows_of(), lambda row: 9.0 if row["point"] in ("deck-1", "deck-2") else 0.0)
    first = another(knocked)
    assert (first.piece.word, first.source) == ("hold", "set-up")
    assert words.next_steps(first)[-1] == "Seat it afresh and measure it once more."
    again = another(knocked, run="Z1-2", days=5.1)
    assert again.again == ("Z1-1",)
    assert words.warnings(again)[0][0] == "Measured once before, as Z1-1."
    assert words.next_steps(again)[-1] == "Measure the pieces before and after it."
    good = another(rows_of(), run="Z1-3", days=5.2)
    assert (good.piece.word, good.again) == ("accept", ("Z1-1", "Z1-2"))


def test_a_run_that_could_not_be_aligned_is_measured_again(bare: Store, tmp_path: Path) -> None:
    few = [
        row for row in rows_of() if row["point"] not in ("deck-1", "deck-3", "flank-1", "nose-1")
    ]
    take(bare, tmp_path, [*later(rows_of(), "Z0"), *later(few, "Z1", days=5.1)])
    found = board(bare)
    assert (found.piece.serial, found.piece.word) == ("Z1", "re-measure")
    assert found.review is None
    assert found.spot is None
    assert "not aligned" in board_page(found, refresh=0)


def test_change_is_against_the_piece_of_the_same_mould_before(another: Another) -> None:
    up = lambda row: 0.25 if row["point"] == "deck-middle" else 0.0  # noqa: E731 # short
    first = another(rows_of(), "Z1", days=5.0)
    second = another(moved(rows_of(), up), "Z2", days=5.1)
    assert first.spot is not None
    assert first.spot.before == "H0389"
    assert second.spot is not None
    assert second.spot.before == "Z1"
    assert second.review is not None
    check = next(c for c in second.review.checks if c.point == "deck-middle")
    assert first.review is not None
    before = next(c for c in first.review.checks if c.point == "deck-middle")
    # The arm's frame is tilted by little against the plan's, so that z is nearly the normal there.
    assert abs(check.deviation - before.deviation) == pytest.approx(0.25, abs=0.02)
    if second.spot.point == "deck-middle":
        assert second.spot.change == pytest.approx(check.deviation - before.deviation)


# --- what must be known before ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [("hours_since_moulding", "5", "Too young: 5 h, still shrinking. Come back 2026-11-03 05:51"),
     ("part_temp_c", "31.2", "Too warm: 31.2 °C, not 23 °C."),
     ("part_temp_c", "12.0", "Too cold: 12.0 °C, not 23 °C.")],
)  # fmt: skip
def test_pieces_that_are_not_ready_are_named(
    another: Another, column: str, value: str, said: str
) -> None:
    found = another([row | {column: value} for row in rows_of()])
    first, act = words.warnings(found)[0]
    assert first.startswith(said)
    assert act


def test_an_unknown_age_and_temperature_warns_of_nothing(another: Another) -> None:
    rows = [row | {"hours_since_moulding": "", "part_temp_c": ""} for row in rows_of()]
    found = another(rows)
    assert found.unready is None
    assert words.warnings(found) == ()


def test_a_piece_without_a_time_is_the_one_taken_last(another: Another, store: Store,
                                                      tmp_path: Path) -> None:  # fmt: skip
    rows = [row | {"measured_at": ""} for row in later(rows_of(), "Z9")]
    take(store, tmp_path, rows)
    found = board(store, "LH-640")
    assert (found.piece.serial, found.piece.measured_at) == ("Z9", None)
    assert "time unknown" in board_page(found, refresh=0)


# --- the arm ---------------------------------------------------------------------------------


@pytest.fixture
def bare(tmp_path: Path, samples: Path) -> Iterator[Store]:
    """Return a store with the plan and one piece, and nothing of the arm."""
    with create_store(tmp_path / "bare.duckdb") as opened:
        with opened.transaction():
            record(opened, "store made", "bare", "tester")
        plans.add(opened, *read_plan(samples / "LH-640.toml"), "tester")
        take(opened, tmp_path, later(rows_of(), "A1", days=0.0))
        yield opened


def checked(store: Store, at: str, kind: str = "arm check", note: str = "") -> None:
    add_event(store, {"at": at, "kind": kind, "part": "", "mould": "", "note": note}, None, "t")


def test_without_any_check_the_arm_is_in_doubt(bare: Store) -> None:
    found = board(bare)
    assert (found.arm.state, found.arm.overdue, found.arm.checked_at) == ("in doubt", True, None)
    assert words.next_steps(found)[0] == "Check the arm on its standard."
    assert "No check of arm-1 is recorded." in words.arm_lines(found)


@pytest.mark.parametrize(
    ("at", "kind", "note", "state", "said"),
    [
        ("2026-10-27T06:00Z", "arm check", "", "not known", "Checked 1 day before this piece."),
        ("2026-10-13T06:00Z", "arm check", "", "in doubt", "No check for 15 days: one is due every "
         "7 days."),
        ("2026-10-29T06:00Z", "arm check", "", "not known", "Checked since, on 2026-10-29."),
        ("2026-10-28T06:00Z", "arm check failed", "arm-1", "in doubt", "The check of 2026-10-28 "
         "failed. All measured since is in doubt."),
        ("2026-10-28T06:00Z", "arm check", "arm-1 on the bar", "not known", "Checked less than a "
         "day before this piece."),
        ("2026-10-28T06:00Z", "mould work", "", "in doubt", "No check of arm-1 is recorded."),
    ],
)  # fmt: skip
def test_the_newest_check_speaks_for_the_arm(
    bare: Store, at: str, kind: str, note: str, state: str, said: str
) -> None:
    checked(bare, at, kind, note)
    found = board(bare)
    assert found.arm.state == state
    assert words.arm_lines(found)[1] == said


def test_a_check_of_another_arm_says_nothing_of_this_one(bare: Store, tmp_path: Path) -> None:
    other = [row | {"device": "arm-12"} for row in later(rows_of(), "A2", days=0.01)]
    take(bare, tmp_path, other)
    checked(bare, "2026-10-28T06:00Z", note="arm-1 on the bar")
    found = board(bare)
    assert found.arm.device == "arm-12"
    assert words.arm_lines(found)[1] == "No check of arm-12 is recorded."


def test_check_days_are_the_users(bare: Store) -> None:
    checked(bare, "2026-10-13T06:00Z")
    assert board(bare, check_days=20).arm.overdue is False
    assert board(bare, check_days=15).arm.overdue is True


def test_hits_that_scatter_bring_the_arm_into_doubt(another: Another) -> None:
    rng = np.random.default_rng(1)
    found = another(moved(rows_of(), lambda _: float(rng.normal(0, 0.15))), days=0.1)
    assert found.arm.scatter == "in doubt"
    assert "too wide" in words.arm_lines(found)[0]
    assert words.next_steps(found)[0] == "Check the arm on its standard."


def test_a_file_of_deviations_says_nothing_of_the_scatter(bare: Store, tmp_path: Path) -> None:
    plan = read.plan(bare, None)
    row = {k: v for k, v in later(rows_of()[:1], "D1", days=1.0)[0].items()
           if k not in ("x", "y", "z", "hit", "station")}  # fmt: skip
    take(bare, tmp_path, [row | {"point": p.id, "deviation": "0.1"} for p in plan.points])
    found = board(bare)
    assert found.piece.serial == "D1"
    assert found.arm.scatter == "not known"
    assert words.arm_lines(found)[0] == "The file holds no hits: their scatter is not known."
    board_page(found, refresh=0)


# --- edges -----------------------------------------------------------------------------------


def test_the_first_piece_of_all_has_a_board(bare: Store) -> None:
    found = board(bare)
    assert len(found.pieces) == 1
    assert found.gauge == ""
    assert found.spot is not None
    assert (found.spot.before, np.isnan(found.spot.change)) == ("", True)
    assert "The first piece" in board_page(found, refresh=0)
    assert "too few pieces" in words.evidence(found).lower()


def test_an_empty_store_is_refused_in_one_line(spc: Callable[..., Outcome], tmp_path: Path,
                                               samples: Path) -> None:  # fmt: skip
    assert spc("init").status == 0
    assert spc("board").refused("no measurement plan")
    assert spc("plan", "add", samples / "LH-640.toml").status == 0
    assert spc("board").refused("no production run in the store yet")
    assert spc("board", "--part", "X").refused("no plan for part 'X'")
    assert not (tmp_path / "reports").exists()


def test_a_gauge_study_alone_is_no_production(spc: Callable[..., Outcome], samples: Path) -> None:
    assert spc("init").status == 0
    assert spc("plan", "add", samples / "LH-640.toml").status == 0
    taken = spc("ingest", samples / "gauge" / "2026-06_G1.csv", "--board", "b.html")
    assert taken.status == 0
    assert taken.err.startswith("spc: no board: no production run")
    assert not Path("b.html").exists()


def test_ingest_keeps_the_board_up(spc: Callable[..., Outcome], samples: Path) -> None:
    files = sorted((samples / "runs" / "2026-04").glob("*.csv"))
    assert spc("init").status == 0
    assert spc("plan", "add", samples / "LH-640.toml").status == 0
    assert spc("ingest", files[0], "--board", "b.html").done()
    assert "H0012" in Path("b.html").read_text(encoding="utf-8")
    assert spc("ingest", *files[1:], "--board", "b.html").done()
    last = Path("b.html").read_bytes()
    assert b"<title>accept: H0046" in last
    again = spc("ingest", *files, "--board", "b.html")
    assert again.done("nothing changed")
    assert Path("b.html").read_bytes() == last


def test_a_part_asked_for_is_the_part_shown(store: Store) -> None:
    with pytest.raises(NotFoundError):
        board(store, "LH-999")
    assert board(store, "LH-640", "C").piece.serial == "H0400"


# --- words and page --------------------------------------------------------------------------


lengths = some.floats(-40, 40, allow_nan=False)


@given(lengths, lengths, lengths, some.sampled_from(sorted(MILLIMETRES)))
def test_few_digits_never_step_over_a_tolerance(
    value: float, one: float, other: float, unit: str
) -> None:
    lower, upper = sorted((round(one, 2), round(other, 2)))
    text = way(value, unit, lower, upper)
    if text == "at its nominal place":
        assert abs(value) / MILLIMETRES[unit] < 0.51 * 10 ** -(0 if unit == "thou" else 2)
        return
    number, _, side = text.split()
    shown = float(number) * (1 if side == "outward" else -1)
    exact = value / MILLIMETRES[unit]
    assert abs(shown - exact) <= 0.51 * (1.0 if unit == "thou" else 0.01)
    edge_low, edge_high = (e / MILLIMETRES[unit] for e in (lower, upper))
    # Beyond five digits a reading is at its tolerance for all that anyone can tell.
    if min(abs(exact - edge_low), abs(exact - edge_high)) > 1e-4:
        assert (shown < edge_low, shown > edge_high) == (value < lower, value > upper)


def test_few_digits_where_they_are_enough() -> None:
    assert way(-0.956, "mm", -0.8, 0.8) == "0.96 mm inward"
    assert way(0.803, "mm", -0.8, 0.8) == "0.803 mm outward"
    assert way(0.7999, "mm", -0.8, 0.8) == "0.79990 mm outward"
    assert way(2.54, "in") == "0.100 in outward"
    assert way(-2.54, "thou") == "100 thou inward"
    assert way(float("nan"), "mm") == "not measured"


@pytest.mark.parametrize("unit", sorted(MILLIMETRES))
def test_the_board_speaks_the_plans_unit(end: Board, unit: str) -> None:
    own = replace(end, plan=replace(end.plan, unit=unit))
    size, where = words.headline(own)
    assert where == "hinge-pad-right"
    assert float(size.split()[0]) * MILLIMETRES[unit] == pytest.approx(0.956, abs=0.02)
    assert f" {unit} inward" in size


def test_no_index_and_no_probability_stands_on_the_board(end: Board) -> None:
    page = board_page(end, refresh=0)
    body = page[page.index("<body") : page.index("<script")]
    assert not [w for w in ("Cpk", "Ppk", "p &lt;", "p-value", "T²", "sigma") if w in body]


def test_the_same_board_has_the_same_bytes(end: Board) -> None:
    assert board_page(end, refresh=15) == board_page(end, refresh=15)


def test_hostile_names_are_text(end: Board) -> None:
    piece = replace(end.piece, serial=NASTY, mould=NASTY, batch=NASTY)
    assert end.spot is not None
    own = replace(end, piece=piece, pieces=(*end.pieces[:-1], piece), again=(NASTY,),
                  last_good=NASTY, spot=replace(end.spot, point=NASTY, before=NASTY),
                  arm=replace(end.arm, device=NASTY))  # fmt: skip
    page = board_page(own, refresh=0)
    assert "<script>alert" not in page
    assert page.count("&lt;script&gt;alert") > 6


def test_refresh_is_asked_of_the_browser(end: Board) -> None:
    assert '<meta http-equiv="refresh" content="15">' in board_page(end, refresh=15)
    assert "refresh" not in board_page(end, refresh=0).split("<style>")[0]
