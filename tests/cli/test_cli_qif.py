"""A month's statistics as a QIF document: as the standard asks, the month's own figures, read back.

The outside check is tests/reference/qif_statistics_elements.json: names, order, occurrence and
simple types of ISO 23952:2020, restated from the published schemas.
"""

import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from math import inf, isfinite
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from helpers import Outcome, fill
from qif_schema import SPACE, texts, values, wrongs
from strategies import box, csv_text, dated_runs, hit_rows, plan_toml, probed

from spc.ingest.checked import Declared
from spc.ingest.results import read_file
from spc.pages.qif_document import qif_document
from spc.plan import Plan
from spc.store.connection import open_store
from spc.studies.intake import take_file
from spc.studies.month import Month, month_study
from spc.studies.spans import month

Command = Callable[..., Outcome]
SHIFTED, BELOW, ABOVE = "<script>alert(1)</script>", "a & \"b\" 'c' ]]>", "Ölwanne 🛠 日本"
FREE, UNREAD, UNEVEN = "free", "never read", "uneven"
TOLERANCES = {
    BELOW: (-inf, 0.5), ABOVE: (-0.6, inf), FREE: (None, None), UNEVEN: (-0.3, 1.1),
}  # fmt: skip
CAUSE, ACTION = 'new "resin" & <mould>', "limits kept; see 5 < 6"


def hostile() -> Plan:
    """Return a plan whose names are anything but names, with every kind of tolerance."""
    plan = box(check=6, part="<P&1>", revision="Ä")
    names = iter((SHIFTED, BELOW, ABOVE, FREE, UNREAD, UNEVEN))
    points = []
    for p in plan.points:
        name = next(names) if p.role == "check" else p.id
        lower, upper = TOLERANCES.get(name, (p.lower, p.upper))
        points.append(replace(p, id=name, lower=lower, upper=upper))
    return replace(plan, points=tuple(points))


