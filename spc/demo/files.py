"""Write a scenario's files; the same scenario gives the same bytes."""

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import asdict, fields
from datetime import datetime
from pathlib import Path

import numpy as np

from spc.demo.hood import PART, REVISION
from spc.demo.readme import readme
from spc.demo.scenario import Scenario
from spc.demo.sheets import RunInfo, Sheet
from spc.units import millimetres_per

COLUMNS = (
    "part, revision, serial, mould, batch, run, measured_at, operator, device, probe, station, "
    "setup, study, part_temp_c, hours_since_moulding, point, hit, x, y, z, unit"
).split(", ")
#: Decimals of a coordinate: a thousandth of a millimetre, a ten-thousandth of an inch.
DECIMALS = {"mm": 3, "in": 4}
#: Decimals kept in the written truth.
TRUTH_DECIMALS = 6


def write(folder: Path, scenario: Scenario) -> list[Path]:
    """Write the scenario's files into ``folder`` and return their paths, in order.

    Parameters
    ----------
    folder
        Made where it does not exist; files of the same names are replaced.
    scenario
        What to write.
    """
    texts = {
        f"{PART}.toml": scenario.plan,
        **{s.path: sheet_text(s, scenario.hood.names) for s in (*scenario.sheets, scenario.study)},
        "events.csv": events_text(scenario),
        "arm-checks.csv": arm_checks_text(scenario),
        "truth.json": truth_text(scenario),
        "README.md": readme(scenario),
    }
    return [_write(folder / name, text) for name, text in texts.items()]


def _write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode("utf-8"))
    return path


def sheet_text(sheet: Sheet, points: tuple[str, ...]) -> str:
    """Return a result file as CSV (RFC 4180) with one row a hit; empty columns are left out."""
    empty = {c for c in ("setup", "study") if not any(getattr(r, c) for r in sheet.runs)}
    kept = [c for c in COLUMNS if c not in empty]
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(kept)
    writer.writerows(_rows(sheet, points, kept))
    return out.getvalue()


def _rows(sheet: Sheet, points: tuple[str, ...], kept: list[str]) -> Iterator[list[str]]:
    decimals = DECIMALS[sheet.unit]
    # Adding zero turns -0.0 into 0.0.
    xyz = np.round(sheet.hits / millimetres_per(sheet.unit), decimals) + 0.0
    probed = np.asarray(np.isfinite(xyz).all(axis=-1))
    for r, run in enumerate(sheet.runs):
        head = _head(run, kept)
        for p, h in np.argwhere(probed[r]):
            at = [f"{v:.{decimals}f}" for v in xyz[r, p, h]]
            yield [*head, points[p], str(h + 1), *at, sheet.unit]


def _head(run: RunInfo, kept: list[str]) -> list[str]:
    facts = {"part": PART, "revision": REVISION}
    facts |= {f.name: _plain(getattr(run, f.name)) for f in fields(run)}
    return [facts[c] for c in kept if c in facts]


def _plain(value: object) -> str:
    return value.isoformat() if isinstance(value, datetime) else str(value)


def arm_checks_text(scenario: Scenario) -> str:
    """Return the readings of reference bars as CSV, in millimetres."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    names = ["checked_at", "device", "artefact", "place", "reference", "uncertainty", "reading"]
    writer.writerow([*names, "unit"])
    for check in scenario.arm_checks:
        figures = [f"{getattr(check, name):.3f}" for name in names[4:]]
        head = [check.checked_at.isoformat(), check.device, check.artefact, check.place]
        writer.writerow([*head, *figures, "mm"])
    return out.getvalue()


def events_text(scenario: Scenario) -> str:
    """Return the event log as CSV."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(["at", "kind", "part", "mould", "note"])
    writer.writerows([e.at.isoformat(), e.kind, e.part, e.mould, e.note] for e in scenario.events)
    return out.getvalue()


def truth_text(scenario: Scenario) -> str:
    """Return the truth as JSON, numbers to six decimals."""
    return json.dumps(_jsonable(asdict(scenario.truth)), indent=1, ensure_ascii=False) + "\n"


def _jsonable(value: object) -> object:
    if isinstance(value, dict):
        return {k: _jsonable(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(v) for v in value]
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, float):
        return round(value, TRUTH_DECIMALS) + 0.0 if np.isfinite(value) else None
    return value
