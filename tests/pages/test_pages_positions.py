"""Where rows lie from left to right."""

from datetime import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.pages.figures.positions import ORDER, TIME, positions

DAY = np.timedelta64(1, "D").astype("timedelta64[us]")
START = np.datetime64("2026-03-01T00:00", "us")

moments = st.lists(st.integers(0, 300 * 24 * 60), min_size=1, max_size=60).map(
    lambda minutes: START + np.array(minutes) * np.timedelta64(1, "m")
)


def test_evenly_spread_days_lie_at_their_time() -> None:
    where = positions(START + np.arange(20) * DAY)
    assert where.kind == TIME
    assert where.x[3] == "2026-03-04 00:00:00"


def test_bursts_lie_in_the_order_of_measuring() -> None:
    bursts = START + (np.arange(20)[:, None] * 7 * DAY + np.arange(12) * DAY / 100).ravel()
    where = positions(bursts)
    assert where.kind == ORDER
    assert where.x == tuple(range(240))


@pytest.mark.parametrize("rows", [1, 3])
def test_one_moment_has_no_scale_of_time(rows: int) -> None:
    where = positions(np.repeat(START, rows))
    assert where.kind == ORDER
    assert where.ticks == ((0.0,), ("2026-03-01",))


@given(moments)
def test_order_ranks_every_row_once_and_by_time(times: np.ndarray) -> None:
    where = positions(times, ORDER)
    assert sorted(where.x) == list(range(len(times)))
    inverse = np.argsort(where.x)
    assert (np.diff(times[inverse].astype(np.int64)) >= 0).all()


@given(moments, st.sampled_from([TIME, ORDER]))
def test_every_row_lies_inside_the_picture(times: np.ndarray, kind: str) -> None:
    where = positions(times, kind)
    assert all(where.start < x < where.end for x in where.x)


@given(moments)
def test_dates_stand_at_a_day_s_first_row(times: np.ndarray) -> None:
    where = positions(times, ORDER)
    assert where.ticks is not None
    days = np.sort(times).astype("datetime64[D]")
    for at, text in zip(*where.ticks, strict=True):
        assert str(days[int(at)]) == text
        assert at == 0 or days[int(at)] != days[int(at) - 1]


def test_an_event_lies_between_its_neighbours() -> None:
    times = START + np.arange(10) * DAY
    assert positions(times, ORDER).at(datetime(2026, 3, 4, 12)) == 3.5
    assert positions(times, TIME).at(datetime(2026, 3, 4, 12)) == "2026-03-04 12:00:00"


@pytest.mark.parametrize("kind", [TIME, ORDER])
def test_an_event_far_outside_is_not_in_the_picture(kind: str) -> None:
    where = positions(START + np.arange(10) * DAY, kind)
    assert where.at(datetime(2025, 12, 1)) is None
    assert where.at(datetime(2026, 9, 1)) is None
