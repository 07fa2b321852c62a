"""QIF 3.0 Results: what is read, and each trap that real documents hold.

Documents are written after the schemas of ISO 23952; what is expected comes from the numbers that
were put in, or from the same numbers offered as CSV.
"""

import base64
import csv
import json
import shutil
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers import Outcome, contents
from qif_documents import Characteristic, Component, Doc, Feature, Hits, numbers, unit_xml
from qif_reading import (
    PLAN,
    POINTS,
    Array,
    aligned_places,
    features,
    own_deviations,
    read,
    refused,
    said,
)
from strategies import csv_text, hit_rows, plan_toml, probed

from spc.ingest.checked import Declared, Lookup

Command = Callable[..., Outcome]


@pytest.fixture(scope="module")
def hits() -> Array:
    """Return hits of two pieces of the box, three a point, in poses of their own."""
    rng = np.random.default_rng(5)
    return probed(PLAN, rng.normal(0, 0.3, (2, POINTS)), rng)


@pytest.fixture(scope="module")
def aligned() -> Array:
    """Return locations of one piece in the part's own frame: nominal plus deviation."""
    return aligned_places()


# --- what is read --------------------------------------------------------------------------------


def test_hits_come_into_the_store_as_those_of_a_csv_do(
    hits: Array, spc: Command, tmp_path: Path
) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    runs = [{"serial": f"S{r}", "run": f"aaaa{r}", "measured_at": "2026-04-02T10:50:00Z",
             "operator": "ana", "unit": "mm"} for r in range(2)]  # fmt: skip
    (tmp_path / "box.csv").write_text(csv_text(hit_rows(PLAN, hits, runs)))
    doc = Doc(features=features(hits), components=[Component(serial=f"S{r}") for r in range(2)],
              run_qpids={0: "AAAA0", 1: "aaaa1"})  # fmt: skip
    (tmp_path / "results.xml").write_bytes(doc.bytes())
    held = {}
    for name in ("box.csv", "results.xml"):
        store = tmp_path / f"{name}.duckdb"
        spc("init", "--store", store)
        spc("plan", "add", "box.toml", "--store", store)
        assert spc("ingest", name, "--store", store).done(f"2 runs from {2 * POINTS * 3} rows")
        held[name] = contents(store)
    runs_of = {n: {row[0] for row in h["run"]} for n, h in held.items()}
    assert runs_of["box.csv"] == runs_of["results.xml"]
    places = {n: sorted(row[:6] for row in h["hit"]) for n, h in held.items()}
    assert places["box.csv"] == places["results.xml"]


def test_the_same_document_again_changes_nothing(hits: Array, spc: Command, tmp_path: Path) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    doc = Doc(features=features(hits[:1]))
    (tmp_path / "a.qif").write_bytes(doc.bytes())
    (tmp_path / "b.qif").write_bytes(doc.bytes().replace(b"><", b">\n<"))
    spc("init")
    spc("plan", "add", "box.toml")
    assert spc("ingest", "a.qif").done("1 run from")
    assert spc("ingest", "a.qif").done("nothing changed")
    assert spc("ingest", "b.qif").done("nothing changed")


def test_locations_are_points_and_their_times_the_earliest(aligned: Array) -> None:
    found = features(None, aligned)
    found[3].stamp, found[4].stamp = "2026-04-02T09:00:00Z", "2026-04-02T08:30:00+02:00"
    results = read(Doc(features=found))
    assert results.depth == "points"
    assert np.array_equal(results.values[["x", "y", "z"]].to_numpy(), aligned[0])
    assert str(results.runs["measured_at"][0]) == "2026-04-02 06:30:00"
    assert results.runs["zone"][0] == "+02:00"
    assert results.warnings == ()


def test_deviations_are_taken_where_nothing_has_a_position() -> None:
    told = [Characteristic(name=f"c-{p.id}", features=[p.id], by_item=True,
                           values={0: f"<Value>{0.1 * at - 0.5!r}</Value>"})
            for at, p in enumerate(PLAN.points)]  # fmt: skip
    results = read(Doc(features=features(), characteristics=told))
    assert results.depth == "deviations"
    assert results.values["deviation"].tolist() == [0.1 * at - 0.5 for at in range(POINTS)]
    assert results.values["point"].tolist() == [p.id for p in PLAN.points]
    assert results.runs["measured_at"].notna().all()


