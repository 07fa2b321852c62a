"""Decisions about limits, from the command line's words."""

from typing import Any

from spc.charts.rules import DEFAULT
from spc.store.audit import who_is_here
from spc.store.connection import Store
from spc.studies.freezing import Frozen, Retired, freeze, retire
from spc.studies.spans import day


def frozen(
    store: Store, series: tuple[str, ...], *, since: str | None, rules: tuple[str, ...], **said: Any
) -> Frozen:
    """Freeze limits; a day is checked before anything is computed."""
    return freeze(
        store, names=series, since=None if since is None else str(day(since)),
        rules=rules or DEFAULT, who=who_is_here(), **said,
    )  # fmt: skip


def retired(store: Store, series: tuple[str, ...], *, at: str, **said: Any) -> Retired:
    """Retire limits."""
    return retire(store, series, at=str(day(at)), who=who_is_here(), **said)
