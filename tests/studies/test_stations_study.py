"""Runs probed from two stations of the arm, the move between them planted by scipy."""

from pathlib import Path

import numpy as np
import pytest
from layouts import (
    SEATS,
    SPOTS,
    geometry,
    plan_toml,
    posed,
    results_csv,
    shown,
    taken,
    two_stations,
)
from scipy.spatial.transform import Rotation

from spc.pages.review_text import review_text
from spc.store import read
from spc.store.connection import open_store


def test_the_join_of_two_stations_is_recovered(tmp_path: Path) -> None:
    """A turn and a shift planted by scipy between the stations, seats without noise."""
    path, _ = taken(tmp_path, plan_toml(SPOTS), two_stations(0.02, 0.3, 0.0, SEATS), "two")
    seen = shown(path, "R0")
    stations = seen.closer.stations
    assert stations is not None
    (join,) = stations.joins
    assert join.turn == pytest.approx(0.02, abs=1e-6)
    assert join.left == pytest.approx(0.0, abs=1e-6)
    assert {s.point for s in join.seats} == set(SEATS)
    assert join.carried == 2
    assert join.apart == pytest.approx(np.sqrt(np.mean([s.apart**2 for s in join.seats])))
    text = review_text(seen)
    assert "probed from 2 stations" in text
    assert "station 2 against 1, 6 points from both" in text


def test_seat_noise_and_what_the_join_adds(tmp_path: Path) -> None:
    """Fitzpatrick, West and Maurer (1998): what is added grows with the distance of the point."""
    path, _ = taken(tmp_path, plan_toml(SPOTS), two_stations(0.0, 0.0, 0.05, SEATS), "noise")
    stations = shown(path, "R0").closer.stations
    assert stations is not None
    (join,) = stations.joins
    # Two probings of 0.05 mm each differ by 0.071; twelve degrees of freedom, 99.9 % chi-square.
    assert 0.071 * 0.43 < join.seat_noise < 0.071 * 1.66
    assert join.added_at in ("far-end-1", "far-end-2")
    p = {s[0]: np.array(s[2]) for s in SPOTS}
    seats = np.array([p[name] for name in SEATS])
    centre = seats.mean(axis=0)
    _, _, axes = np.linalg.svd(seats - centre)
    inside, outside = (seats - centre) @ axes.T, (p[join.added_at] - centre) @ axes.T
    f2 = [(np.delete(inside, k, 1) ** 2).sum(1).mean() for k in range(3)]
    d2 = [(np.delete(outside, k) ** 2).sum() for k in range(3)]
    expected = join.seat_noise * np.sqrt(
        (1 + sum(d / f for d, f in zip(d2, f2, strict=True)) / 3) / 6
    )
    assert join.added == pytest.approx(expected, rel=0.01)


def test_stations_without_a_common_point_are_a_factor_and_said(tmp_path: Path) -> None:
    path, _ = taken(tmp_path, plan_toml(SPOTS), two_stations(0.0, 0.0, 0.0, ()), "apart")
    seen = shown(path, "R0")
    assert seen.closer.stations is not None
    assert seen.closer.stations.joins == ()
    assert "their join cannot be judged here" in review_text(seen)
    with open_store(path, read_only=True) as store:
        kept = read.hits(store, [seen.run_id])
    assert dict(kept["station"].value_counts()) == {"1": 12, "2": 2}


@pytest.mark.parametrize("seats", [SEATS[:1], SEATS[:2]])
def test_too_few_seats_are_words_not_a_join(tmp_path: Path, seats: tuple[str, ...]) -> None:
    path, _ = taken(tmp_path, plan_toml(SPOTS), two_stations(0.02, 0.3, 0.0, seats), "few")
    stations = shown(path, "R0").closer.stations
    assert stations is not None
    (join,) = stations.joins
    assert np.isnan(join.turn)
    assert np.isnan(join.added)
    assert "three are needed" in join.note
    assert join.seats[0].apart > 0.0


def test_seats_probed_at_other_spots_are_upper_bounds(tmp_path: Path) -> None:
    """Hand placing misses a plain patch by millimetres along the surface, not along its normal."""
    p, n = geometry(SPOTS)
    text = two_stations(0.0, 0.0, 0.0, SEATS)
    rows = [line.split(",") for line in text.splitlines()]
    at = posed(p, seed=4)
    turn = Rotation.align_vectors(at - at.mean(axis=0), p - p.mean(axis=0))[0]
    rng = np.random.default_rng(2)
    for row in rows[1:]:
        if row[4] == "2" and row[5] in SEATS:
            normal = turn.apply(n[[s[0] for s in SPOTS].index(row[5])])
            aside = rng.normal(0.0, 2.0, 3)
            aside -= (aside @ normal) * normal
            row[7:10] = [f"{float(v) + a:.9f}" for v, a in zip(row[7:10], aside, strict=True)]
    path, _ = taken(
        tmp_path, plan_toml(SPOTS), "\n".join(",".join(r) for r in rows) + "\n", "aside"
    )
    stations = shown(path, "R0").closer.stations
    assert stations is not None
    assert stations.joins[0].along < 0.01
    assert stations.joins[0].apart > 1.0
    assert "upper bounds" in stations.joins[0].note


def test_one_station_says_nothing(tmp_path: Path) -> None:
    p, _ = geometry(SPOTS)
    path, _ = taken(tmp_path, plan_toml(SPOTS), results_csv(SPOTS, [posed(p, seed=1)]), "one")
    seen = shown(path, "R0")
    assert seen.closer.stations is None
    assert "station" not in review_text(seen)
