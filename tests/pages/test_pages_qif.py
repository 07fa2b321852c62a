"""The month's statistics as QIF 3.0: the schemas' order and words, and our own figures."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from math import isfinite
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, fromstring, tostring

import numpy as np
import pytest
from helpers import SAMPLES, Outcome

from spc.ingest.plan_toml import read_plan
from spc.pages.qif_plan import number
from spc.pages.qif_statistics import NAMESPACE, document, write_statistics
from spc.studies.month import Month

Command = Callable[..., Outcome]
#: Order, number and words of the standard's elements, with the schemas and types they are from.
SCHEMA = json.loads((SAMPLES.parent / "tests/reference/qif_statistics_schema.json").read_text())
STATS = "PointProfileCharacteristicStats"


def kinds(element: Element) -> list[str]:
    return [child.tag.split("}")[-1] for child in element]


def wrong(element: Element) -> list[str]:
    """Return what the schemas do not allow, here and below."""
    kind = element.tag.split("}")[-1]
    found, below = [], kinds(element)
    if kind in SCHEMA["children"]:
        names = [name for name, _, _ in SCHEMA["children"][kind]]
        found += [f"{kind}/{name}" for name in below if name not in names]
        places = [names.index(name) for name in below if name in names]
        found += [f"{kind}: order {below}"] if places != sorted(places) else []
        for name, least, most in SCHEMA["children"][kind]:
            if not least <= below.count(name) <= (most or len(below)):
                found.append(f"{kind}: {below.count(name)} {name}")
    if kind in SCHEMA["lists"]:
        found += [f"{kind}/{name}" for name in below if name not in SCHEMA["lists"][kind]]
        if not below or element.get("n") != str(len(below)):
            found.append(f"{kind}: n {element.get('n')} of {len(below)}")
    if kind in SCHEMA["one_of"] and (len(below) != 1 or below[0] not in SCHEMA["one_of"][kind]):
        found.append(f"{kind}: {below}")
    if kind in SCHEMA["enumerations"] and element.text not in SCHEMA["enumerations"][kind]:
        found.append(f"{kind}: {element.text}")
    if kind == "ValueStats":
        found += [problem for child in element for problem in wrong_value(child)] or (
            [] if below else ["an empty ValueStats"]
        )
    return found + [problem for child in element for problem in wrong(child)]


def wrong_value(child: Element) -> list[str]:
    kind, text = child.tag.split("}")[-1], child.text or ""
    if kind in SCHEMA["values"]["integers"]:
        return [] if re.fullmatch("[0-9]+", text) else [f"{kind}: {text}"]
    if kind in SCHEMA["values"]["decimals"]:
        return [] if re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?", text) else [f"{kind}: {text}"]
    return [f"ValueStats/{kind}"]


def read(root: Element) -> Element:
    """Return the document as another program reads it."""
    return fromstring(tostring(root, encoding="utf-8"))


def stats_of(root: Element, study: str, point: str) -> list[tuple[dict[str, str], dict[str, str]]]:
    """Return attributes and values of a point's statistics in a study."""
    space = {"q": NAMESPACE}
    found = []
    for one in root.findall(f".//q:{study}/q:CharacteristicsStats/q:{STATS}", space):
        told = {
            a.get("name", ""): a.get("value", "") for a in one.findall(".//q:AttributeStr", space)
        }
        if told["FeatureName"] == point:
            values = one.find("q:ValueStats", space)
            assert values is not None
            found.append((told, {c.tag.split("}")[-1]: c.text or "" for c in values}))
    return found


@pytest.mark.parametrize("name", ["october", "april"])
def test_a_month_is_written_in_the_order_of_the_schemas(
    name: str, request: pytest.FixtureRequest
) -> None:
    root = read(document(request.getfixturevalue(name)))
    assert wrong(root) == []
    numbers = [int(e.get("id", "0")) for e in root.iter() if e.get("id")]
    assert len(set(numbers)) == len(numbers)
    assert int(root.get("idMax", "0")) == max(numbers)
    known = {e.get("id") for e in root.iter()}
    for reference in ("FeatureDefinitionId", "FeatureNominalId", "CharacteristicDefinitionId",
                      "CharacteristicNominalId", "StudyIssueId", "Id"):  # fmt: skip
        assert {e.text for e in root.iter(f"{{{NAMESPACE}}}{reference}")} <= known


