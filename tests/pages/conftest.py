"""Studies for the pages: the sample runs, and histories made up so that the truth is known."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from spc.ingest.plan_toml import read_plan
from spc.plan import Plan
from spc.store.connection import open_store
from spc.studies.arrays import plan_arrays
from spc.studies.history import History
from spc.studies.monitor import Monitor, charted, monitor
from spc.studies.month import Month, month_study
from spc.studies.spans import month

DESK, PHONE, WALL = (1280, 900), (390, 844), (1920, 1080)


@pytest.fixture(scope="session")
def sample_plan(samples: Path) -> Plan:
    """Return the plan of the sample runs."""
    return read_plan(samples / "LH-640.toml")[0]


@pytest.fixture(scope="session")
def by_batch(sample_store: Path) -> Monitor:
    """Return charts of every series of the sample runs, one point a batch."""
    with open_store(sample_store, read_only=True) as store:
        return monitor(store)


@pytest.fixture(scope="session")
def few(sample_store: Path) -> Monitor:
    """Return charts of a few series of the sample runs."""
    names = ("fit-noise", "mode-1", "hinge-pad-left", "latch-face", "tail-left", "deck-1")
    with open_store(sample_store, read_only=True) as store:
        return monitor(store, names=names)


@pytest.fixture(scope="session")
def by_piece(sample_store: Path) -> Monitor:
    """Return charts of every series of the sample runs, one point a piece."""
    with open_store(sample_store, read_only=True) as store:
        return monitor(store, by="piece")


@pytest.fixture(scope="session")
def october(sample_store: Path) -> Month:
    """Return the last month of the sample runs: two things have gone wrong by then."""
    with open_store(sample_store, read_only=True) as store:
        return month_study(store, month("2026-10"))


@pytest.fixture(scope="session")
def april(sample_store: Path) -> Month:
    """Return the first month of the sample runs: too little history for limits."""
    with open_store(sample_store, read_only=True) as store:
        return month_study(store, month("2026-04"))


@pytest.fixture(scope="session")
def made_up(sample_plan: Plan) -> Callable[..., Monitor]:
    """Return a function that charts a made-up history of the sample plan, one row a piece."""

    def make(
        values: np.ndarray, *, moulds: list[str] | None = None, events: pd.DataFrame | None = None,
        times: np.ndarray | None = None, baseline: str | None = None, **plan: Any,
    ) -> Monitor:  # fmt: skip
        rows = len(values)
        at = times if times is not None else _daily(rows)
        runs = pd.DataFrame({
            "run_id": [f"r{i}" for i in range(rows)], "piece_id": [f"p{i}" for i in range(rows)],
            "serial": [f"S{i:04d}" for i in range(rows)], "run": "1", "batch": "",
            "mould": moulds or ["M1"] * rows, "measured_at": at.astype("datetime64[us]"),
            "noise": 0.1 + 0.01 * values[:, 0], "worst_residual": 0.2 + 0.01 * values[:, 0],
            "hit_sd": 0.04 + 0.001 * values[:, 0],
        })  # fmt: skip
        own = replace(sample_plan, **plan)
        past = History(
            plan=own, geometry=plan_arrays(own), runs=runs, deviations=values,
            hit_sd=np.full(values.shape, 0.04), hits=np.full(values.shape, 3.0), superseded=0,
            unaligned=0, undated=0,
        )  # fmt: skip
        nothing = pd.DataFrame({"happened_at": pd.Series([], dtype="datetime64[us]"),
                                "kind": [], "mould": [], "note": []})  # fmt: skip
        return charted(past, nothing if events is None else events, by="piece", baseline=baseline)

    return make


def _daily(rows: int) -> np.ndarray:
    return np.datetime64("2026-01-01T08:00") + np.arange(rows) * np.timedelta64(1, "D")


class Visit:
    """A page opened, and whatever it complained of or asked for."""

    def __init__(self, browser: Any, path: Path, size: tuple[int, int], scheme: str) -> None:
        self.context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, offline=True,
            accept_downloads=True,
        )  # fmt: skip
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.asked: list[str] = []
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", self._heard)
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())
        self.page.wait_for_selector("html[data-ready=yes]")

    def _heard(self, message: Any) -> None:
        if message.type == "error":
            self.complaints.append(message.text)

    def outside(self) -> list[str]:
        """Return what was asked for beyond the file itself."""
        return [url for url in self.asked if not url.startswith(("file:", "data:", "blob:"))]


@pytest.fixture
def visit(browser: Any) -> Iterator[Any]:
    """Return a function that opens a page; every complaint fails the test at its end."""
    opened: list[Visit] = []

    def go(path: Path, size: tuple[int, int] = DESK, scheme: str = "light") -> Visit:
        opened.append(Visit(browser, path, size, scheme))
        return opened[-1]

    yield go
    for one in opened:
        one.context.close()
        assert not one.complaints
        assert not one.outside()
