"""Charts, limits and signals from the command line: what is printed, told by status, refused."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers import Outcome, held_bytes
from histories import history, stored
from strategies import box

from spc.charts.rules import RULES
from spc.cli import chart, omit
from spc.studies import kinds, omissions

Command = Callable[..., Outcome]


def test_words_that_the_command_line_repeats_are_those_of_the_studies() -> None:
    assert chart.KINDS == kinds.KINDS
    assert omit.REASONS == tuple(omissions.REASONS)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of two moulds and 40 batches of three, with a step at check-1 of mould M."""
    rng = np.random.default_rng(6)
    batch = np.repeat(np.arange(40), 3)
    values = rng.normal(0, 0.1, (120, 12)) + rng.normal(0, 0.1, (40, 12))[batch]
    values[:, 9] += np.where((batch >= 26) & (batch % 2 == 0), 1.5, 0.0)
    values[::10, 11] = 1.6
    past = history(
        values, plan=box(3), batches=[f"B{b:02d}" for b in batch],
        moulds=["MN"[b % 2] for b in batch], hours=np.full(120, 20.0),
    )  # fmt: skip
    return stored(tmp_path_factory.mktemp("small"), past)


@pytest.fixture
def copy(small: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(small, tmp_path / "copy.duckdb"))


BASE = ("--baseline", "B00..B23")


def shown(spc: Command, store: Path, *words: str) -> Any:
    """Return the JSON document of a command that ends well."""
    outcome = spc(*words, "--json", "--store", store)
    assert (outcome.status, outcome.err) == (0, ""), outcome
    return json.loads(outcome.out)


LOOKS = [
    ("chart", "list"),
    ("chart", "list", "--by", "piece", "--order", "moulded"),
    ("chart", "list", "--budget", "3"),
    ("chart", "show", "check-1", "mode-1", *BASE),
    ("chart", "show", "check-1", "--rule", "six in one direction"),
    *(("chart", "show", "check-1", "--kind", kind) for kind in kinds.KINDS if kind != "counts"),
    ("chart", "show", "out-of-tolerance", "--kind", "counts"),
    ("chart", "shape"),
    ("chart", "shape", "--of", "checks", "--by", "batch", "--successive"),
    ("chart", "design", "check-1", "--shift", "0.3"),
    ("chart", "design", "--sigma", "0.1", "--shift", "0.3"),
    ("signals", "list"),
    ("limits", "list"),
    ("limits", "propose"),
]


@pytest.mark.parametrize("words", LOOKS, ids=" ".join)
def test_looking_prints_text_or_one_document_and_changes_nothing(
    words: tuple[str, ...], small: Path, spc: Command
) -> None:
    held = held_bytes(small)
    text = spc(*words, "--store", small)
    assert text.done()
    assert len(text.out.splitlines()) >= 1
    assert "nan" not in text.out.lower().replace("nano", "").split()
    document = shown(spc, small, *words)
    assert document or words == ("limits", "list")
    assert held_bytes(small) == held


def test_the_list_says_what_it_is_of_and_goes_from_the_whole_to_fit_points(
    small: Path, spc: Command
) -> None:
    out = spc("chart", "list", *BASE, "--store", small)
    assert out.done(
        "BX-1 A: charts of batch means, limits from B00..B23, lengths in mm",
        "note: moulds M, N are charted apart, each about its own centre",
        "provisional: limits from 24 batches: expect a value beyond them by chance about every",
    )
    lines = out.out.splitlines()
    rows = lines[lines.index(next(r for r in lines if r.startswith("---"))) + 1 :]
    heads = [at for at, row in enumerate(rows) if row.startswith("- ")]
    kinds = [rows[a + 1 : b] for a, b in zip(heads, [*heads[1:], None], strict=True)]
    assert [len(some) for some in kinds] == [2 * (3 + 3), 2 * 3, 2 * 9]
    for some in kinds:
        found = [int(row.split()[-1]) for row in some if "no limits" not in row]
        assert found == sorted(found, reverse=True)
    assert kinds[1][0].startswith("check-1")
    assert kinds[1][0].split()[1] == "M"