def filled(folder: Path, plan: Plan, deviations: Any, runs: list[dict[str, object]]) -> Path:
    """Return a store of these pieces."""
    hits = probed(plan, deviations, np.random.default_rng(5))
    hits[:, [p.id == UNREAD for p in plan.points]] = np.nan
    (folder / "plan.toml").write_text(plan_toml(plan), encoding="utf-8")
    (folder / "hits.csv").write_text(csv_text(hit_rows(plan, hits, runs)), encoding="utf-8")
    fill(folder / "s.duckdb", [folder / "hits.csv"], plan=folder / "plan.toml")
    return folder / "s.duckdb"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of two moulds, one of which moved at one point in its last batches."""
    plan, rng = hostile(), np.random.default_rng(3)
    runs = [{**run, "mould": "K<1>" if at % 8 < 4 else "K&2"}
            for at, run in enumerate(dated_runs(160, each=4))]  # fmt: skip
    deviations = rng.normal(0, 0.15, (160, len(plan.points)))
    moved = [r["mould"] == "K&2" for r in runs[120:]]
    at = [p.id for p in plan.points].index(SHIFTED)
    deviations[120:, at] += np.where(moved, 1.3, 0.0)
    return filled(tmp_path_factory.mktemp("qif"), plan, deviations, runs)


@pytest.fixture(scope="module")
def january(store: Path) -> Month:
    with open_store(store, read_only=True) as opened:
        return month_study(opened, month("2026-01"))


@pytest.fixture(scope="module")
def document(january: Month) -> bytes:
    return qif_document(january).data


def studies(data: bytes, kind: str) -> Iterator[ElementTree.Element]:
    """Yield results of one kind."""
    return ElementTree.fromstring(data).iter(f"{SPACE}{kind}StudyResults")


def figure(text: str | None) -> float:
    """Return a value as the program holds it; NaN where it is absent."""
    return float("nan") if text is None else float(text)


# The standard.


def test_the_document_is_as_the_standard_asks(document: bytes) -> None:
    assert wrongs(document) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<UnitName>mm</UnitName>", ""),
        ('versionQIF="3.0.0"', 'versionQIF="3.0.1"'),
        ('<FeatureDefinitions n="1">', '<FeatureDefinitions n="2">'),
        ("<DefinedAsLimit>true</DefinedAsLimit>", "<DefinedAsLimit>yes</DefinedAsLimit>"),
        ("<Limit>1.33</Limit>", "<Limit>1.33e0</Limit>"),
        ("<SampleSize>", "<SampleSize>-"),
        ("<QPId>", "<QPId>x"),
        ("<StudyId>", "<StudyId>9"),
        ("<Status>", "<Name>early</Name><Status>"),
        (' id="3"', ' id="2"'),
    ],
)
def test_the_check_finds_what_is_wrong(document: bytes, old: str, new: str) -> None:
    text = document.decode()
    assert old in text
    assert wrongs(text.replace(old, new, 1).encode())


def test_names_are_text_and_never_markup(document: bytes) -> None:
    names = {SHIFTED, BELOW, ABOVE, FREE, UNREAD, UNEVEN}
    assert names <= set(texts(document, "PointFeatureItem/FeatureName"))
    assert b"<script>" not in document
    assert texts(document, "Part/ModelNumber") == ["<P&1>"]


def test_what_xml_cannot_hold_is_shown_as_such(january: Month) -> None:
    first, *rest = january.plan.points
    plan = replace(january.plan, points=(replace(first, id="nul\x00\x08\ud800\ufffe"), *rest))
    data = qif_document(replace(january, plan=plan)).data
    assert wrongs(data) == []
    assert "nul\ufffd\ufffd\ufffd\ufffd" in texts(data, "PointFeatureItem/FeatureName")


# The figures.


def test_the_month_s_readings_are_those_of_the_tables(january: Month, document: bytes) -> None:
    assert {s.point for s in january.points if s.n} == {SHIFTED, BELOW, ABOVE, FREE, UNEVEN}
    for state in january.points:
        if not state.n:
            continue
        told = values(document, f"January 2026, {state.point}")
        assert told["TotalNumber"] == str(january.runs)
        assert told["EffectiveNumber"] == str(state.n)
        for name in ("mean", "largest", "smallest", "sd"):
            word = {"mean": "Average", "largest": "Maximum", "smallest": "Minimum",
                    "sd": "StandardDeviation"}[name]  # fmt: skip
            assert float(told[word]) == getattr(state, name)


def test_the_standard_deviation_is_the_plain_one_of_the_readings(store: Path) -> None:
    """numpy is the reference; readings come straight from the store."""
    with open_store(store, read_only=True) as opened:
        found = month_study(opened, month("2026-01"))
        rows = opened.frame("SELECT deviation FROM deviation WHERE point = ?", [UNEVEN])
    state = next(s for s in found.points if s.point == UNEVEN)
    assert state.n == len(rows) == 160
    assert state.sd == pytest.approx(np.std(rows["deviation"], ddof=1), rel=1e-12)


def test_pieces_outside_are_counted_on_their_side(january: Month, document: bytes) -> None:
    outside = {s.point: s.outside for s in january.points}
    assert min(outside[SHIFTED], outside[BELOW], outside[UNEVEN]) > 0
    over, under = "NumberOverUpperTolerance", "NumberUnderLowerTolerance"
    for point, side, other in ((SHIFTED, over, under), (BELOW, over, under)):
        told = values(document, f"January 2026, {point}")
        assert told["NumberOutOfTolerance"] == told[side] == str(outside[point])
        assert told[other] == "0"
    assert not {"NumberOutOfTolerance", over, under} & set(
        values(document, f"January 2026, {FREE}")
    )


def test_capability_is_that_of_the_tables_and_what_is_withheld_is_absent(
    january: Month, document: bytes
) -> None:
    read = [p for p in january.capability.points if p.n]
    assert {isfinite(p.ppk) for p in read} == {True, False}
    for point in read:
        told = values(document, f"capability, {point.point}")
        for name in ("cp", "cpk", "pp", "ppk", "cpm"):
            ours = getattr(point, name)
            assert figure(told.get(name.capitalize())) == pytest.approx(ours, abs=0, nan_ok=True)
        assert told["NumberSubgroups"] == str(point.batches)
    limits = texts(document, "CapabilityStudyPlan/PpkThreshold/Limit")
    assert set(limits) == {"1.33"}


def test_charts_are_one_a_mould_with_the_limits_in_force(january: Month, document: bytes) -> None:
    chart = january.monitor
    column = chart.series.names.index(UNEVEN)
    for mould in ("K<1>", "K&2"):
        told = values(document, f"chart of {mould}, {UNEVEN}")
        row = chart.newest(column, mould)
        assert float(told["UpperControlLimit"]) == chart.upper[row, column]
        assert float(told["LowerControlLimit"]) == chart.lower[row, column]
        assert told["NumberSubgroups"] == "20"
        assert told["TotalNumber"] == "80"


def test_a_signal_is_an_issue_and_no_signal_is_none(january: Month, document: bytes) -> None:
    mine = {(s.series, s.mould): s for s in january.listed}
    assert (SHIFTED, "K&2") in mine
    named = {r.findtext(f"{SPACE}Name"): r for r in studies(document, "Production")}
    points = {p.id for p in january.plan.check_points}
    assert set(named) == {f"chart of {m}, {s}" for s, m in mine if s in points}
    shifted = named[f"chart of K&2, {SHIFTED}"]
    codes = [e.text for e in shifted.iter(f"{SPACE}ControlIssueEnum")]
    assert "OOC" in codes
    # Five batches of the moved mould, each far beyond the limit; the other charts stand still.
    assert int(values(document, f"chart of K&2, {SHIFTED}")["NumberOutOfControl"]) >= 5
    assert any(r.findtext(f"{SPACE}Name") == f"chart of K<1>, {FREE}"
               for r in studies(document, "Simple"))  # fmt: skip


def test_an_answer_stands_with_its_signal(store: Path, tmp_path: Path, spc: Command) -> None:
    kept = tmp_path / "answered.duckdb"
    kept.write_bytes(store.read_bytes())
    listed = json.loads(spc("signals", "list", "--json", "--store", kept).out)["signals"]
    signal = next(s["signal_id"] for s in listed if s["series"] == SHIFTED)
    words = ("--cause", CAUSE, "--action", ACTION, "--store", kept)
    assert spc("signals", "ack", signal, *words).status == 0
    assert spc("export", "2026-01", "--qif", "--folder", tmp_path, "--store", kept).status == 0
    data = next(tmp_path.glob("*.qif")).read_bytes()
    assert wrongs(data) == []
    assert texts(data, "AssignableCause/Description") == [CAUSE]
    assert texts(data, "CorrectiveAction/ActionToTake") == [ACTION]
    assert len(texts(data, "StudyIssue/AssignableCauseIds")) == 1


def test_open_signals_name_no_cause(document: bytes) -> None:
    assert texts(document, "CorrectiveActionPlans") == []
    assert texts(document, "StudyIssue/AssignableCauseIds") == []


def test_a_gauge_study_is_that_of_the_month(tmp_path: Path) -> None:
    plan, rng = box(check=2), np.random.default_rng(7)
    past = filled(tmp_path, plan, rng.normal(0, 0.3, (24, len(plan.points))), dated_runs(24))
    runs = [
        {"serial": f"P{p:04d}", "run": f"S-{p}-{o}-{s}", "batch": "B000", "mould": "M1",
         "measured_at": f"2026-01-20T{8 + p:02d}:{10 * o + s:02d}:00Z", "unit": "mm",
         "operator": "abc"[o], "study": "S1"}
        for p in range(4) for o in range(3) for s in range(2)
    ]  # fmt: skip
    pieces = np.repeat(rng.normal(0, 0.3, (4, len(plan.points))), 6, axis=0)
    hits = probed(plan, pieces + rng.normal(0, 0.05, pieces.shape), rng)
    (tmp_path / "study.csv").write_text(csv_text(hit_rows(plan, hits, runs)), encoding="utf-8")
    with open_store(past) as opened:
        take_file(opened, read_file(tmp_path / "study.csv", Declared()), "tester")
        found = month_study(opened, month("2026-01"))
    assert found.gauge is not None
    data = qif_document(found).data
    assert wrongs(data) == []
    for at, point in enumerate(found.gauge.points):
        told = values(data, f"gauge study S1, {point}")
        of = found.gauge.quantities
        assert float(told["GageRandR"]) == of.gauge.value[at]
        assert float(told["AppraiserVariation"]) == of.sd["operator"].value[at]
        assert float(told["TotalVariation"]) == of.total.value[at]
        assert "EquipmentVariation" not in told
    design = [texts(data, f"GageRandRStudyPlan/NumberOf{what}")[0]
              for what in ("Appraisers", "Parts", "Trials")]  # fmt: skip
    assert design == ["3", "4", "2"]
    by_day = replace(found, gauge=replace(found.gauge, second="day"))
    assert texts(qif_document(by_day).data, "GageRandRStudyPlan") == []


# Our own reader.


def test_a_plan_drafted_from_it_has_the_points_and_zones(
    document: bytes, tmp_path: Path, spc: Command
) -> None:
    (tmp_path / "month.qif").write_bytes(document)
    assert spc("plan", "draft", tmp_path / "month.qif", "--to", tmp_path / "p.toml").status == 0
    drafted = tomllib.loads((tmp_path / "p.toml").read_text(encoding="utf-8"))
    assert (drafted["part"], drafted["revision"], drafted["unit"]) == ("<P&1>", "Ä", "mm")
    found = {p["id"]: p for p in drafted["point"]}
    assert list(found) == [p.id for p in hostile().points]
    for point in hostile().points:
        assert found[point.id]["nominal"] == list(point.nominal)
        assert found[point.id]["normal"] == list(point.normal)
        zone = found[point.id].get("tolerance")
        # A zone that is open to a side is no profile; the guide says so.
        open_zone = point.id in (BELOW, ABOVE, FREE)
        assert zone == (None if open_zone else [point.lower, point.upper])


def test_it_holds_no_runs_to_take(document: bytes, store: Path, spc: Command) -> None:
    Path("month.qif").write_bytes(document)
    assert spc("ingest", "month.qif", "--store", store).status == 2


# The command.


def test_the_same_month_is_the_same_document(store: Path, tmp_path: Path, spc: Command) -> None:
    days = ("--from", "2026-01-01", "--to", "2026-01-31")
    for name, words in (("a", ("2026-01",)), ("b", ("2026-01",)), ("c", days)):
        command = ("export", *words, "--qif", "--folder", tmp_path / name, "--store", store)
        assert spc(*command).done("_P_1_-Ä-", "-2026-01.qif: ", " studies")
    files = [next((tmp_path / n).glob("*")).read_bytes() for n in "abc"]
    assert files[0] == files[1] == files[2]
    assert len(list((tmp_path / "a").iterdir())) == 1


def test_other_days_are_another_document(store: Path, tmp_path: Path, spc: Command) -> None:
    words = ("--from", "2026-01-05", "--to", "2026-01-06", "--qif", "--json")
    said = json.loads(spc("export", *words, "--folder", tmp_path, "--store", store).out)
    assert [set(row) for row in said] == [{"path", "rows"}]
    data = Path(said[0]["path"]).read_bytes()
    assert wrongs(data) == []
    assert len(texts(data, "StatisticalStudiesResults/*")) == said[0]["rows"]
    assert said[0]["path"].endswith("2026-01-05_2026-01-06.qif")
    told = values(data, f"2026-01-05 to 2026-01-06, {FREE}")
    assert told["EffectiveNumber"] == "40"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("2025-12", "--qif"), ("nothing of <P&1> Ä was measured in December 2025",)),
        (("2026-13", "--qif"), ("'2026-13' is not a month",)),
        (("--qif",), ("no month is named",)),
        (("2026-01", "--qif", "--xlsx"), ("--xlsx and --qif are two files",)),
        (("--parquet", "--qif"), ("--parquet is of the whole store",)),
    ],
)
def test_what_cannot_be_written_is_refused_in_one_line(
    words: tuple[str, ...], said: tuple[str, ...], store: Path, tmp_path: Path, spc: Command
) -> None:
    folder = tmp_path / "new"
    assert spc("export", *words, "--folder", folder, "--store", store).refused(*said)
    assert not folder.exists()


def test_one_piece_has_its_reading_and_no_spread(tmp_path: Path, spc: Command) -> None:
    plan = box(check=1)
    one = filled(tmp_path, plan, np.full((1, len(plan.points)), 0.1), dated_runs(1))
    assert spc("export", "2026-01", "--qif", "--folder", tmp_path, "--store", one).status == 0
    data = (tmp_path / "BX-1-A-2026-01.qif").read_bytes()
    assert wrongs(data) == []
    told = values(data, "January 2026, check-1")
    assert told["EffectiveNumber"] == "1"
    assert "StandardDeviation" not in told
    assert not {"Cp", "Cpk", "Pp", "Ppk", "Cpm"} & set(values(data, "capability, check-1"))
    chart = values(data, "chart of M1, check-1")
    assert not {"UpperControlLimit", "LowerControlLimit", "NumberOutOfControl"} & set(chart)


def test_a_month_without_a_reading_at_a_check_point_is_refused(
    tmp_path: Path, spc: Command
) -> None:
    plan = box(check=1)
    *fit, check = plan.points
    plan = replace(plan, points=(*fit, replace(check, id=UNREAD)))
    none = filled(tmp_path, plan, np.zeros((3, len(plan.points))), dated_runs(3))
    words = ("export", "2026-01", "--qif", "--folder", tmp_path / "new", "--store", none)
    assert spc(*words).refused("no check point was read in January 2026", "CSV")
    assert not (tmp_path / "new").exists()