def test_nominals_and_statuses_are_handed_on(aligned: Array) -> None:
    told = [Characteristic(name="c1", features=["top-1"], statuses={0: "REWORK"},
                           values={0: "<Value>9.0</Value>"})]  # fmt: skip
    results = read(Doc(features=features(None, aligned), characteristics=told))
    assert results.nominals is not None
    assert results.statuses is not None
    assert np.array_equal(results.nominals[["x", "y", "z"]].to_numpy(),
                          [p.nominal for p in PLAN.points])  # fmt: skip
    assert results.statuses.to_dict("records") == [
        {"characteristic": "c1", "point": "top-1", "value": 9.0, "lower": -1.5, "upper": 1.5,
         "reported": "REWORK", "recomputed": "FAIL", "line": results.statuses["line"][0], "key": 0}
    ]  # fmt: skip


def test_names_come_from_their_own_places(aligned: Array) -> None:
    processes = (
        '<ManufacturingProcessTraceabilities n="1"><ManufacturingProcessTraceability id="9">'
        "<MachineIdentifier>oven-2</MachineIdentifier><OperatorIdentifier>bob</OperatorIdentifier>"
        "<Path>mould K1, cavity 2</Path><ProcessParameters><Parameter><ParameterType>arm"
        "</ParameterType><ParameterValue>A7</ParameterValue></Parameter></ProcessParameters>"
        "</ManufacturingProcessTraceability></ManufacturingProcessTraceabilities>"
    )
    resources = (
        '<MeasurementResources><MeasurementDevices n="1"><PortableCMM id="8"><Name>arm-1</Name>'
        "</PortableCMM></MeasurementDevices></MeasurementResources>"
    )
    trace = ("<LotNumber> B07 </LotNumber><ManufacturingProcessId>9</ManufacturingProcessId>"
             "<InspectionOperator><EmployeeId>17</EmployeeId><Name>cleo</Name>"
             "</InspectionOperator>")  # fmt: skip
    own = '<Attributes n="1"><AttributeStr name="cavity" value="2"/></Attributes>'
    doc = Doc(
        features=features(None, aligned, device="8"), processes=processes, resources=resources,
        components=[Component(serial="S1", trace=trace, attributes=own)],
    )  # fmt: skip
    (run,) = read(doc).runs.to_dict("records")
    assert {k: run[k] for k in ("part", "revision", "serial", "batch", "operator", "device")} == {
        "part": "BX-1", "revision": "A", "serial": "S1", "batch": "B07", "operator": "cleo",
        "device": "arm-1",
    }  # fmt: skip
    assert (run["mould"], run["cavity"]) == ("", "")
    rules = {
        "mould": Lookup(place="Path", match=r"mould (\w+)"),
        "cavity": Lookup(place="Attribute:cavity"),
        "setup": Lookup(place="MachineIdentifier"),
        "study": Lookup(place="Parameter:arm"),
    }
    (run,) = read(doc, Declared(qif=rules)).runs.to_dict("records")
    assert [run[k] for k in rules] == ["K1", "2", "oven-2", "A7"]
    wrong = Declared(qif={"mould": Lookup(place="Path", match=r"tool (\w+)")})
    refused(doc, "'mould K1, cavity 2'", "does not match", declared=wrong)


def test_mapping_constants_and_file_name_fill_what_the_document_leaves_out(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), components=[Component(serial="")], part="")
    refused(doc, "tells no part number")
    refused(doc, "tells no serial", "[filename]", declared=Declared(constants={"part": "BX-1"}))
    both = Declared(constants={"part": "BX-1", "serial": "S7"})
    assert read(doc, both).runs["serial"].tolist() == ["S7"]
    named = Declared(constants={"part": "BX-1"}, file_name=(r"^(?P<serial>\w+)\.qif$",))
    assert read(doc, named).runs["serial"].tolist() == ["hood"]


def test_a_part_said_otherwise_is_told(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned))
    results = read(doc, Declared(constants={"part": "BX-9"}))
    assert results.runs["part"].tolist() == ["BX-9"]
    said(results, "part number is 'BX-1' in the document")


def test_sample_number_stands_for_a_serial(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned),
              components=[Component(serial="", trace="<SampleNumber>17</SampleNumber>")],
              )  # fmt: skip
    assert read(doc).runs["serial"].tolist() == ["17"]


def test_what_names_a_point_can_be_said(aligned: Array) -> None:
    found = features(None, aligned)
    for at, f in enumerate(found):
        f.uuid = f"ABCD-{at}"
    told = [Characteristic(name=f"c{at}", designator=f"K-{at}", features=[f.name],
                           values={0: "<Value>0.1</Value>"})
            for at, f in enumerate(found)]  # fmt: skip
    doc = Doc(features=found, characteristics=told)
    for place, first in (("UUID", "abcd-0"), ("CharacteristicName", "c0"), ("Designator", "K-0")):
        results = read(doc, Declared(qif={"point": Lookup(place=place)}))
        assert results.values["point"][0] == first