def test_a_chart_tells_its_signals_in_words(small: Path, spc: Command) -> None:
    out = spc("chart", "show", "check-1", *BASE, "--store", small)
    assert out.done(
        "SIGNAL check-1, mould M: a value beyond a limit, batch B26", "mm off the centre"
    )
    assert spc("chart", "show", "check-2", *BASE, "--mould", "M", "--store", small).done(
        "No signal."
    )
    assert spc("chart", "show", "check-1", "--by", "piece", *BASE, "--store", small).done(
        "charts of pieces", "pieces of a batch are alike", "chart by batch instead"
    )


def test_a_budget_says_what_it_promises(small: Path, spc: Command) -> None:
    assert spc("chart", "list", "--budget", "6", *BASE, "--store", small).done(
        "limits for at most one false alarm in 6 months over 18 charts of about",
        "sigma from the centre, and", "of its own for the moving average",
        "limits from 24 batches, widened for it",
    )  # fmt: skip


def test_fail_on_tells_by_the_status_alone(small: Path, spc: Command) -> None:
    for words in (("chart", "show", "check-1", *BASE), ("chart", "list", *BASE),
                  ("chart", "show", "check-1", "--kind", "cusum", *BASE)):  # fmt: skip
        plain, told = (spc(*words, *more, "--store", small)
                       for more in ((), ("--fail-on", "signal")))  # fmt: skip
        assert (plain.status, told.status) == (0, 1)
        assert plain.out == told.out
    quiet = ("chart", "show", "check-2", "--mould", "M", *BASE, "--fail-on", "signal")
    assert spc(*quiet, "--store", small).done()
    assert spc("signals", "list", *BASE, "--fail-on", "open", "--store", small).status == 1
    shape = ("chart", "shape", "--of", "checks", "--components", "30", "--fail-on", "signal")
    assert spc(*shape, *BASE, "--store", small).status == 1


def test_limits_are_frozen_listed_and_retired_in_words(copy: Path, spc: Command) -> None:
    freeze = ("limits", "freeze", "check-1", *BASE, "--store", copy, "--why", "calm")
    assert spc("limits", "list", "--store", copy).done("No frozen limits. Freeze some:")
    assert spc(*freeze).done("Froze 2 sets of limits.", "check-1  M", "calm", "in force")
    held = held_bytes(copy)
    assert spc(*freeze).done("Froze 0 sets of limits.", "2 sets were frozen before and stay")
    assert held_bytes(copy) == held
    listed = spc("limits", "list", "--store", copy)
    assert listed.done("lower, mm", "B00..B23", "in force")
    charted = spc("chart", "show", "check-1", "--store", copy)
    assert charted.done(
        "charts of batch means, frozen limits, lengths in mm",
        "note: frozen limits from 24 batches, provisional",
    )
    both = spc("chart", "show", "check-1", "check-2", "--store", copy)
    assert both.done("frozen limits, and others from the first 12 batches")
    retire = spc("limits", "retire", "check-1", "--at", "2026-02-10", "--why", "new lot",
                 "--store", copy)  # fmt: skip
    assert retire.done("Retired 2 sets: check-1.")
    assert spc("limits", "list", "--store", copy).done("2026-02-10 00:00")
    assert spc(*freeze).done("2 of these judge no more", "freeze them with --from DAY")
    assert spc(*freeze, "--from", "2026-02-20").done("Froze 2 sets of limits.")


def test_freezing_over_a_signal_says_so(copy: Path, spc: Command) -> None:
    out = spc(
        "limits", "freeze", "check-1", "--baseline", "B00..B39", "--why", "all", "--store", copy
    )
    assert out.done("note: the baseline itself has a signal: check-1, mould M",
                    "leave it out only with a cause found")  # fmt: skip


