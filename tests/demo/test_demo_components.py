"""The stated components against brute force, by algebra and drawing of the tests' own."""

import numpy as np
import pytest

from spc.demo.hood import Hood, hood
from spc.demo.layers import layers_of
from spc.demo.probing import probe
from spc.demo.scenario import Scenario, build
from spc.demo.settings import Settings

DRAWS = 6000


@pytest.fixture(scope="module")
def model() -> Hood:
    return hood()


def _left(model: Hood, deviation: np.ndarray) -> np.ndarray:
    """Return deviations (runs, check points) after a least-squares pose, by numpy's own solver."""
    rows = np.array(
        [[*n, *np.cross(p, n)] for p, n in zip(model.nominal, model.normal, strict=True)]
    )
    pose = np.linalg.lstsq(rows[model.fit], deviation[:, model.fit].T, rcond=None)[0]
    return (deviation - (rows @ pose).T)[:, ~model.fit]


def _hit_deviations(model: Hood, hits: np.ndarray) -> np.ndarray:
    return np.einsum("rphj,pj->rph", hits - model.nominal[:, None], model.normal)


def _stated(full: Scenario, component: str) -> np.ndarray:
    return np.array(list(full.truth.study.components.by_point[component].values()))


def _agrees(found: np.ndarray, stated: np.ndarray, freedom: int) -> None:
    """Check variances within five standard errors, root of 2 over the degrees of freedom."""
    assert np.abs(found / stated - 1.0).max() < 5 * (2 / freedom) ** 0.5


def test_new_placing_has_the_stated_variance(model: Hood, full: Scenario) -> None:
    rng, s = np.random.default_rng(11), Settings()
    flex = layers_of(model, s).setup.draw(rng, DRAWS)
    warm = np.round(rng.normal(s.study_c, s.study_sd_c, DRAWS), 1) - s.study_c
    size = np.einsum("ij,ij->i", model.nominal, model.normal)
    deviation = flex + s.expansion * warm[:, None] * size
    hits = _hit_deviations(model, probe(model, s, rng, deviation))
    found = _left(model, hits.mean(axis=2)).var(axis=0, ddof=1)
    _agrees(found, _stated(full, "setup") + _stated(full, "hit") / 3, DRAWS - 1)


def test_hits_within_a_placing_have_the_stated_variance(model: Hood, full: Scenario) -> None:
    rng = np.random.default_rng(12)
    hits = _hit_deviations(model, probe(model, Settings(), rng, np.zeros((2000, 33))))
    found = hits.var(axis=2, ddof=1).mean(axis=0)[~model.fit]
    _agrees(found, _stated(full, "hit"), 2 * 2000)


@pytest.mark.parametrize(
    ("layers", "component"),
    [(("pairing",), "operator_piece"), (("mould", "batch", "piece"), "piece_process")],
)
def test_random_layers_have_the_stated_variance(
    model: Hood, full: Scenario, layers: tuple[str, ...], component: str
) -> None:
    rng, all_layers = np.random.default_rng(13), layers_of(model, Settings())
    drawn = sum(getattr(all_layers, name).draw(rng, DRAWS) for name in layers)
    _agrees(_left(model, drawn).var(axis=0, ddof=1), _stated(full, component), DRAWS - 1)


@pytest.mark.parametrize("component", ["batch", "piece"])
def test_process_components_have_the_stated_variance(
    model: Hood, full: Scenario, component: str
) -> None:
    layer = getattr(layers_of(model, Settings()), component)
    found = _left(model, layer.draw(np.random.default_rng(14), DRAWS)).var(axis=0, ddof=1)
    stated = np.array(list(full.truth.process.by_point[component].values()))
    _agrees(found, stated, DRAWS - 1)


def test_operator_component_is_that_of_the_three_pushes(model: Hood, full: Scenario) -> None:
    pushes = -np.outer(list(full.truth.study.force_n.values()), model.give)
    found = _left(model, pushes).var(axis=0, ddof=1)
    assert found == pytest.approx(_stated(full, "operator"), rel=1e-9)