def test_the_measurement_s_own_name_goes_before_the_item_s(aligned: Array) -> None:
    found = features(None, aligned)
    found[0].measured_name = "renamed"
    found[1].item_reference, found[1].measured_name = "", "without item"
    results = read(Doc(features=found))
    assert results.values["point"].tolist()[:2] == ["renamed", "without item"]
    found[1].measured_name = ""
    refused(Doc(features=found), "a measured feature without FeatureName")


# --- hits ----------------------------------------------------------------------------------------


def test_centres_of_the_ball_are_brought_to_the_surface(aligned: Array) -> None:
    normal = np.array([p.normal for p in PLAN.points])
    found = features((aligned + 3.0 * normal)[:, :, None, :])
    for f in found:
        f.hits[0].compensated = "<Compensated>false</Compensated>"
        f.hits[0].radius = "<ProbeRadius>3.0</ProbeRadius>"
    results = read(Doc(features=found))
    assert np.allclose(results.values[["x", "y", "z"]].to_numpy(), aligned[0], rtol=0, atol=1e-12)
    said(results, f"{POINTS} hits that were centres of the ball")


def test_each_hit_may_be_compensated_or_not_with_a_ball_of_its_own(aligned: Array) -> None:
    normal = np.array([p.normal for p in PLAN.points])
    raised = np.stack([aligned[0], aligned[0] + 1.5 * normal], axis=1)[None]
    found = features(raised)
    for f, n in zip(found, normal, strict=True):
        f.hits[0].compensated = "<Compensations>true\n false</Compensations>"
        f.hits[0].radius = "<ProbeRadii>9.0 1.5</ProbeRadii>"
        f.hits[0].normals = f"<Normals>{numbers([*n, *n])}</Normals>"
    results = read(Doc(features=found))
    both = results.values[["x", "y", "z"]].to_numpy().reshape(POINTS, 2, 3)
    assert np.allclose(both, aligned[0][:, None], rtol=0, atol=1e-12)


def test_centres_in_another_frame_need_normals_of_their_own(hits: Array) -> None:
    found = features(hits[:1])
    for f in found:
        f.hits[0].compensated = "<Compensated>0</Compensated>"
        f.hits[0].radius = "<ProbeRadius>3.0</ProbeRadius>"
        f.hits[0].frame = "<CoordinateSystemId>77</CoordinateSystemId>"
    refused(Doc(features=found), "centres of the ball", "no normal in the frame")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"radius": ""}, "no radius of the ball"),
        ({"normals": "<Normals>0 0 2</Normals>"}, "not 1 long"),
        ({"normals": "<Normals>0 0 -1</Normals>"}, "points into the material"),
    ],
)
def test_centres_without_what_is_needed_are_refused(change: dict[str, str], words: str) -> None:
    top = Feature(name="top", nominal=(0, 0, 5), normal=(0, 0, 1))
    top.hits[0] = Hits(positions=[(0, 0, 8)], compensated="<Compensated>false</Compensated>",
                       radius="<ProbeRadius>3</ProbeRadius>")  # fmt: skip
    for key, value in change.items():
        setattr(top.hits[0], key, value)
    refused(Doc(features=[top]), "hits of 'top'", words)


def test_it_must_be_said_whether_hits_are_compensated(hits: Array) -> None:
    found = features(hits[:1])
    found[0].hits[0].compensated = ""
    refused(Doc(features=found), "not said of every point whether it is compensated")


def test_comments_between_numbers_do_not_count(hits: Array) -> None:
    found = features(hits[:1])
    flat = numbers(hits[0, 0].ravel()).replace(" ", " <!-- 1 2 3 -->\n", 4)
    found[0].hits[0].points = f"<Points>{flat}</Points>"
    assert np.array_equal(read(Doc(features=found)).values[["x", "y", "z"]].to_numpy()[:3],
                          hits[0, 0])  # fmt: skip