def test_what_the_schemas_do_not_allow_is_seen(october: Month) -> None:
    root = read(document(october))
    study = root.find(f".//{{{NAMESPACE}}}CapabilityStudyResults")
    assert study is not None
    study.remove(study[-1])
    assert any("0 NumberOfSamples" in problem for problem in wrong(root))


def test_figures_are_those_of_the_month(october: Month) -> None:
    root = read(document(october))
    able = {p.point: p for p in october.capability.points}
    for point in october.points:
        (_, values), *_ = stats_of(root, "ProductionStudyResults", point.point)
        assert int(values["TotalNumber"]) == point.n
        assert float(values["Average"]) == point.mean
        assert (float(values["Minimum"]), float(values["Maximum"])) == (
            point.smallest, point.largest
        )  # fmt: skip
        assert int(values["NumberOutOfTolerance"]) == point.outside
        ((told, indices),) = stats_of(root, "CapabilityStudyResults", point.point)
        mine = able[point.point]
        for name in ("Cp", "Cpk", "Pp", "Ppk", "Cpm"):
            value = getattr(mine, name.lower())
            # What is withheld is not there: neither zero nor empty.
            assert (name in indices) == isfinite(value)
            assert not isfinite(value) or float(indices[name]) == value
            low = getattr(mine, f"{name.lower()}_low")
            assert not isfinite(low) or float(told[f"{name} low"]) == low


def test_limits_of_each_mould_are_those_of_its_chart(october: Month) -> None:
    root = read(document(october))
    chart = october.monitor
    column = chart.series.names.index("tail-left")
    per_mould = stats_of(root, "ProductionStudyResults", "tail-left")[1:]
    assert [told["mould"] for told, _ in per_mould] == ["K1", "K2"]
    for told, values in per_mould:
        rows = [
            k for k, mould in enumerate(chart.rows.moulds)
            if mould == told["mould"] and chart.rows.times[k] >= np.datetime64("2026-10-01")
        ]  # fmt: skip
        assert int(values["NumberSubgroups"]) == len(rows)
        assert float(values["UpperControlLimit"]) == chart.upper[rows[-1], column]
        beyond = [
            not chart.lower[k, column] <= chart.values[k, column] <= chart.upper[k, column]
            for k in rows
        ]
        assert int(values["NumberOutOfControl"]) == sum(beyond)


def test_every_signal_of_a_check_point_is_an_issue(october: Month) -> None:
    root = read(document(october))
    check = {p.id for p in october.plan.check_points}
    signals = [s for s in october.listed if s.series in check]
    assert len(list(root.iter(f"{{{NAMESPACE}}}ControlIssueDetails"))) == len(signals) > 5
    answered = replace(signals[0], cause="lot <131>", reaction='"held"', state="answered")
    told = replace(october, listed=(answered,))
    texts = [e.text for e in read(document(told)).iter(f"{{{NAMESPACE}}}Resolution")]
    assert texts == ['lot <131>; "held"']


def test_a_month_without_signals_asks_for_no_issue(october: Month) -> None:
    quiet = read(document(replace(october, listed=())))
    assert wrong(quiet) == []
    assert {"SimpleStudyResults", "CapabilityStudyResults"} == {
        child.tag.split("}")[-1] for child in quiet.iter() if child.tag.endswith("StudyResults")
    }


@pytest.mark.parametrize("name", ["<script>&\"'", "žluť 🌾", "a\x00b\ufffe", "]]>"])
def test_hostile_names_are_text(name: str, october: Month, tmp_path: Path) -> None:
    first = october.points[0].point
    plan = replace(october.plan, part=name, points=tuple(
        replace(p, id=name) if p.id == first else p for p in october.plan.points
    ))  # fmt: skip
    points = tuple(replace(p, point=name) if p.point == first else p for p in october.points)
    names = tuple(name if n == first else n for n in october.monitor.series.names)
    monitor = replace(october.monitor, series=replace(october.monitor.series, names=names))
    told = replace(october, plan=plan, points=points, monitor=monitor, listed=())
    write_statistics(tmp_path / "x.qif", told)
    root = fromstring((tmp_path / "x.qif").read_bytes())
    assert wrong(root) == []
    shown = re.sub("[\x00\ufffe]", "\ufffd", name)
    model = root.find(f".//{{{NAMESPACE}}}ModelNumber")
    assert model is not None
    assert model.text == shown
    assert shown in {e.text for e in root.iter(f"{{{NAMESPACE}}}FeatureName")}