def test_signals_are_listed_with_what_chance_would_do_and_answered(
    copy: Path, spc: Command
) -> None:
    out = spc("signals", "list", *BASE, "--store", copy)
    assert out.done(" answered ones", "After the baseline ", "by chance alone it would be about",
                    "independent normal values; limits from 24 values")  # fmt: skip
    listed = shown(spc, copy, "signals", "list", *BASE)
    one = next(s for s in listed["signals"] if s["series"] == "check-1" and s["mould"] == "M")
    assert (one["changed_first"], one["changed_last"]) == ("B26", "B26")
    assert one["shift_low"] < 1.5 < one["shift_high"]
    ack = ("signals", "ack", one["signal_id"], "--cause", "a lot", "--action", "none", *BASE)
    assert spc(*ack, "--store", copy).done(
        f"Signal {one['signal_id']} on check-1 is answered: a lot; none."
    )
    held = held_bytes(copy)
    assert spc(*ack, "--store", copy).refused("is answered already")
    assert held_bytes(copy) == held
    after = spc("signals", "list", *BASE, "--store", copy)
    assert after.done("1 answered one;", f"{one['signal_id']}: a lot; none (")
    assert shown(spc, copy, "signals", "list", *BASE)["chance"] == listed["chance"]


def test_a_proposal_can_be_frozen_as_it_stands(copy: Path, spc: Command) -> None:
    out = spc("limits", "propose", "--store", copy)
    assert out.done("mould M: ", "mould N: ", "without a change of level", "change before B2")
    span = shown(spc, copy, "limits", "propose")["span"]
    assert f"Freeze it with: spc limits freeze --baseline {span}" in out.out
    assert spc("limits", "freeze", "--baseline", span, "--why", "proposed", "--store", copy).done(
        "Froze "
    )


def test_a_design_says_what_it_stands_on(small: Path, spc: Command) -> None:
    assert spc("chart", "design", "check-1", "--shift", "0.3", *BASE, "--store", small).done(
        "B00..B23: 24 batches, 72 pieces", "a false alarm every 370 batches", "to find it",
        "cumulative sum", "limits alone", "limits from 24 batches: expect a false alarm about",
    )  # fmt: skip
    # Without a series no store is needed.
    bare = spc(
        "chart", "design", "--sigma", "0.1", "--shift", "1", "--batch", "1", "--store", "none"
    )
    assert bare.done("there is nothing to sum up", "with 1 piece a batch.")


def test_a_kind_says_its_facts_with_their_intervals(small: Path, spc: Command) -> None:
    assert spc("chart", "show", "check-1", "--kind", "batches", *BASE, "--store", small).done(
        "BX-1 A: deviation of check-1, batches, limits from B00..B23; lengths in mm",
        "spread between batches: ", "spread within batches: ", " to ", "SIGNAL batch means",
    )  # fmt: skip
    steps = spc("chart", "show", "check-1", "--kind", "steps", "--baseline", "B00..B39",
                "--store", small)  # fmt: skip
    assert steps.done("how much of a value's offset the next one keeps: ", " (", " to ")