@pytest.mark.parametrize(("kind", "digits"), [("d", 0.0), ("f", 1e-3)])
def test_packed_points(hits: Array, kind: str, digits: float) -> None:
    found = features(hits[:1])
    flat = hits[0, 0].ravel()
    packed = base64.b64encode(struct.pack(f"<9{kind}", *flat)).decode()
    found[0].hits[0].points = f'<BinaryPoints count="9">{packed[:7]}\n{packed[7:]}</BinaryPoints>'
    first = read(Doc(features=found)).values[["x", "y", "z"]].to_numpy()[:3]
    assert np.allclose(first, hits[0, 0], rtol=0, atol=digits)
    found[0].hits[0].points = f"<BinaryPoints>{packed[:-4]}</BinaryPoints>"
    refused(Doc(features=found), "BinaryPoints holds")
    found[0].hits[0].points = "<BinaryPoints>*</BinaryPoints>"
    refused(Doc(features=found), "no packed list")


def test_ranges_and_single_points_of_a_shared_set(hits: Array) -> None:
    rows = hits[0].reshape(-1, 3)
    shared = Feature(name="shared", hits={0: Hits(positions=rows.tolist())})
    told = Doc(features=[*features(hits[:1]), shared]).text()
    sets = [part.split("<")[0] for part in told.split("<WholePointSetId>")[1:]]
    span = f'<RangePointSetId range="2 3">{sets[-1]}</RangePointSetId>'
    single = f'<SinglePointSetId index="4">{sets[-1]}</SinglePointSetId>'
    told = told.replace(f"<WholePointSetId>{sets[0]}</WholePointSetId>", span + single)
    values = read(told).values
    first = values[values["point"] == PLAN.points[0].id]
    assert np.array_equal(first[["x", "y", "z"]].to_numpy(), rows[1:4])
    assert first["hit"].tolist() == [1, 2, 3]
    for wrong in ("0 2", "2 99", "3 2", "x", ""):
        refused(told.replace('range="2 3"', f'range="{wrong}"'), "RangePointSetId takes")


def test_a_list_that_is_not_as_long_as_it_says_is_refused(hits: Array) -> None:
    found = features(hits[:1])
    found[2].hits[0].count = 4
    refused(Doc(features=found), "Points lists 9 numbers where 12 belong")
    found[2].hits[0].count, found[2].hits[0].points = 3, "<Points>1 2 NaN 4 5 6 7 8 9</Points>"
    refused(Doc(features=found), "'NaN' where a number belongs")


def test_points_with_a_location_only_are_one_hit_in_the_common_frame(aligned: Array) -> None:
    found = features(np.repeat(aligned[:, :, None, :], 2, axis=2))
    found[0].hits, found[0].locations = {}, {0: aligned[0, 0].tolist()}
    results = read(Doc(features=found))
    assert (results.values["point"] == PLAN.points[0].id).sum() == 1
    said(results, "1 points with a location but no hits")


def test_hits_in_several_frames_give_way_to_locations(aligned: Array) -> None:
    found = features(aligned[:, :, None, :] + 50.0, aligned)
    for f in found[:4]:
        f.hits[0].frame = "<CoordinateSystemId>77</CoordinateSystemId>"
    results = read(Doc(features=found))
    assert np.array_equal(results.values[["x", "y", "z"]].to_numpy(), aligned[0])
    said(results, "several frames")
    found[0].locations = {}
    refused(Doc(features=found), "several frames", "one coordinate system")


# --- fillers and repeats -------------------------------------------------------------------------


def test_repeated_zero_rows_are_fillers(aligned: Array) -> None:
    found = features(None, aligned)
    again = [replace(f, locations={0: (0.0, 0.0, 0.0)}) for f in found]
    text = Doc(features=found).text()
    zero = Doc(features=again).text()
    rows = zero.split("<MeasuredFeatures>")[1].split("</MeasuredFeatures>")[0]
    rows = rows.replace('Measurement id="', 'Measurement id="8')
    results = read(text.replace("</MeasuredFeatures>", rows + "</MeasuredFeatures>"))
    assert np.array_equal(results.values[["x", "y", "z"]].to_numpy(), aligned[0])
    said(results, f"{POINTS} locations of 0 0 0")


def test_equal_repeats_are_one_and_different_ones_are_refused(aligned: Array) -> None:
    text = Doc(features=features(None, aligned)).text()
    rows = text.split("<MeasuredFeatures>")[1].split("</MeasuredFeatures>")[0]
    rows = rows.replace('Measurement id="', 'Measurement id="8')
    results = read(text.replace("</MeasuredFeatures>", rows + "</MeasuredFeatures>"))
    assert len(results.values) == POINTS
    first = numbers(aligned[0, 0])
    changed = rows.replace(first, numbers(aligned[0, 0] + 0.01))
    refused(text.replace("</MeasuredFeatures>", changed + "</MeasuredFeatures>"),
            "'top-1' was measured twice in one run")  # fmt: skip


