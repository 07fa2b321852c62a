"""What rows can tell apart, against the rank of the full matrices."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.errors import DataError
from spc.gauge.anova import crossed_study
from spc.gauge.answer import crossed_factors
from spc.gauge.separable import nested, separable


def grid(*shape):
    return [f.ravel() for f in np.indices(shape)]


def rank(factors):
    """Twin: how many centred matrices Z Z' are independent, the residual's among them."""
    rows = len(next(iter(factors.values())))
    centre = np.eye(rows) - 1.0 / rows
    matrices = [np.eye(rows)]
    matrices += [
        (f[:, None] == f[None, :]).astype(float) for f in map(np.asarray, factors.values())
    ]
    table = np.stack([(centre @ m @ centre).ravel() for m in matrices])
    return np.linalg.matrix_rank(table, tol=1e-8 * np.abs(table).max())


@given(st.integers(0, 10_000), st.integers(4, 30))
@settings(max_examples=60, deadline=None)
def test_kept_sources_are_as_many_as_the_rank(seed, rows):
    rng = np.random.default_rng(seed)
    factors = {f"f{k}": rng.integers(0, rng.integers(1, 6), rows) for k in range(4)}
    factors["f4"] = factors["f1"] * 7 + factors["f2"]
    got = separable(factors)
    assert len(got.kept) == rank(factors)
    assert {m.name for m in got.merged} | set(got.kept) >= set(factors)


@pytest.mark.parametrize(
    "shape",
    [
        (4, 3, 2, 2),
        (4, 3, 2, 1),
        (4, 3, 1, 2),
        (4, 3, 1, 1),
        (4, 1, 2, 2),
        (1, 3, 2, 2),
        (4, 1, 1, 2),
    ],
)
def test_balanced_designs_merge_as_in_the_analysis_of_variance(shape):
    piece, operator, setup, _ = grid(*shape)
    got = separable(crossed_factors(piece, operator, setup))
    y = np.random.default_rng(1).normal(size=piece.size)
    want = crossed_study(y, piece, operator, setup).merged
    assert {m.name: m.into for m in got.merged} == {m.name: m.into for m in want}


def test_a_day_for_each_operator_is_not_told_from_the_operator():
    piece, operator, setup = grid(5, 3, 2)
    got = separable(
        {
            "piece": piece,
            "operator": operator,
            "day": operator,
            "setup": nested(setup, piece, operator),
        }
    )
    merged = {m.name: m for m in got.merged}
    assert merged["day"].into == "operator"
    assert "'day' is inside 'operator'" in merged["day"].reason
    assert got.residual == "setup"


def test_stations_turned_with_the_setups_are_told_apart():
    piece, operator, setup, _ = grid(6, 2, 2, 3)
    station = (piece + operator + setup) % 2
    factors = crossed_factors(piece, operator, setup)
    got = separable({"station": station, **factors})
    assert set(got.kept) == {"station", "piece", "operator", "operator_piece", "setup", "hit"}


def test_one_level_is_not_seen():
    piece, operator, _ = grid(5, 1, 2)
    merged = {m.name: m.into for m in separable({"piece": piece, "operator": operator}).merged}
    assert merged == {"operator": ""}


def test_one_row_is_no_study():
    with pytest.raises(DataError, match="at least 2 rows"):
        separable({"piece": [1]})