REFUSED = [
    (("chart", "list", "--span", "B99"), "no batch 'B99' in the history"),
    (("chart", "list", "--span", "B04.."), "'B04..' is not a span"),
    (("chart", "list", "--baseline", "2026-02-30"), "'2026-02-30' is not a day"),
    (("chart", "list", "--baseline", "B05..B02"), "batch B05 comes after batch B02"),
    (("chart", "list", "--baseline", "2020-01"), "no run lies in the baseline 2020-01"),
    (("chart", "list", "--mould", "Q"), "no run of mould"),
    (("chart", "list", "--mould", ""), "no run of mould"),
    (("chart", "list", "--rule", "luck"), "no rule 'luck'"),
    (("chart", "list", "--rule", "beyond limit", "--budget", "3"), "leave --rule or --budget out"),
    (("chart", "list", "--budget", "0"), "a budget of 0 months"),
    (("chart", "list", "--budget", "many"), "--budget"),
    (("chart", "list", "--set", "x"), "no set of results 'x'"),
    (("chart", "list", "--part", "X-9"), "X-9"),
    (("chart", "show", "check-99"), "no series 'check-99'"),
    (("chart", "show"), "SERIES"),
    (("chart", "show", "check-1", "check-2", "--kind", "cusum"), "takes one series"),
    (("chart", "show", "check-1", "--kind", "pie"), "pie"),
    (("chart", "show", "check-1", "--kind", "counts"), "chart out-of-tolerance"),
    (("chart", "show", "check-1", "--kind", "cusum", "--budget", "3"), "do not go with --kind"),
    (("chart", "show", "check-1", "--kind", "cusum", "--mould", "Q"), "no run of mould 'Q'"),
    (("chart", "shape", "--of", "Z"), "no group 'Z'"),
    (("chart", "shape", "--of", ""), "no group ''"),
    (("chart", "shape", "--components", "0"), "--components"),
    (("chart", "design", "check-1"), "--shift"),
    (("chart", "design", "--shift", "1"), "no spread to design for"),
    (("chart", "design", "check-1", "--shift", "inf"), "a shift of inf mm"),
    (("chart", "design", "fit-noise", "--shift", "1"), "'fit-noise' is no deviation"),
    (("chart", "design", "check-1", "--shift", "1", "--baseline", "B00"), "told from B00 (1"),
    (("limits", "freeze", "check-1", "--why", "x"), "--baseline"),
    (("limits", "freeze", "check-1", *BASE), "--why"),
    (("limits", "freeze", "check-1", *BASE, "--why", " "), "no reason given"),
    (("limits", "freeze", "check-1", *BASE, "--why", "x", "--from", "06/07/2026"), "is not a day"),
    (("limits", "freeze", "check-1", *BASE, "--why", "x", "--from", ""), "'' is not a day"),
    (("limits", "freeze", "check-1", *BASE, "--why", "x", "--rule", "luck"), "luck"),
    (("limits", "freeze", "check-1", *BASE, "--why", "x", "--mould", "Q"), "no run of mould 'Q'"),
    (("limits", "freeze", "check-99", *BASE, "--why", "x"), "no series 'check-99'"),
    (("limits", "freeze", "--baseline", "B98..B99", "--why", "x"), "no batch 'B98'"),
    (("limits", "retire", "--at", "2026-02-01", "--why", "x"), "no limits in force to retire"),
    (("limits", "retire", "--at", "soon", "--why", "x"), "'soon' is not a day"),
    (("limits", "propose", "--mould", "Q"), "no run of mould 'Q'"),
    (("signals", "list", "--baseline", "B99"), "no batch 'B99'"),
    (("signals", "ack", "zzz", "--cause", "x", "--action", "y"), "no signal 'zzz'"),
    (("signals", "ack", "", "--cause", "x", "--action", "y"), "more than one signal ''"),
    (("signals", "ack", "zzz", "--cause", "", "--action", "y"), "no reason given"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), REFUSED, ids=lambda v: " ".join(v) if v else "")
def test_what_cannot_be_done_is_one_line_and_leaves_the_store_as_it_was(
    words: tuple[str, ...], said: str, small: Path, spc: Command
) -> None:
    held = held_bytes(small)
    for more in ((), ("--json",)):
        assert spc(*words, *more, "--store", small).refused(said)
    assert held_bytes(small) == held


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_of_the_guide_is_taken_by_its_words(
    rule: str, small: Path, spc: Command
) -> None:
    found = shown(spc, small, "chart", "show", "check-1", "--rule", rule, *BASE)
    assert found["rules"] == [rule]
    assert rule in spc("guide", "charts").out


def test_frozen_limits_and_a_budget_do_not_go_together(copy: Path, spc: Command) -> None:
    spc("limits", "freeze", *BASE, "--why", "calm", "--store", copy)
    assert spc("chart", "list", "--budget", "3", "--store", copy).refused(
        "frozen limits have a width of their own", "add --baseline"
    )
    assert spc("chart", "list", "--budget", "3", *BASE, "--store", copy).done("at most one false")


def test_a_series_asked_for_twice_is_charted_once(small: Path, spc: Command) -> None:
    one, two = (shown(spc, small, "chart", "show", *names, *BASE)
                for names in (("check-1",), ("check-1", "check-1")))  # fmt: skip
    assert one == two