@pytest.mark.parametrize("word", ["DUMMY", "MOOT", "DERIVED", "SET"])
def test_what_was_not_measured_is_left_out(aligned: Array, word: str) -> None:
    found = features(None, aligned)
    found[-1].locations[0] = f'<Location validity="{word}">1 2 3</Location>'
    found[-2].locations[0] = f'<Location zValidity="{word}">1 2 3</Location>'
    results = read(Doc(features=found))
    assert len(results.values) == POINTS - 2
    said(results, "2 locations that were not measured")


def test_points_that_were_set_are_left_out(aligned: Array) -> None:
    found = features(None, aligned)
    found[-1].determination = "<Set/>"
    results = read(Doc(features=found))
    assert len(results.values) == POINTS - 1
    said(results, "1 points that were set")


def test_other_features_are_told_by_kind(aligned: Array) -> None:
    planes = [Feature(name=f"PL{i}", kind="Plane", locations={0: (1, 2, 3)}) for i in range(3)]
    results = read(Doc(features=[*features(None, aligned), *planes]))
    assert len(results.values) == POINTS
    said(results, "3 features of the kind Plane")


def test_a_document_without_a_measured_point_is_refused() -> None:
    found = features()
    found[0].locations[0] = '<Location validity="DUMMY">1 2 3</Location>'
    refused(Doc(features=found), "no point was measured")
    refused(Doc(features=features()), "no measurement results")
    refused(Doc(features=features(), components=[]), "no measurement results")


def test_which_piece_was_measured_must_be_told(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), components=[Component(), Component(serial="S2")])
    text = doc.text()
    listed = text.split('<ActualComponentIds n="1">')
    refused(listed[0] + listed[1].split("</ActualComponentIds>", 1)[1]
            + '<ActualComponentIds n="1">' + listed[2], "which of 2 pieces")  # fmt: skip


# --- limits and statuses -------------------------------------------------------------------------

RELATIVE = "<Tolerance><MaxValue>0.2</MaxValue><MinValue>-0.1</MinValue>" \
           "<DefinedAsLimit>false</DefinedAsLimit></Tolerance>"  # fmt: skip
TARGET = "<TargetValue>10.0</TargetValue>"
LIMITS: dict[str, tuple[str, str, str, float, float]] = {
    "a zone": ("PointProfile", "<ToleranceValue>3.0</ToleranceValue>", "", -1.5, 1.5),
    "a zone all outside": (
        "PointProfile", "<ToleranceValue>3.0</ToleranceValue><OuterDisposition>3.0"
        "</OuterDisposition>", "", 0.0, 3.0),
    "a zone mostly inside": (
        "PointProfile", "<ToleranceValue>3.0</ToleranceValue><OuterDisposition>1.0"
        "</OuterDisposition>", "", -2.0, 1.0),
    "a zone by its centre": (
        "PointProfile", "<ToleranceValue>3.0</ToleranceValue><UnequallyDisposedZone>-0.5"
        "</UnequallyDisposedZone>", "", -2.0, 1.0),
    "an offset zone": (
        "PointProfile", "<ToleranceValue>3.0</ToleranceValue><OffsetZone>true</OffsetZone>", "",
        np.nan, np.nan),
    "a width from zero": ("SurfaceProfile", "<ToleranceValue>3.0</ToleranceValue>", "", 0.0, 3.0),
    "a form": ("Flatness", "<ToleranceValue>0.5</ToleranceValue>", "", 0.0, 0.5),
    "a position": (
        "Position", "<ToleranceValue>0.5</ToleranceValue><MaterialCondition>REGARDLESS"
        "</MaterialCondition>", "", 0.0, 0.5),
    "a position with a bonus": (
        "Position", "<ToleranceValue>0.5</ToleranceValue><MaterialCondition>MAXIMUM"
        "</MaterialCondition>", "", np.nan, np.nan),
    "relative to a target": ("Diameter", RELATIVE, TARGET, 9.9, 10.2),
    "relative without a target": ("Diameter", RELATIVE, "", np.nan, np.nan),
    "absolute": (
        "Diameter", RELATIVE.replace("false", "true").replace("-0.1", "9.5").replace("0.2", "10.2"),
        TARGET, 9.5, 10.2),
    "one side": (
        "Length", "<Tolerance><MaxValue>12.5</MaxValue><DefinedAsLimit>true</DefinedAsLimit>"
        "</Tolerance>", "", np.nan, 12.5),
    "the other side": (
        "Length", "<Tolerance><MinValue>-0.5</MinValue><DefinedAsLimit>0</DefinedAsLimit>"
        "</Tolerance>", TARGET, 9.5, np.nan),
    "defined elsewhere": (
        "Diameter", "<Tolerance><DefinitionId>7</DefinitionId></Tolerance>", TARGET, 9.9, 10.2),
    "defined nowhere": (
        "Diameter", "<Tolerance><DefinitionId>6</DefinitionId></Tolerance>", TARGET, np.nan,
        np.nan),
    "none": ("Diameter", "<NonTolerance>MEASURED</NonTolerance>", TARGET, np.nan, np.nan),
    "in inches": (
        "PointProfile", '<ToleranceValue linearUnit="inch">0.1</ToleranceValue>', "", -1.27, 1.27),
}  # fmt: skip


