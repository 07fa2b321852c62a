"""The demonstration: sample runs into a store, and what the tool finds in them."""

import sys
from dataclasses import dataclass
from pathlib import Path

import click

from spc.cli.options import writer
from spc.cli.progress import Progress
from spc.cli.reporting import write_month
from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.plan_toml import read_plan
from spc.ingest.results import read_file
from spc.plan import Plan
from spc.store import read
from spc.store.audit import record, who_is_here
from spc.store.connection import Store, create_store
from spc.studies import plans
from spc.studies.drift import drift_study
from spc.studies.history import production
from spc.studies.hit_check import SuspectHit, suspect_hits
from spc.studies.intake import take_file
from spc.studies.month import Month, month_study
from spc.studies.spans import month as period


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demonstrated:
    """What the demonstration made and found.

    Parameters
    ----------
    store, page
        Where they are.
    files, runs
        Files read, and runs in the store.
    month
        The newest month.
    suspects
        Hits that do not belong, over the whole history.
    drift
        What kind of drift the whole history shows, in sentences.
    """

    store: Path
    page: Path
    files: int
    runs: int
    month: Month
    suspects: tuple[SuspectHit, ...]
    drift: tuple[str, ...]


def demonstrate(folder: Path, store_path: Path, reports: Path, *, progress: bool) -> Demonstrated:
    """Take the sample runs into a store (again changes nothing) and write the newest month."""
    _make_samples(folder)
    with _store(store_path) as store:
        files = _fill(store, folder, progress)
        plan = _plan_of(folder)
        past = production(store, plan)
        newest = past.runs["measured_at"].max()
        with Progress() as told:
            study = month_study(store, period(f"{newest:%Y-%m}"), plan.part, plan.revision,
                                tell=told.say)  # fmt: skip
            told.say("What happened over the whole history")
            suspects = suspect_hits(store, past)
            drift = drift_study(store, plan.part, plan.revision).sentences
            runs = len(read.known_runs(store))
            page = write_month(study, reports, shared=True, tell=told.say)
    return Demonstrated(
        store=store_path, page=page, files=files, runs=runs, month=study, suspects=suspects,
        drift=drift,
    )  # fmt: skip


def _make_samples(folder: Path) -> None:
    """Make the sample runs where they do not lie beside the program."""
    if folder.exists():
        return
    from spc.demo.files import write
    from spc.demo.scenario import build

    write(folder, build())


def _store(path: Path) -> Store:
    if path.exists():
        return writer(path)
    store = create_store(path)
    with store.transaction():
        record(store, "store made", path.name, who_is_here())
    return store


def _plan_files(folder: Path) -> list[Path]:
    found = sorted(folder.glob("*.toml"))
    if not found:
        raise InputError("no plan (*.toml) here", file=str(folder), do="name another with --from")
    return found


def _plan_of(folder: Path) -> Plan:
    return read_plan(_plan_files(folder)[0])[0]


def _fill(store: Store, folder: Path, progress: bool) -> int:
    for path in _plan_files(folder):
        plan, warnings = read_plan(path)
        plans.add(store, plan, warnings, who_is_here())
    results = sorted(folder.rglob("*.csv"))
    # A bar for people only: a log or a pipe is not served by one.
    shown = progress and sys.stderr.isatty()
    with click.progressbar(
        results, label="Taking the sample runs", file=sys.stderr, hidden=not shown
    ) as files:
        for path in files:
            take_file(store, read_file(path, Declared()), who_is_here())
    return len(results)