@pytest.mark.parametrize(
    ("lower", "upper"), [(None, None), (-1.0, None), (None, 0.5), (-1.0, 1.0), (-0.3, 0.1)]
)
def test_a_zone_of_two_sides_is_a_characteristic(
    lower: float | None, upper: float | None, october: Month
) -> None:
    first = october.plan.check_points[0].id
    plan = replace(october.plan, points=tuple(
        replace(p, lower=lower, upper=upper) if p.id == first else p for p in october.plan.points
    ))  # fmt: skip
    root = read(document(replace(october, plan=plan)))
    assert wrong(root) == []
    items = [e.text for e in root.iter(f"{{{NAMESPACE}}}Name")]
    assert (first in items) == (lower is not None and upper is not None)
    (told, _), *_ = stats_of(root, "ProductionStudyResults", first)
    assert ("CharacteristicItemId" in told) == (first in items)


@pytest.mark.parametrize(
    ("value", "text"), [(1e-7, "0.0000001"), (-2.5e-10, "-0.00000000025"), (1e22, "1" + "0" * 22),
                        (0.1, "0.1"), (-0.0, "-0.0")],
)  # fmt: skip
def test_decimals_have_no_exponent(value: float, text: str) -> None:
    assert number(value) == text
    assert float(text) == value


def test_our_own_reader_gets_the_plan_back(sample_copy: Path, tmp_path: Path, spc: Command) -> None:
    words = ("export", "2026-10", "--qif", "--folder", tmp_path, "--store", sample_copy)
    assert spc(*words).done("LH-640-C-2026-10.qif: 96 rows")
    plan = read_plan(SAMPLES / "LH-640.toml")[0]
    names = ",".join(p.id for p in plan.fit_points)
    drafted = spc("plan", "draft", tmp_path / "LH-640-C-2026-10.qif", "--fit", names, "--to",
                  tmp_path / "hood.toml")  # fmt: skip
    assert drafted.done("Wrote", "33 points, 9 of them for the fit")
    again = read_plan(tmp_path / "hood.toml")[0]
    for one, other in zip(again.points, plan.points, strict=True):
        assert (one.id, one.role, one.nominal, one.normal) == (
            other.id, other.role, other.nominal, other.normal
        )  # fmt: skip
        if other.role == "check":
            assert (one.lower, one.upper) == pytest.approx((other.lower, other.upper), abs=1e-12)
    # Statistics hold no readings: taken for results they are refused, and the store stays.
    assert spc("ingest", tmp_path / "LH-640-C-2026-10.qif", "--store", sample_copy).status == 2


def test_the_same_month_is_the_same_document(
    sample_store: Path, tmp_path: Path, spc: Command
) -> None:
    for name in "ab":
        words = ("export", "2026-10", "--qif", "--folder", tmp_path / name)
        assert spc(*words, "--store", sample_store).status == 0
    files = [(tmp_path / n / "LH-640-C-2026-10.qif").read_bytes() for n in "ab"]
    assert files[0] == files[1]


def test_what_does_not_go_together_is_one_line(
    sample_store: Path, tmp_path: Path, spc: Command
) -> None:
    tail: tuple[Any, ...] = ("--folder", tmp_path / "new", "--store", sample_store)
    assert spc("export", "2026-10", "--qif", "--xlsx", *tail).refused("--xlsx and --qif")
    assert spc("export", "--parquet", "--qif", *tail).refused("--parquet is of the whole store")
    assert spc("export", "2020-01", "--qif", *tail).status == 2
    assert not (tmp_path / "new").exists()
