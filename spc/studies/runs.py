"""Runs in the store: list them, and find the one that is meant."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from spc.errors import NotFoundError
from spc.store import read
from spc.store.connection import Store
from spc.studies.spans import in_span


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedRun:
    """One run in the list; lengths in mm.

    Parameters
    ----------
    run, serial, part, revision, mould, batch, study, operator, device
        Its names; empty where unknown.
    measured_at
        UTC; None where unknown.
    noise
        Noise estimate of the fit; NaN without spare points.
    worst_point, worst_residual
        Fit point with the largest residual, and its residual.
    superseded
        True where a later run of the piece stands in its place.
    aligned
        True where it could be aligned.
    omitted
        Fit points left out.
    """

    run: str
    serial: str
    part: str
    revision: str
    mould: str
    batch: str
    study: str
    operator: str
    device: str
    measured_at: datetime | None
    noise: float
    worst_point: str
    worst_residual: float
    superseded: bool
    aligned: bool
    omitted: str


def listed_runs(
    store: Store,
    part: str | None = None,
    *,
    span: str | None = None,
    batch: str | None = None,
    serial: str | None = None,
    study: str | None = None,
) -> tuple[ListedRun, ...]:
    """Return runs in the order they were measured; ``study`` '' means production only."""
    found = read.runs(store, part)
    if span is not None and len(found):
        found = found[in_span(found, span)]
    for column, value in (("batch", batch), ("serial", serial), ("study", study)):
        if value is not None:
            found = found[found[column] == value]
    return tuple(_listed(row) for row in found.to_dict("records"))


def _listed(row: Any) -> ListedRun:
    names = ("run", "serial", "part", "revision", "mould", "batch", "study", "operator", "device")
    aligned = isinstance(row["fit_id"], str)
    return ListedRun(
        **{name: str(row[name]) for name in names},
        measured_at=None if pd.isna(row["measured_at"]) else row["measured_at"].to_pydatetime(),
        noise=float(row["noise"]),
        worst_point=str(row["worst_point"]) if aligned else "",
        worst_residual=float(row["worst_residual"]),
        superseded=bool(row["superseded"]),
        aligned=aligned,
        omitted=str(row["omitted"]) if aligned else "",
    )


def find_run(store: Store, name: str, part: str | None = None) -> Any:
    """Return the row of the run meant by its label, by its piece's serial, or by its identity.

    A serial means the run in force of that piece.

    Raises
    ------
    NotFoundError
        Where none or several could be meant.
    """
    runs = read.runs(store, part)
    by_label = runs[runs["run"] == name]
    by_serial = runs[(runs["serial"] == name) & ~runs["superseded"] & (runs["study"] == "")]
    by_id = runs[runs["run_id"].str.startswith(name)] if len(name) >= 6 else runs[:0]
    for found in (by_label, by_serial, by_id):
        if len(found) == 1:
            return found.iloc[0]
        if len(found) > 1:
            pieces = ", ".join(sorted(set(found["serial"].astype(str)))[:5])
            raise NotFoundError(
                f"'{name}' is the label of {len(found)} runs (pieces {pieces}); "
                f"name one by its identity, such as {found['run_id'].iloc[0][:8]}"
            )
    raise NotFoundError(f"no run '{name}' in the store; 'spc run list' shows what there is")
