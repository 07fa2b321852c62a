"""A bow and a dent: whether one place alone would look like the shape that moved."""

from dataclasses import replace

import numpy as np
import pytest
from helpers import SAMPLES
from histories import NO_EVENTS, history

from spc.alignment.formplan import form_plan
from spc.ingest.plan_toml import read_plan
from spc.plan import Plan
from spc.studies.arrays import plan_arrays
from spc.studies.drift import Drift, drift_of
from spc.studies.shape_changes import ShapeChange
from spc.studies.shape_place import AS_WELL

SAMPLE_PLAN = read_plan(SAMPLES / "LH-640.toml")[0]
BATCHES, PIECES, FROM = 20, 4, 12


def drift_with(plan: Plan, planted: np.ndarray, seed: int = 5) -> Drift:
    """Return the drift of a history whose points change by ``planted``, mm, from a batch on."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(BATCHES), PIECES)
    off = rng.normal(0.0, 0.1, (len(batch), len(planted))) + np.outer(batch >= FROM, planted)
    past = history(off, plan=plan, batches=[f"B{k + 1:02d}" for k in batch])
    runs = past.runs.assign(part_temp_c=np.nan, piece_id=past.runs["serial"])
    found = drift_of(replace(past, runs=runs), NO_EVENTS)
    assert found is not None
    return found


def changes_of(found: Drift) -> dict[str, ShapeChange]:
    return {shape.shape: change for shape in found.shapes for change in shape.changes}


def at(plan: Plan, point: str) -> np.ndarray:
    return np.array([float(p.id == point) for p in plan.points])


def only(plan: Plan, *points: str) -> Plan:
    """Return the plan with its fit points and these check points."""
    kept = tuple(p for p in plan.points if p.role == "fit" or p.id in points)
    return replace(plan, points=kept)


def test_one_point_on_a_face_cannot_tell_a_bow_from_a_dent() -> None:
    # The corners of the deck hold the fit: of the face between them one point speaks.
    plan = only(SAMPLE_PLAN, "deck-middle", "left-flank-middle", "tail-left", "tail-right")
    found = drift_with(plan, -1.5 * at(plan, "deck-middle"))
    (name,) = [n for n, c in changes_of(found).items() if c.place]
    change = changes_of(found)[name]
    assert name.startswith("bow of the +z face")
    assert change.place == "deck-middle"
    assert change.place_share == pytest.approx(change.shape_share, abs=AS_WELL)
    said = next(s for s in found.sentences if name in s)
    assert said.endswith("(or deck-middle alone: with these points that would look the same)")


def test_a_dent_among_many_points_is_told_from_a_bow() -> None:
    found = drift_with(SAMPLE_PLAN, -1.5 * at(SAMPLE_PLAN, "deck-middle"))
    changes = [c for c in changes_of(found).values() if c.shape.startswith("bow of the +z face")]
    assert changes
    for change in changes:
        assert change.place == "deck-middle"
        assert change.place_share > 0.9 > change.shape_share
    assert any("look there first" in s for s in found.sentences)


@pytest.mark.parametrize("shape", ["twist of the +z face", "bow of the +z face along y", "size"])
def test_a_shape_that_many_points_carry_names_no_place(shape: str) -> None:
    geometry = plan_arrays(SAMPLE_PLAN)
    plan = form_plan(geometry.nominals, geometry.normals)
    column = plan.columns[:, [p.name for p in plan.patterns].index(shape)]
    found = drift_with(SAMPLE_PLAN, 1.5 * column / np.abs(column).max())
    changes = changes_of(found)
    assert shape in changes
    assert not any("alone" in s for s in found.sentences)