@pytest.mark.parametrize("name", LIMITS)
def test_limits_in_every_form(name: str, aligned: Array) -> None:
    kind, definition, target, lower, upper = LIMITS[name]
    told = Characteristic(name="c", features=["top-1"], kind=kind, definition=definition,
                          target=target, values={0: "<Value>5.0</Value>"})  # fmt: skip
    elsewhere = RELATIVE.replace("<Tolerance>", '<ToleranceDefinition id="7">').replace(
        "</Tolerance>", "</ToleranceDefinition>")  # fmt: skip
    doc = Doc(features=features(None, aligned), characteristics=[told],
              definitions=f"<ToleranceDefinitions>{elsewhere}</ToleranceDefinitions>",
              other_units=f"<OtherUnits>{unit_xml('inch')}</OtherUnits>")  # fmt: skip
    statuses = read(doc).statuses
    assert statuses is not None
    row = statuses.iloc[0]
    assert row[["lower", "upper"]].astype(float).to_numpy() == pytest.approx(
        [lower, upper], nan_ok=True, abs=1e-12
    )
    assert row["recomputed"] == (
        "" if np.isnan([lower, upper]).all()
        else "PASS" if not lower > 5.0 and not upper < 5.0 else "FAIL"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("value", "reported", "differs"),
    [
        ("1.5", "PASS", False),
        ("1.5000000000000002", "PASS", False),
        ("-1.5", "FAIL", True),
        ("1.51", "PASS", True),
        ("1.51", "FAIL", False),
        ("1.51", "NOT_ANALYZED", False),
        ("1.51", "SYSERROR", False),
    ],
)
def test_reported_and_recomputed_statuses_are_compared(
    value: str, reported: str, differs: bool
) -> None:
    normal, (x, y, z) = PLAN.points[0].normal, PLAN.points[0].nominal
    assert normal == (0.0, 0.0, 1.0)
    places = {0: (x, y, z + float(value))}
    top = Feature(name="top-1", nominal=(x, y, z), normal=normal, locations=places)
    told = Characteristic(name="c-top", features=["top-1"], statuses={0: reported},
                          values={0: f"<Value>{value}</Value>"})  # fmt: skip
    results = read(Doc(features=[top], characteristics=[told]))
    assert bool(results.warnings) == differs
    if differs:
        said(results, "'c-top' of top-1", f"reported as {reported}", "-1.5 to 1.5 mm")


def test_reported_statuses_are_kept_apart_and_their_differences_shown(
    hits: Array, spc: Command, tmp_path: Path
) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    told = [
        Characteristic(name=name, features=["top-1"], statuses={0: status}, kind="Flatness",
                       values={0: f"<Value>{value}</Value>"})
        for name, status, value in (("wrong", "PASS", "99.0"), ("right", "PASS", "0.1"),
                                    ("set aside", "REWORK", "0.1"))
    ]  # fmt: skip
    doc = Doc(features=features(hits[:1]), characteristics=told)
    (tmp_path / "a.qif").write_bytes(doc.bytes())
    spc("init")
    spc("plan", "add", "box.toml")
    assert spc("ingest", "a.qif").done("'wrong' of top-1", "is reported as PASS", "is FAIL")
    kept = {row[1]: (row[2], row[6], row[7]) for row in contents(tmp_path / "spc.duckdb")[
        "reported_status"]}  # fmt: skip
    assert kept == {"wrong": ("top-1", "PASS", "FAIL"), "right": ("top-1", "PASS", "PASS"),
                    "set aside": ("top-1", "REWORK", "PASS")}  # fmt: skip
    (run,) = json.loads(spc("run", "list", "--json").out)
    shown = spc("run", "show", run["run"])
    assert shown.done("status of 'wrong': reported as PASS; by its own value", "it is FAIL")
    assert "'right'" not in shown.out
    found = json.loads(spc("run", "show", run["run"], "--json").out)["statuses"]
    assert {s["characteristic"]: s["differs"] for s in found} == {
        "wrong": True, "right": False, "set aside": False,
    }  # fmt: skip
    assert spc("ingest", "a.qif").done("nothing changed")
    assert len(contents(tmp_path / "spc.duckdb")["reported_status"]) == 3
    assert spc("store", "check").status == 0
    shutil.copy(tmp_path / "spc.duckdb", tmp_path / "other.duckdb")
    spc("init", "--store", "third.duckdb")
    assert spc("store", "merge", "other.duckdb", "--store", "third.duckdb").status == 0
    assert len(contents(tmp_path / "third.duckdb")["reported_status"]) == 3
    month = run["measured_at"][:7]
    assert spc("export", month, "--folder", "out").status == 0
    (written,) = (tmp_path / "out").rglob("*status*.csv")
    rows = list(csv.DictReader(written.read_text(encoding="utf-8-sig").splitlines()))
    assert {r["characteristic"]: (r["reported"], r["recomputed"], r["differs"]) for r in rows} == {
        "wrong": ("PASS", "FAIL", "True"), "right": ("PASS", "PASS", "False"),
        "set aside": ("REWORK", "PASS", "False"),
    }  # fmt: skip


