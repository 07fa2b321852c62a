"""The whole scenario, from one seed."""

from dataclasses import dataclass

import numpy as np

from spc.demo.arm_checks import ArmCheck, arm_checks
from spc.demo.events import Event, events
from spc.demo.hood import Hood, hood, plan_text
from spc.demo.incidents import incidents
from spc.demo.known import truth_of
from spc.demo.layers import Array, Layers, layers_of
from spc.demo.pieces import make
from spc.demo.production import measure
from spc.demo.schedule import USUAL, schedule
from spc.demo.settings import Settings
from spc.demo.sheets import Sheet
from spc.demo.study import study
from spc.demo.truth import Truth
from spc.errors import DataError

SEED = 20260401
STREAMS: tuple[str, ...] = (
    "schedule",
    "base",
    "mould",
    "batch",
    "piece",
    "pairing",
    "room",
    "setup",
    "probe",
)
STREAMS += ("pose", "study", "checks")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scenario:
    """Everything simulated.

    Parameters
    ----------
    plan
        The measurement plan as TOML text.
    hood
        Its patches as arrays.
    sheets
        The production result files, one a batch, in order.
    study
        The gauge study's result file.
    events
        The log of what was done to moulds, resin and arms.
    arm_checks
        Weekly readings of two reference bars.
    truth
        What the process really did.
    """

    plan: str
    hood: Hood
    sheets: tuple[Sheet, ...]
    study: Sheet
    events: tuple[Event, ...]
    arm_checks: tuple[ArmCheck, ...]
    truth: Truth


def build(
    seed: int = SEED,
    *,
    null: bool = False,
    batches: int = USUAL,
    pieces: int | None = None,
    settings: Settings | None = None,
) -> Scenario:
    """Simulate the scenario.

    Parameters
    ----------
    seed
        The same seed gives the same files, byte for byte.
    null
        Nothing goes wrong: no shift, no warp, no bad, missing or repeated reading. Everything else
        is drawn exactly as in the full scenario.
    batches
        Number of batches, at least 3; incidents keep their relative places.
    pieces
        Pieces in every batch; otherwise 10 to 13, 400 in all.
    settings
        Other constants of the process.
    """
    if batches < 3 or (pieces is not None and pieces < 1):
        raise DataError(f"need 3 batches of 1 piece at least, not {batches} of {pieces}")
    s, model = settings or Settings(), hood()
    rng = {name: np.random.default_rng([seed, i]) for i, name in enumerate(STREAMS)}
    layers = layers_of(model, s)
    plan = schedule(s, rng["schedule"], batches, pieces)
    wrong = incidents(s, plan, null=null)
    made = make(model, s, layers, plan, wrong, rng)
    pairing = _pairing(s, layers, made.batch.size, rng["pairing"])
    sheets = measure(model, s, layers, plan, made, pairing, wrong, rng)
    gauge = study(model, s, layers, plan, made, pairing, rng)
    return Scenario(
        plan=plan_text(model),
        hood=model,
        sheets=sheets,
        study=gauge,
        events=events(plan),
        arm_checks=arm_checks(plan, rng["checks"]),
        truth=truth_of(seed, model, s, layers, plan, made, wrong, sheets, gauge),
    )


def _pairing(s: Settings, layers: Layers, count: int, rng: np.random.Generator) -> Array:
    """Return what each operator does to each piece alone, (operators, pieces, points), mm."""
    drawn = layers.pairing.draw(rng, len(s.hands) * count)
    return drawn.reshape(len(s.hands), count, -1)
