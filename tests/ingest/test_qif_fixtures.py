"""The QIF documents that tests are fed with, held against the standard's order and occurrence.

The outside check is tests/reference/qif_results_elements.json, restated from notes on the schemas
of ISO 23952:2020; the order within types is from memory there, and says so.
"""

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from qif_documents import Characteristic, Component, Doc, Feature, Hits
from qif_schema import REFERENCE, RESULTS, wrongs
from strategies import box, probed

PLAN = box(check=2)
RNG = np.random.default_rng(8)
LAID = probed(PLAN, RNG.normal(0, 0.2, (2, len(PLAN.points))), RNG, hits=2)


def features(hits: bool, **more: str) -> list[Feature]:
    """Return features measured in two runs, by hits or by their place."""
    told = []
    for at, p in enumerate(PLAN.points):
        one = Feature(name=p.id, nominal=p.nominal, normal=p.normal, **more)  # type: ignore[arg-type]
        if hits:
            one.hits = {r: Hits(positions=LAID[r, at].tolist()) for r in range(2)}
        else:
            one.locations = {r: LAID[r, at, 0].tolist() for r in range(2)}
        told.append(one)
    return told


def characteristics(**more: object) -> list[Characteristic]:
    """Return a profile at each point."""
    return [
        Characteristic(name=f"profile {p.id}", features=[p.id], statuses={1: "FAIL"},
                       values={r: "<Value>-1.25e-1</Value>" for r in range(2)}, **more)  # type: ignore[arg-type]
        for p in PLAN.points
    ]  # fmt: skip


PIECES = [Component(serial="S1", trace="<LotNumber>B1</LotNumber>"), Component(serial="S2")]
CENTRES = Hits(positions=[[0.0, 0.0, 0.0]], compensated="<Compensated>false</Compensated>",
               radius="<ProbeRadius>3</ProbeRadius>", normals="<Normals>0 0 1</Normals>",
               times="<TimeStamp>2026-04-02T10:50:00Z</TimeStamp>")  # fmt: skip
GOOD: dict[str, Doc] = {
    "hits": Doc(features=features(True), components=PIECES),
    "places": Doc(features=features(False), components=PIECES),
    "hits and profiles": Doc(features=features(True), characteristics=characteristics(),
                             components=PIECES),
    "places and profiles by item": Doc(features=features(False), components=PIECES,
                                       characteristics=characteristics(by_item=True)),
    "times and names of each measurement": Doc(
        features=features(False, stamp="2026-04-02T10:50:00Z", measured_name="other",
                          uuid="11111111-2222-4333-8444-555555555556"),
        characteristics=characteristics(stamp="2026-04-02T10:50:00Z"), components=PIECES,
        run_qpids={0: "11111111-2222-4333-8444-555555555557"},
    ),
    "centres of the ball": Doc(features=[Feature(name="p", hits={0: CENTRES})]),
    "inches": Doc(features=features(True), components=PIECES, unit="inch"),
}  # fmt: skip


@pytest.mark.parametrize("name", GOOD)
def test_a_document_of_the_tests_is_as_the_standard_asks(name: str) -> None:
    assert wrongs(GOOD[name].bytes(), RESULTS) == []


def _swap(text: str) -> str:
    one, two = "<Status><CharacteristicStatusEnum>", "<CharacteristicItemId>"
    start, item = text.index(one), text.index(two)
    end = text.index("</CharacteristicItemId>") + len("</CharacteristicItemId>")
    return text[:start] + text[item:end] + text[start:item] + text[end:]


SPOILED: dict[str, tuple[Callable[[str], str], str]] = {
    "another order": (_swap, "Status has no place there"),
    "an identity twice": (lambda t: t.replace('<Part id="1">', '<Part id="100">'), "an id twice"),
    "a reference into nowhere": (
        lambda t: t.replace("<WholePointSetId>", "<WholePointSetId>9"), "leads nowhere"),
    "a count that is wrong": (
        lambda t: t.replace('<MeasurementResultsSet n="2">', '<MeasurementResultsSet n="3">'),
        "3, and 2 children"),
    "a status of no standard": (lambda t: t.replace(">FAIL<", ">BAD<"), "'BAD' is no Char"),
    "no status of the piece": (
        lambda t: t.replace(
            "<Status><InspectionStatusEnum>UNKNOWN</InspectionStatusEnum></Status>", ""),
        "0 of Status"),
    "an element of the older version": (
        lambda t: t.replace("MeasurementResultsSet", "MeasurementsResults"),
        "MeasurementsResults has no place there"),
    "two places": (
        lambda t: t.replace("</PointFeatureMeasurement>",
                            "<Location>0 0 0</Location><Location>0 0 0</Location>"
                            "</PointFeatureMeasurement>", 1),
        "Location has no place there"),
    "two numbers where three belong": (
        lambda t: t.replace("<Normal>0.0 0.0 1.0<", "<Normal>0.0 1.0<", 1), "is no UnitVectorType"),
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILED)
def test_what_the_standard_does_not_ask_is_found(name: str) -> None:
    spoil, words = SPOILED[name]
    good = GOOD["hits and profiles"]
    spoiled = replace(good, edit=spoil).bytes()
    assert spoiled != good.bytes()
    assert any(words in wrong for wrong in wrongs(spoiled, RESULTS))


def test_the_table_says_of_each_type_whence_it_is() -> None:
    table = json.loads((REFERENCE / "qif_results_elements.json").read_text("utf-8"))
    for name, kind in table["types"].items():
        assert "memory" in kind["read"] or kind["read"] == "notes", name