def test_a_long_list_of_differences_is_cut(aligned: Array) -> None:
    told = [Characteristic(name=f"c{i}", features=["top-1"], statuses={0: "FAIL"},
                           values={0: "<Value>0.1</Value>"}, kind="Flatness")
            for i in range(9)]  # fmt: skip
    results = read(Doc(features=features(None, aligned), characteristics=told))
    assert len([w for w in results.warnings if "reported as FAIL" in w]) == 5
    said(results, "and 4 more such differences of status")


def test_a_deviation_told_without_its_sign_is_found(aligned: Array) -> None:
    own = own_deviations(aligned[0])
    told = [Characteristic(name=f"c{at}", features=[p.id],
                           values={0: f"<Value>{abs(float(own[at]))!r}</Value>"})
            for at, p in enumerate(PLAN.points)]  # fmt: skip
    results = read(Doc(features=features(None, aligned), characteristics=told))
    assert len([w for w in results.warnings if "without its sign" in w]) == min(
        5, int((own < -0.003).sum())
    )


def test_deviations_none_of_which_is_negative_are_said() -> None:
    told = [Characteristic(name=f"c{at}", features=[p.id], by_item=True,
                           values={0: f"<Value>{0.1 * at}</Value>"})
            for at, p in enumerate(PLAN.points)]  # fmt: skip
    said(read(Doc(features=features(), characteristics=told)), "none is negative")


def test_zero_deviations_beside_others_are_fillers() -> None:
    def one(name: str, value: str, status: str = "PASS") -> Characteristic:
        return Characteristic(name=f"{name} {value}", features=[name], by_item=True,
                              statuses={0: status},
                              values={0: f"<Value>{value}</Value>"})  # fmt: skip

    told = [one("top-1", "0.0"), one("top-1", "-0.25"), one("top-2", "0"),
            one("top-3", "0.0", "NOT_ANALYZED")]  # fmt: skip
    results = read(Doc(features=features(), characteristics=told))
    assert results.values[["point", "deviation"]].to_numpy().tolist() == [
        ["top-1", -0.25], ["top-2", 0.0],
    ]  # fmt: skip
    refused(Doc(features=features(), characteristics=[*told, one("top-2", "0.3"),
                                                      one("top-2", "0.4")]),
            "'top-2' has two deviations")  # fmt: skip


# --- units ---------------------------------------------------------------------------------------


def test_inches(aligned: Array) -> None:
    inches = aligned / 25.4
    found = features(None, inches)
    for f in found:
        f.nominal = [v / 25.4 for v in f.nominal]
    results = read(Doc(features=found, unit="inch"))
    assert results.unit == "in"
    assert np.allclose(results.values[["x", "y", "z"]], aligned[0], rtol=0, atol=1e-9)
    refused(Doc(features=found, unit="inch"), "says 'in' where 'mm' was declared",
            declared=Declared(unit="mm"))  # fmt: skip