def test_pooled_is_the_mean_over_check_points(full: Scenario) -> None:
    components = full.truth.study.components
    for name, at_points in components.by_point.items():
        assert len(at_points) == 24
        assert components.pooled[name] == pytest.approx(np.mean(list(at_points.values())))


def test_whole_studies_give_the_stated_components_on_average(model: Hood) -> None:
    """Expected mean squares of the balanced nested design, over many simulated studies."""
    seeds = range(100, 140)
    found, stated = [], []
    for seed in seeds:
        scenario = build(seed, batches=7, pieces=10)
        found.append(_mean_squares(model, scenario))
        stated.append(_expected(scenario))
    ratio = np.mean(found, axis=0) / np.mean(stated, axis=0)
    # Placings 60, pairs 18, pieces 9 and operators 2 degrees of freedom in each of 40 studies,
    # pooled over 24 correlated points: standard errors at most 3, 5, 8 and 8 percent.
    assert ratio == pytest.approx(np.ones(5), abs=0.2)
    assert ratio[:2] == pytest.approx(np.ones(2), abs=0.06)


def _mean_squares(model: Hood, scenario: Scenario) -> list[float]:
    """Return mean squares (hit, placing, pair, piece, operator), pooled over check points."""
    y = np.full((10, 3, 3, 24, 3), np.nan)
    back = _by_superposition(model, scenario.study.hits)
    pieces, operators = scenario.truth.study.pieces, scenario.truth.study.operators
    for run, values in zip(scenario.study.runs, back, strict=True):
        at = pieces.index(run.serial), operators.index(run.operator), int(run.setup) - 1
        y[at] = values
    point = y.mean(axis=-1)
    cell = point.mean(axis=2)
    piece, operator, grand = cell.mean(axis=1), cell.mean(axis=0), cell.mean(axis=(0, 1))
    pair = cell - piece[:, None] - operator[None] + grand
    return [
        y.var(axis=-1, ddof=1).mean(),
        3 * point.var(axis=2, ddof=1).mean(),
        9 * (pair**2).sum(axis=(0, 1)).mean() / 18,
        27 * piece.var(axis=0, ddof=1).mean(),
        90 * operator.var(axis=0, ddof=1).mean(),
    ]


def _expected(scenario: Scenario) -> list[float]:
    c = scenario.truth.study.components.pooled
    placing = c["hit"] + 3 * c["setup"]
    pair = placing + 9 * c["operator_piece"]
    return [
        c["hit"],
        placing,
        pair,
        pair + 27 * c["piece_ten"],
        pair + 90 * c["operator"],
    ]


def _by_superposition(model: Hood, hits: np.ndarray) -> np.ndarray:
    """Return deviations (runs, check points, hits): a rigid start by SVD, then planes twice."""
    mean = hits.mean(axis=2)
    home = model.nominal - model.nominal.mean(axis=0)
    u, _, vt = np.linalg.svd(np.einsum("rpi,pj->rij", mean - mean.mean(axis=1)[:, None], home))
    sign = np.sign(np.linalg.det(u @ vt))
    u[:, :, 2] *= sign[:, None]
    moved = np.einsum("rphi,rij->rphj", hits - mean.mean(axis=1)[:, None, None], u @ vt)
    moved += model.nominal.mean(axis=0)
    for _ in range(3):
        off = _hit_deviations(model, moved).mean(axis=2)
        rows = np.hstack([model.normal, np.cross(model.nominal, model.normal)])[model.fit]
        pose = -np.linalg.lstsq(rows, off[:, model.fit].T, rcond=None)[0].T
        turn = np.cross(pose[:, None, None, 3:], moved)
        moved = moved + pose[:, None, None, :3] + turn
    return _hit_deviations(model, moved)[:, ~model.fit]
