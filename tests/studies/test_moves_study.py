"""The budget of arm moves: against simulated moves, the published formula, and plain cases."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from helpers import Outcome
from layouts import FAR, SEATS, SPOTS, TIED, geometry, plan_of, plan_toml, taken, two_stations
from scipy import stats
from scipy.spatial.transform import Rotation

from spc.alignment.fit import fit_planes
from spc.errors import InputError
from spc.gauge.leapfrog import move_error, seat_noise
from spc.interval import Estimate
from spc.store.connection import open_store
from spc.studies.arrays import plan_arrays
from spc.studies.moves import Moves, MovesAsked, added_sd, moves_of

Command = Callable[..., Outcome]
STAND = ((-700.0, -500.0, -400.0), (700.0, -500.0, -380.0), (700.0, 500.0, -420.0),
         (-700.0, 520.0, -390.0))  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("moves")
    taken(made, plan_toml(SPOTS), two_stations(0.0, 0.0, 0.05, SEATS), "two")
    taken(made, plan_toml(SPOTS), two_stations(0.0, 0.0, 0.05, SEATS[:3]), "three")
    taken(made, plan_toml(SPOTS), two_stations(0.0, 0.0, 0.05, SEATS[:2]), "few")
    return made


def asked(folder: Path, run: str | None = None, name: str = "two", **said: object) -> Moves:
    with open_store(folder / f"{name}.duckdb", read_only=True) as store:
        return moves_of(store, run, MovesAsked(**said))  # type: ignore[arg-type]


@pytest.mark.parametrize("after", [("far-end-1", "under"), ("far-end-1", "end-1", "corner-3")])
def test_what_a_move_adds_is_that_of_simulated_moves(after: tuple[str, ...]) -> None:
    """Seats read with noise, joined by scipy, points carried by the join, the whole fitted."""
    p, n = geometry(SPOTS)
    used = plan_arrays(plan_of(SPOTS))
    rng, per_axis = np.random.default_rng(3), 0.03
    moved = np.isin([s[0] for s in SPOTS], after)
    seats = np.array(STAND)
    at = np.repeat(p[None], 3000, axis=0)
    for k in range(len(at)):
        noisy = seats + rng.normal(0.0, per_axis, seats.shape)
        turn = Rotation.align_vectors(noisy - noisy.mean(0), seats - seats.mean(0))[0]
        carried = turn.apply(p - seats.mean(0)) + noisy.mean(0)
        at[k] = np.where(moved[:, None], carried, p)
    seen = fit_planes(at, used.aims, n, used.weights).deviations.std(axis=0)
    error = move_error(seats, p, Estimate(value=per_axis * np.sqrt(3)), normals=n)
    got = added_sd(error, used, moved)
    # 3000 moves know a standard deviation to 1.3 %.
    np.testing.assert_allclose(got, seen, rtol=0.06, atol=3e-4)


def test_a_move_before_everything_adds_nothing_since_the_fit_takes_it_up(folder: Path) -> None:
    found = asked(folder, seats=STAND, residual=0.03, after=tuple(s[0] for s in SPOTS))
    assert max(p.one for p in found.points) < 1e-9


def test_a_check_point_alone_gets_the_published_error_along_its_normal(folder: Path) -> None:
    # Fitzpatrick, West & Maurer (1998), per axis: at the seats' centre, noise / sqrt(3 N).
    ring = [(500 * np.cos(a), 500 * np.sin(a), -300.0) for a in np.arange(6) * np.pi / 3]
    found = asked(folder, seats=tuple(ring), residual=0.02, after=("under",))
    under = next(p for p in found.points if p.point == "under")
    noise = 0.02 / np.sqrt(1 - 2 / 6)
    assert under.one == pytest.approx(noise / np.sqrt(3 * 6), rel=1e-9)
    low, high = 12 / stats.chi2.ppf([0.975, 0.025], 12)
    assert (under.one_low, under.one_high) == pytest.approx(
        (under.one * np.sqrt(low), under.one * np.sqrt(high))
    )
    assert {p.point for p in found.points if p.one > 0} == {"under"}


def test_moves_add_up_in_squares(folder: Path) -> None:
    found = asked(folder, seats=STAND, residual=0.03, moves=4, sigma=0.02)
    for p in found.points:
        steps = np.arange(1, 5)
        np.testing.assert_allclose(p.total, np.sqrt(p.alone**2 + steps * p.one**2))
        assert p.share == pytest.approx(4 * p.one**2 / p.total[-1] ** 2)
    assert found.alone_from.startswith("as asked for")


def test_three_seats_prove_little_in_figures(folder: Path) -> None:
    tell = {t.seats: t for t in asked(folder, seats=STAND, residual=0.02).tell}
    # 0.58, 0.71, 0.82 of the noise show on 3, 4, 6 seats (Sibson 1979).
    np.testing.assert_allclose([tell[n].shown for n in (3, 4, 6)], [0.577, 0.707, 0.816], atol=5e-4)
    upper = np.sqrt(0.02**2 * 3 / stats.chi2.ppf(0.025, 3) / (1 - 2 / 3))
    assert tell[3].high == pytest.approx(upper)
    assert tell[3].high > 2.5 * tell[8].high


def test_a_run_brings_its_own_seats_and_points(folder: Path) -> None:
    found = asked(folder, "R0")
    (join,) = found.joins
    assert (join.station, join.seats, found.moves) == ("2", 6, 1)
    p = dict(zip([s[0] for s in SPOTS], geometry(SPOTS)[0], strict=True))
    noise = seat_noise([join.residual] * 6)
    assert join.noise == pytest.approx(noise.value)
    error = move_error([p[s] for s in SEATS], geometry(SPOTS)[0], noise, normals=geometry(SPOTS)[1])
    after = np.isin([s[0] for s in SPOTS], ("far-end-1", "far-end-2"))
    want = added_sd(error, plan_arrays(plan_of(SPOTS)), after)
    got = {q.point: q.one for q in found.points}
    np.testing.assert_allclose([got[s[0]] for s in SPOTS], want)
    assert {q.point for q in found.points if q.probed_after} == {"far-end-1", "far-end-2"}


def test_three_seats_of_a_run_are_warned_of_and_two_are_refused(folder: Path) -> None:
    assert "proves little" in asked(folder, "R0", "three").joins[0].note
    with pytest.raises(InputError, match="no three points from two of them"):
        asked(folder, "R0", "few")


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({}, "no seats to judge a move by"),
        ({"residual": 0.03, "seats": STAND[:2]}, "no seats"),
        ({"residual": 0.03, "seats": ((0, 0, 0), (1, 1, 1), (2, 2, 2))}, "on one line"),
        ({"residual": 0.03, "seats": STAND, "after": ("nowhere",)}, "no point 'nowhere'"),
        ({"residual": 0.03, "seats": STAND, "moves": 0}, "0 moves"),
    ],
)
def test_what_says_nothing_of_a_move_is_refused(
    folder: Path, said: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        asked(folder, **said)


def test_the_command_prints_it_and_its_document(folder: Path, spc: Command) -> None:
    store = ("--store", folder / "two.duckdb")
    words = [w for seat in STAND for w in ("--seat", ",".join(map(str, seat)))]
    out = spc("gauge", "moves", *words, "--residual", "0.03", "--moves", "2", *store)
    assert out.done("4 seats left 0.030 mm", "What a residual of 0.030 proves", "after 2")
    assert spc("gauge", "moves", "R0", *store).done("Move to station 2: 6 seats", "with them")
    found = json.loads(spc("gauge", "moves", "R0", "--json", *store).out)
    assert len(found["points"]) == len(TIED) + len(FAR)
    assert spc("gauge", "moves", "--seat", "1,2", *store).refused("write X,Y,Z")
    assert spc("gauge", "moves", "R0", "--residual", "0.1", *store).refused("brings its own seats")