def test_units_of_single_values_and_of_point_sets(aligned: Array) -> None:
    found = features(None, aligned)
    place = numbers(aligned[0, 0] / 25.4)
    found[0].locations[0] = f'<Location linearUnit="inch">{place}</Location>'
    found[1].locations, found[1].hits = {}, {
        0: Hits(positions=(aligned[0, 1:2] / 1000).tolist(),
                units=f"<Units>{unit_xml('m')}</Units>")
    }  # fmt: skip
    doc = Doc(features=found, other_units=f"<OtherUnits>{unit_xml('inch')}</OtherUnits>")
    results = read(doc)
    assert np.allclose(results.values[["x", "y", "z"]], aligned[0], rtol=0, atol=1e-9)
    refused(replace(doc, other_units=""), "the unit 'inch' is none that the document names")


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ("", "names no unit of length"),
        ("<FileUnits><PrimaryUnits/></FileUnits>", "names no unit of length"),
        (unit_xml("mm", factor="0.0254"), "the unit 'mm' is said to be 0.0254 m"),
        (unit_xml("furlong"), "the unit 'furlong' comes without a factor"),
        (unit_xml("mm", offset="1"), "an offset of 1"),
        (unit_xml("mm", factor="0"), "a factor of 0"),
        (unit_xml("mm", factor="INF"), "'INF' where a number belongs"),
    ],
)
def test_a_unit_is_never_guessed(aligned: Array, block: str, words: str) -> None:
    if block.startswith("<LinearUnit"):
        block = f"<FileUnits><PrimaryUnits>{block}</PrimaryUnits></FileUnits>"
    refused(Doc(features=features(None, aligned), unit_block=block), words)


def test_a_unit_can_be_declared_where_the_document_has_none(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), unit=None)
    results = read(doc, Declared(unit="mm"))
    assert np.array_equal(results.values[["x", "y", "z"]].to_numpy(), aligned[0])


# --- times, references, versions -----------------------------------------------------------------


def test_a_time_without_a_zone_needs_one(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), edit=lambda t: t.replace("10:50:00Z", "10:50:00"))
    refused(doc, "has no time zone", "--zone")
    results = read(doc, Declared(zone="Europe/Berlin"))
    assert str(results.runs["measured_at"][0]) == "2026-04-02 08:50:00"


def test_a_reference_into_another_document_is_refused(aligned: Array) -> None:
    text = Doc(features=features(None, aligned)).text()
    outside = text.replace("<FeatureItemId>", '<FeatureItemId xId="5">', 1)
    refused(outside, "FeatureItemId refers to object 5 of another document")


def test_references_that_lead_nowhere_are_counted(aligned: Array) -> None:
    found = features(None, aligned, device="4711")
    results = read(Doc(features=found))
    said(results, "references Id lead nowhere")
    text = Doc(features=features(None, aligned)).text()
    lost = text.replace("<FeatureItemId>", "<FeatureItemId>9", 1)
    refused(lost, "a measured feature without FeatureName")


def test_an_identity_of_two_objects_is_refused(aligned: Array) -> None:
    text = Doc(features=features(None, aligned)).text()
    item = text.split('<PointFeatureItem id="')[1].split('"')[0]
    refused(text.replace('<Part id="1">', f'<Part id="{item}">'), f"refers to {item}",
            "more than one object")  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (Doc(space="http://qifstandards.org/xsd/qif2").text(), "QIF of another version ('qif2')"),
        ("<html><body/></html>", "XML, but no QIF document"),
        ("<QIFDocument/>", "XML, but no QIF document"),
        ("<a><b></a>", "not well-formed XML"),
        ("<a>", "not well-formed XML"),
        ("<?xml version='1.0' encoding='nothing-known'?><a/>", "unknown encoding"),
        ("<a>\x00</a>", "not well-formed XML"),
        ("<a>" * 100 + "</a>" * 100, "nested more than"),
        ('<!DOCTYPE a SYSTEM "http://localhost/x.dtd"><a/>', "declares a document type"),
        ('<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>', "document type"),
        ('<!DOCTYPE a [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><a>&b;</a>', "document type"),
        ("<a>&unknown;</a>", "not well-formed XML"),
    ],
)
def test_other_documents_are_refused(text: str, words: str) -> None:
    refused(text, words)


def test_a_truncated_document_is_refused_at_every_cut(hits: Array) -> None:
    data = Doc(features=features(hits[:1])).bytes()
    for cut in range(200, len(data) - 20, len(data) // 40):
        refused(data[:cut], "not well-formed XML")


def test_nothing_outside_is_opened(
    aligned: Array, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import socket

    def no_network(*_: object, **__: object) -> None:
        pytest.fail("the network was asked")

    monkeypatch.setattr(socket, "socket", no_network)
    read(Doc(features=features(None, aligned)))
    secret = tmp_path / "secret"
    secret.write_text("never seen")
    said_ = refused(f'<!DOCTYPE a [<!ENTITY x SYSTEM "{secret}">]><a>&x;</a>', "document type")
    assert "never seen" not in said_
