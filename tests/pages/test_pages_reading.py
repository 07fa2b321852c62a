"""What a chart says in words, held against histories whose truth is known."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from documents import well_formed

from spc.pages.chart_page import chart_page
from spc.pages.chart_text import monitor_text
from spc.pages.reading import (
    IN,
    NO_LIMITS,
    OUT,
    SETTLED,
    Reading,
    apart,
    foremost,
    readings,
    sentence,
)
from spc.plan import CHECK, FIT
from spc.studies.monitor import Monitor

Make = Callable[..., Monitor]
POINT = "latch-face"


def wave(rows: int, size: float = 0.1) -> np.ndarray:
    """Return values that no rule objects to: up and down by turns, never far."""
    return np.repeat(size * np.tile([1.0, -1.0], rows)[:rows, None], 33, axis=1)


def read(study: Monitor) -> tuple[Reading, ...]:
    return readings(study, study.series.names.index(POINT))


def test_a_quiet_history_is_in_control(made_up: Make) -> None:
    study = made_up(wave(60))
    (one,) = read(study)
    assert (one.state, one.since, one.rows) == (IN, "", 0)
    assert sentence(study, one) == (
        "In control over the whole history: the newest piece, S0059, lies 0.100 mm below the "
        "centre."
    )


@pytest.mark.parametrize(("jump", "way"), [(2.0, "above"), (-2.0, "below")])
def test_a_lasting_jump_is_out_of_control_since_it_came(
    made_up: Make, jump: float, way: str
) -> None:
    values = wave(80)
    values[60:] += jump
    study = made_up(values)
    (one,) = read(study)
    assert (one.state, one.since, one.rows) == (OUT, "S0060", 20)
    # The mean of whole waves is nil, so all that is left is the jump.
    assert one.shift == pytest.approx(jump)
    assert sentence(study, one) == (
        f"Out of control since S0060 (2026-03-02): on average 2.000 mm {way} the centre, over 20 "
        "pieces."
    )


def test_a_jump_that_went_away_has_settled(made_up: Make) -> None:
    values = wave(100)
    values[60] += 2.0
    (one,) = read(made_up(values))
    assert one.state == SETTLED
    # The moving average remembers the jump for a while; the last signal is its last point beyond.
    assert "S0060" <= one.since < "S0080"


def test_moulds_are_read_apart_and_the_worst_first(made_up: Make) -> None:
    values = wave(80).repeat(2, axis=0)
    values[121::2] -= 1.5
    study = made_up(values, moulds=["A", "B"] * 80)
    quiet, moved = read(study)
    assert (quiet.mould, quiet.state) == ("A", IN)
    assert (moved.mould, moved.state) == ("B", OUT)
    assert foremost((quiet, moved)) is moved


def test_too_short_a_history_says_what_it_needs(made_up: Make) -> None:
    study = made_up(wave(5))
    (one,) = read(study)
    assert one.state == NO_LIMITS
    assert sentence(study, one) == "No limits: 5 baseline pieces, 8 are needed."


def test_a_history_that_does_not_vary_has_no_limits(made_up: Make) -> None:
    study = made_up(np.zeros((30, 33)))
    (one,) = read(study)
    assert one.state == NO_LIMITS
    assert "does not vary" in sentence(study, one)


def test_limits_that_ended_judge_no_longer(made_up: Make) -> None:
    study = made_up(wave(60))
    upper = study.upper.copy()
    upper[50:] = np.nan
    ended = replace(study, upper=upper, frozen=np.ones_like(study.frozen))
    (one,) = read(ended)
    assert one.state == NO_LIMITS
    assert sentence(ended, one) == "No limits: no frozen ones are in force here."


def test_the_newest_row_with_a_value_counts(made_up: Make) -> None:
    values = wave(60)
    values[58:] = np.nan
    (one,) = read(made_up(values))
    assert one.newest == "S0057"
    assert one.state == IN


@pytest.mark.parametrize(
    ("shift", "unit", "words"),
    [
        (0.254, "in", "0.0100 in above the centre"),
        (-0.254, "thou", "10.0 thou below the centre"),
        (0.0001, "mm", "at the centre"),
        (float("nan"), "mm", "an unknown distance from the centre (no value)"),
    ],
)
def test_distances_in_words(shift: float, unit: str, words: str) -> None:
    # 0.254 mm is a hundredth of an inch, ten thou.
    assert apart(shift, unit) == words


def test_series_are_read_from_the_piece_as_a_whole_to_its_fit_points(
    by_batch: Monitor, few: Monitor
) -> None:
    roles = {point.id: point.role for point in by_batch.plan.points}
    order = ["", CHECK, FIT]

    def kinds(names: list[str]) -> list[int]:
        return [order.index(roles.get(name, "")) for name in names]

    lines = monitor_text(by_batch).splitlines()
    lines = lines[[line.startswith("----") for line in lines].index(True) + 1 :]
    heads = [at for at, line in enumerate(lines) if line.startswith("- ")]
    assert [line[:12] for line in lines if line.startswith("- ")] == [
        "- the fit's ", "- check poin", "- fit points",
    ]  # fmt: skip
    told = [line.split()[0] for line in lines if not line.startswith("- ")]
    assert kinds(told) == sorted(kinds(told))
    assert set(kinds(told)) == {0, 1, 2}
    for first, last in zip(heads, [*heads[1:], len(lines)], strict=True):
        signals = [int(line.split()[-1]) for line in lines[first + 1 : last]]
        assert signals == sorted(signals, reverse=True)
    page = well_formed(chart_page(by_batch))
    states = page.column("states", "series")
    assert len(states) == len(by_batch.series.names)
    assert kinds(states) == sorted(kinds(states))
    assert sum(line.startswith("- ") for line in monitor_text(few).splitlines()) == 3
    # Where all are of one kind nothing needs a heading.
    only = replace(few, series=replace(few.series, fit_point=np.ones(6, dtype=np.bool_)))
    assert not any(line.startswith("- ") for line in monitor_text(only).splitlines())
