"""Writing exports."""

from collections.abc import Mapping
from pathlib import Path

from spc.cli.naming import safe
from spc.cli.progress import Progress
from spc.errors import InputError
from spc.pages.display import moment
from spc.pages.qif_document import qif_document, write_qif
from spc.pages.tables import Written, month_tables, write_csv
from spc.pages.workbook import Table, write_workbook
from spc.store.connection import Store
from spc.store.parquet import write_parquet
from spc.studies.adjusted_month import readings_of_month
from spc.studies.month import Month, month_study
from spc.studies.spans import Period
from spc.studies.statuses import statuses_within


def export_month(
    store: Store, period: Period, folder: Path, part: str | None, revision: str | None,
    *, xlsx: bool, qif: bool,
) -> list[Written]:  # fmt: skip
    """Write a month's tables as CSV, as one workbook, or its statistics as one QIF document.

    Tables that are empty are not written.
    """
    with Progress() as progress:
        study = month_study(store, period, part, revision, tell=progress.say)
        stem = folder / _stem(study)
        if qif:
            document = qif_document(study)
            _make(folder)
            return [write_qif(stem.with_name(f"{stem.name}.qif"), document)]
        reported = statuses_within(store, study.plan, study.period)
        tables = month_tables(study, readings_of_month(store, study), reported)
        _make(folder)
        if xlsx:
            return [_workbook(study, tables, stem)]
        return [
            write_csv(stem.with_name(f"{stem.name}-{name}.csv"), header, rows)
            for name, (header, rows) in tables.items()
            if rows
        ]


def _stem(study: Month) -> str:
    period = study.period
    when = f"{period.start:%Y-%m}" if period.is_month else period.name.replace(" to ", "_")
    return f"{safe(f'{study.plan.part}-{study.plan.revision}')}-{when}"


def _workbook(study: Month, tables: Mapping[str, Table], stem: Path) -> Written:
    about = [
        ("part", study.plan.part), ("revision", study.plan.revision), ("name", study.plan.name),
        ("period", study.period.name), ("data up to (UTC)", moment(study.cutoff)),
        ("data fingerprint", study.fingerprint), ("made by", f"spc {study.version}"),
        *(("answer", text) for text in study.answer),
    ]  # fmt: skip
    path = stem.with_name(f"{stem.name}.xlsx")
    return write_workbook(path, about, tables, study.cutoff)


def export_store(store: Store, folder: Path) -> list[Written]:
    """Write every table of the store as Parquet."""
    _make(folder)
    return [Written(path=path, rows=rows) for path, rows in write_parquet(store, folder)]


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"cannot make the folder ({error.strerror})", file=str(folder), do="name another"
        ) from None
