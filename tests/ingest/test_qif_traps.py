"""What real QIF documents do to a reader: fillers, units and references where nobody looks.

Each case was tried by the command line first; what is expected are the numbers that were put in.
"""

import json
import re
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
from strategies import plan_toml, probed

from spc.ingest.checked import Declared

Command = Callable[..., Outcome]
NORMALS = np.array([p.normal for p in PLAN.points])
INCHES = f"<OtherUnits>{unit_xml('inch')}</OtherUnits>"
OWN = own_deviations(aligned_places()[0])


@pytest.fixture
def aligned() -> Array:
    """Return locations of one piece in the part's own frame."""
    return aligned_places()


def profiles(values: Array = OWN, runs: int = 1, **same: object) -> list[Characteristic]:
    """Return a profile at each point that tells these deviations in each run."""
    return [
        Characteristic(name=f"c-{p.id}", features=[p.id],
                       values={r: f"<Value>{float(v)!r}</Value>" for r in range(runs)}, **same)  # type: ignore[arg-type]
        for p, v in zip(PLAN.points, values, strict=True)
    ]  # fmt: skip


# --- fillers, repeats and what only some of the document tells -----------------------------------


def test_a_deviation_of_a_repeat_is_of_the_point_though_zeros_come_first() -> None:
    found = features()
    for f in found:
        f.locations = {0: "<Location/>"}
    text = Doc(features=found, characteristics=profiles()).text()
    (points,) = re.findall(r"<MeasuredFeatures>\n(.*?)</MeasuredFeatures>", text, re.S)
    (told,) = re.findall(r"Measurements n=\"11\">\n(.*?)</CharacteristicM", text, re.S)
    again = [re.sub(r'Measurement id="', 'Measurement id="8', rows) for rows in (points, told)]
    again[1] = re.sub(r"<Value>.*?<", "<Value>0<", again[1])
    again[1] = re.sub(r'(MeasurementIds n="1"><Id>)', r"\g<1>8", again[1])
    text = text.replace(points, again[0] + points).replace(told, again[1] + told)
    results = read(text)
    assert results.values["deviation"].tolist() == OWN.tolist()
    assert said(results, "repeats of a point").startswith(f"{POINTS} ")
    assert not [w for w in results.warnings if "position" in w]


def test_a_run_of_deviations_beside_runs_of_positions_is_refused(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), characteristics=profiles(runs=2),
              components=[Component(serial="S1"), Component(serial="S2")])  # fmt: skip
    refused(doc, "of serial 'S2' has deviations only", "document of its own")


def test_a_point_with_a_deviation_only_is_said_beside_points_with_positions(
    aligned: Array,
) -> None:
    found = features(None, aligned)
    found[-1].locations = {}
    results = read(Doc(features=found, characteristics=profiles()))
    assert len(results.values) == POINTS - 1
    said(results, "1 deviations of points without a position")


@pytest.mark.parametrize("hits", [False, True])
def test_runs_without_a_point_are_said(aligned: Array, hits: bool) -> None:
    flat = Characteristic(name="flat", features=["top-1"], kind="Flatness",
                          values={1: "<Value>0.1</Value>"})  # fmt: skip
    found = features(aligned[:, :, None] if hits else None, None if hits else aligned)
    doc = Doc(features=found, characteristics=[flat],
              components=[Component(serial="S1"), Component(serial="S2")])  # fmt: skip
    results = read(doc)
    assert results.runs["serial"].tolist() == ["S1"]
    said(results, "1 runs without a measured point")


def test_a_deviation_of_a_point_that_was_set_is_none() -> None:
    found = features()
    found[0].determination = "<Set/>"
    results = read(Doc(features=found, characteristics=profiles(by_item=True)))
    assert results.values["point"].tolist() == [p.id for p in PLAN.points[1:]]
    said(results, "1 characteristics that are no deviation")


def test_points_of_a_list_that_were_not_measured_are_left_out(aligned: Array) -> None:
    found = features(aligned[:, :, None])
    found[0].hits[0].points = f'<Points validity="DUMMY">{numbers(aligned[0, 0])}</Points>'
    results = read(Doc(features=found))
    assert PLAN.points[0].id not in set(results.values["point"])
    said(results, "1 hits that were not measured (DUMMY")


def test_a_hit_at_the_origin_is_a_filler_unless_the_nominal_is_there() -> None:
    here = Feature(name="here", nominal=(0, 0, 0), hits={0: Hits(positions=[(0, 0, 0)])})
    there = Feature(name="there", nominal=(1, 0, 0),
                    hits={0: Hits(positions=[(0, 0, 0), (1, 0, 0.1)])})  # fmt: skip
    results = read(Doc(features=[here, there]))
    assert results.values[["point", "x", "z"]].to_numpy().tolist() == [
        ["here", 0.0, 0.0], ["there", 1.0, 0.1],
    ]  # fmt: skip
    said(results, "1 hits of 0 0 0")


def test_statuses_are_kept_where_the_file_s_name_tells_the_piece(
    aligned: Array, spc: Command, tmp_path: Path
) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    (tmp_path / "m.toml").write_text("[filename]\nmatch = '^(?P<serial>[a-z]+)'\n")
    doc = Doc(features=features(None, aligned), components=[Component(serial="")],
              characteristics=profiles(statuses={0: "FAIL"}))  # fmt: skip
    (tmp_path / "hood.qif").write_bytes(doc.bytes())
    spc("init")
    spc("plan", "add", "box.toml")
    assert spc("ingest", "hood.qif", "--mapping", "m.toml").done("of serial 'hood' is reported")
    assert len(contents(tmp_path / "spc.duckdb")["reported_status"]) == POINTS
    other = replace(doc, components=[Component(serial="S1")])
    named = Declared(file_name=("^(?P<serial>[a-z]+)",))
    refused(other, "'S1' where the file's name says 'hood'", declared=named)


def test_times_of_characteristics_are_told_apart_in_a_document_of_one_line(
    aligned: Array,
) -> None:
    told = profiles()
    told[0].stamp, told[1].stamp = "2026-04-02T07:00:00Z", "2026-04-02T09:00:00Z"
    text = Doc(features=features(None, aligned), characteristics=told).text()
    results = read(text.replace("\n", " "))
    assert str(results.runs["measured_at"][0]) == "2026-04-02 07:00:00"


# --- units and lists where nobody looks ----------------------------------------------------------


def centres(aligned: Array, **more: str) -> list[Feature]:
    """Return hits that are centres of a ball of 3 mm radius."""
    found = features((aligned + 3.0 * NORMALS)[:, :, None])
    for f in found:
        f.hits[0].compensated = "<Compensated>false</Compensated>"
        f.hits[0] = replace(f.hits[0], **more)  # type: ignore[arg-type]
    return found


@pytest.mark.parametrize("radius", [
    f'<ProbeRadius linearUnit="inch">{3 / 25.4!r}</ProbeRadius>',
    f'<ProbeRadii linearUnit="inch" count="1">{3 / 25.4!r}</ProbeRadii>',
])  # fmt: skip
def test_the_radius_of_the_ball_may_have_a_unit_of_its_own(aligned: Array, radius: str) -> None:
    results = read(Doc(features=centres(aligned, radius=radius), other_units=INCHES))
    assert np.allclose(results.values[["x", "y", "z"]], aligned[0], rtol=0, atol=1e-12)


@pytest.mark.parametrize("radius", ["0", "-3"])
def test_a_ball_without_a_radius_above_zero_is_refused(aligned: Array, radius: str) -> None:
    found = centres(aligned, radius=f"<ProbeRadius>{radius}</ProbeRadius>")
    refused(Doc(features=found), f"gives a radius of the ball of {radius} mm")


def test_a_list_of_points_may_have_a_unit_of_its_own(aligned: Array) -> None:
    found = features(aligned[:, :, None])
    found[0].hits[0].points = f'<Points linearUnit="inch">{numbers(aligned[0, 0] / 25.4)}</Points>'
    results = read(Doc(features=found, other_units=INCHES))
    assert np.allclose(results.values[["x", "y", "z"]], aligned[0], rtol=0, atol=1e-12)


def test_a_list_that_counts_itself_otherwise_is_refused(aligned: Array) -> None:
    found = features(aligned[:, :, None])
    own = found[0].hits[0]
    for good in ("1", "3", " 1 "):
        own.points = f'<Points count="{good}">{numbers(aligned[0, 0])}</Points>'
        assert len(read(Doc(features=found)).values) == POINTS
    own.points = f'<Points count="2">{numbers(aligned[0, 0])}</Points>'
    refused(Doc(features=found), "Points counts '2' in a set of 1 points")
    own.points, own.times = None, "<TimeStamps>2026-04-02T10:50:00Z 2026-04-02T10:50:00Z" \
                                  "</TimeStamps>"  # fmt: skip
    refused(Doc(features=found), "TimeStamps lists 2 times of 1 points")


def test_an_element_among_numbers_is_refused(aligned: Array) -> None:
    found = features(None, aligned)
    found[0].locations[0] = "<Location>1.2<Other/>5 2 3</Location>"
    refused(Doc(features=found), "Location holds Other among its numbers")


# --- references ----------------------------------------------------------------------------------


def test_a_measured_feature_of_another_document_is_refused(aligned: Array) -> None:
    text = Doc(features=features(None, aligned), characteristics=profiles()).text()
    listed = '<FeatureMeasurementIds n="1"><Id'
    refused(text.replace(listed, f'{listed} xId="7"', 1), "Id refers to object 7 of another")


def test_a_reference_to_an_object_of_another_kind_is_said(aligned: Array) -> None:
    text = Doc(features=features(None, aligned), characteristics=profiles()).text()
    (item,) = re.findall(r'CharacteristicItem id="(\d+)"><Name>c-top-1<', text)
    refers = "<CharacteristicItemId>"
    results = read(text.replace(f"{refers}{item}", f"{refers}{int(item) - 1}"))
    said(results, "1 references CharacteristicItemId lead to an object of another kind")


# --- deviations that a document tells beside its positions ---------------------------------------


def test_profiles_beside_hits_of_an_unaligned_piece_are_not_held_against_them() -> None:
    rng = np.random.default_rng(5)
    hits = probed(PLAN, rng.normal(0, 0.3, (1, POINTS)), rng)
    results = read(Doc(features=features(hits), characteristics=profiles()))
    assert results.warnings == (
        f"{POINTS} deviations of run '11111111-2222-4333-8444-555555555555/200' of serial 'S1' "
        "were not held against its positions, which do not stand in the frame of the nominals",
    )


@pytest.mark.parametrize(
    ("factor", "words"),
    [(-1.0, "with the opposite sign, as by a normal into the material"),
     (3.0, "otherwise"), (1.0, "")],
)  # fmt: skip
def test_a_deviation_told_otherwise_says_how(aligned: Array, factor: float, words: str) -> None:
    assert (OWN < -0.1).any()
    told = profiles(factor * OWN)
    results = read(Doc(features=features(None, aligned), characteristics=told))
    found = [w for w in results.warnings if "is told" in w]
    assert bool(found) == bool(words)
    assert all(words in w for w in found)


def test_a_width_is_said_beside_positions_and_refused_as_a_deviation(aligned: Array) -> None:
    told = profiles(2 * np.abs(OWN))
    results = read(Doc(features=features(None, aligned), characteristics=told))
    assert len([w for w in results.warnings if "at twice its size, as a width" in w]) == 5
    assert not [w for w in results.warnings if "reported as" in w]
    assert results.statuses is not None
    assert set(results.statuses["recomputed"][np.abs(OWN) > 0.01]) == {""}
    for one, own in zip(told, OWN.tolist(), strict=True):
        one.values[0] += (
            f"<WorstPositiveDeviation>{own!r}</WorstPositiveDeviation>"
            f"<WorstNegativeDeviation>{own!r}</WorstNegativeDeviation>"
        )
        one.by_item = True
    words = (
        f"of 'c-top-1' is no signed deviation, being beyond its own largest ones ({OWN[0]:.4g}, "
    )
    refused(Doc(features=features(), characteristics=told), words)
    for one, own in zip(told, OWN.tolist(), strict=True):
        one.values[0] = one.values[0].replace(f"<Value>{2 * abs(own)!r}", f"<Value>{own!r}")
    values = read(Doc(features=features(), characteristics=told)).values
    assert values["deviation"].tolist() == OWN.tolist()


def test_a_zero_beside_another_value_is_not_held_against_the_position(aligned: Array) -> None:
    told = [*profiles(), *profiles(np.zeros(POINTS))]
    results = read(Doc(features=features(None, aligned), characteristics=told))
    assert results.warnings == ()


# --- normals and limits --------------------------------------------------------------------------


def test_normals_that_are_not_1_long_are_said_where_they_are_of_no_use(
    aligned: Array, spc: Command, tmp_path: Path
) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    found = features(None, aligned)
    found[0].normal = (0, 0, 1.00001)
    found[1].normal = (0, 0, 1.0000001)
    results = read(Doc(features=found))
    said(results, "1 nominal normals that are not 1 long")
    found[0].normal, found[1].normal = (0, 0, -1), (2.0, 0, 2.0)
    (tmp_path / "a.qif").write_bytes(Doc(features=found).bytes())
    spc("init")
    spc("plan", "add", "box.toml")
    assert spc("ingest", "a.qif").done(
        "1 nominal normals that are not 1 long", "2 of 11 nominals in the file",
        "most at top-1 (its normal turned by 180 degrees)",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "definition", "why"),
    [
        ("PointProfile", "<ToleranceValue>-3</ToleranceValue>", "a zone of a width below 0"),
        ("Diameter", "<Tolerance><MaxValue>1</MaxValue><MinValue>2</MinValue><DefinedAsLimit>true"
         "</DefinedAsLimit></Tolerance>", "limits the wrong way round"),
    ],
)  # fmt: skip
def test_limits_that_nothing_keeps_are_none(
    aligned: Array, kind: str, definition: str, why: str
) -> None:
    told = Characteristic(name="c", features=["top-1"], kind=kind, definition=definition,
                          values={0: f"<Value>{float(OWN[0])!r}</Value>"})  # fmt: skip
    results = read(Doc(features=features(None, aligned), characteristics=[told]))
    assert results.statuses is not None
    (row,) = results.statuses.to_dict("records")
    assert np.isnan([row["lower"], row["upper"]]).all()
    assert row["recomputed"] == ""
    said(results, f"1 tolerances without limits here: {why}")


def test_an_angle_has_a_status_but_no_millimetres(
    aligned: Array, spc: Command, tmp_path: Path
) -> None:
    (tmp_path / "box.toml").write_text(plan_toml(PLAN))
    limits = "<Tolerance><MaxValue>46</MaxValue><MinValue>44</MinValue><DefinedAsLimit>true" \
             "</DefinedAsLimit></Tolerance>"  # fmt: skip
    told = [
        Characteristic(name=kind, features=["top-1"], kind=kind, definition=limits,
                       values={0: "<Value>47.0</Value>"})
        for kind in ("Angle", "Length")
    ]  # fmt: skip
    doc = Doc(features=features(None, aligned), characteristics=told)
    (tmp_path / "a.qif").write_bytes(doc.bytes())
    spc("init")
    spc("plan", "add", "box.toml")
    assert spc("ingest", "a.qif").done(
        "is reported as PASS; its value by its limits is FAIL",
        "its value 47 mm by its limits 44 to 46 mm is FAIL",
    )
    rows = {row[1]: row[3:6] for row in contents(tmp_path / "spc.duckdb")["reported_status"]}
    assert rows == {"Angle": (None, None, None), "Length": (47.0, 44.0, 46.0)}
    (run,) = json.loads(spc("run", "list", "--json").out)
    shown = spc("run", "show", run["run"]).out
    assert "'Angle': reported as PASS; by its own value and limits it is FAIL" in shown


# --- drafts --------------------------------------------------------------------------------------


def test_a_draft_refuses_one_name_with_two_normals_and_names_points_without_a_place(
    aligned: Array, spc: Command, tmp_path: Path
) -> None:
    turned = Feature(name="top-1", nominal=PLAN.points[0].nominal, normal=(0, 0, -1))
    (tmp_path / "a.qif").write_bytes(Doc(features=[*features(None, aligned), turned]).bytes())
    assert spc("plan", "draft", "a.qif").refused("two points are called 'top-1'")
    place = f"<Location>{numbers(PLAN.points[0].nominal)}</Location>"
    doc = Doc(features=features(None, aligned), edit=lambda t: t.replace(place, "", 1))
    (tmp_path / "b.qif").write_bytes(doc.bytes())
    drafted = spc("plan", "draft", "b.qif").out
    assert "# To do: add top-1, for which the file has no nominal" in drafted
    assert drafted.count("[[point]]") == POINTS - 1


def test_a_draft_takes_the_part_from_the_piece_s_own_place(
    aligned: Array, spc: Command, tmp_path: Path
) -> None:
    def placed(text: str) -> str:
        product = (
            '<PartSet n="2"><Part id="1"><ModelNumber>other</ModelNumber></Part><Part id="2">'
            "<ModelNumber>BX-1</ModelNumber><Version>A</Version></Part></PartSet>"
            '<ComponentSet n="1"><Component id="3"><Part><Id>2</Id></Part></Component>'
            '</ComponentSet><AsmPaths n="1"><AsmPath id="4"><ComponentIds n="1"><Id>3</Id>'
            "</ComponentIds></AsmPath></AsmPaths>"
        )
        text = re.sub("<PartSet.*</PartSet>", product, text)
        return text.replace("</ActualComponent>", "<AsmPathId>4</AsmPathId></ActualComponent>")

    doc = Doc(features=features(None, aligned), edit=placed)
    (tmp_path / "a.qif").write_bytes(doc.bytes())
    fit = "top-*,side-*,front-*"
    assert spc("plan", "draft", "a.qif", "--fit", fit, "--to", "a.toml").status == 0
    spc("init")
    assert spc("plan", "add", "a.toml").status == 0
    assert spc("ingest", "a.qif").done("1 run from")


# --- devices, lists and what is said of a whole --------------------------------------------------

DEVICES = (
    '<MeasurementResources><MeasurementDevices n="2"><PortableCMM id="8"><Name>arm-1</Name>'
    '</PortableCMM><PortableCMM id="9"><SerialNumber>Z9</SerialNumber></PortableCMM>'
    "</MeasurementDevices></MeasurementResources>"
)
BOTH = '<MeasurementDeviceIds n="2"><Id>8</Id><Id>9</Id></MeasurementDeviceIds>'


@pytest.mark.parametrize(
    ("feature", "of_set", "of_piece", "device"),
    [("8", "", BOTH, "arm-1"), ("", "9", BOTH, "Z9"), ("", "", BOTH, "Z9, arm-1"),
     ("8", "9", "", "Z9, arm-1"), ("", "", "", "")],
)  # fmt: skip
def test_the_device_is_what_the_measurement_itself_says(
    aligned: Array, feature: str, of_set: str, of_piece: str, device: str
) -> None:
    found = features(aligned[:, :, None], device=feature)
    for f in found:
        if of_set:
            f.hits[0].times = f"<MeasurementDeviceId>{of_set}</MeasurementDeviceId>"
    doc = Doc(features=found, resources=DEVICES, components=[Component(trace=of_piece)])
    assert read(doc).runs["device"].tolist() == [device]


def test_a_list_that_does_not_hold_what_it_counts_is_said(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), characteristics=profiles(), placed=True)
    assert read(doc).warnings == ()
    counts = f'Measurements n="{POINTS}"'
    for wrong in ("12", "x"):
        text = doc.text().replace(counts, f'Measurements n="{wrong}"')
        said(read(text), f"CharacteristicMeasurements counts '{wrong}' and holds {POINTS}")
    assert read(doc.text().replace(counts, f'Measurements n=" 0{POINTS}"')).warnings == ()


def test_what_a_document_sets_aside_is_said(aligned: Array) -> None:
    doc = Doc(features=features(None, aligned), characteristics=profiles(), placed=True)
    text = doc.text()
    noted = '</FeatureItemId><NotedEventIds n="1"><Id>1</Id></NotedEventIds>'
    flier = "<Exclusion><Reason><ExclusionReasonEnum>FLIER</ExclusionReasonEnum></Reason>"
    statistics = f"<Statistics><Plan>{flier}</Exclusion></Plan></Statistics></QIFDocument>"
    results = read(text.replace("</FeatureItemId>", noted, 2).replace("</QIFDocument>", statistics))
    assert results.warnings == (
        "2 measurements with noted events, which are not read",
        "1 exclusions from statistics, which are not applied",
    )


@pytest.mark.parametrize(
    ("reported", "value", "words"),
    [("PASS", 9.0, "reported as PASS as a whole (MeasurementResults); 1 of its 1"),
     ("FAIL", 0.1, "reported as FAIL as a whole (MeasurementResults); 0 of its 1"),
     ("FAIL", 9.0, ""), ("PASS", 0.1, ""), ("UNKNOWN", 9.0, "")],
)  # fmt: skip
def test_the_status_of_a_run_as_a_whole_is_held_against_its_characteristics(
    aligned: Array, reported: str, value: float, words: str
) -> None:
    flat = Characteristic(name="flat", features=["top-1"], kind="Flatness",
                          statuses={0: "FAIL" if value > 3 else "PASS"},
                          values={0: f"<Value>{value}</Value>"})  # fmt: skip
    doc = Doc(features=features(None, aligned), characteristics=[flat], placed=True)
    text = doc.text()
    of_run = "<InspectionStatus><InspectionStatusEnum>"
    results = read(text.replace(f"{of_run}UNKNOWN", f"{of_run}{reported}"))
    assert [words in w for w in results.warnings] == ([True] if words else [])


def test_one_name_of_a_unit_with_two_factors_is_refused(aligned: Array) -> None:
    units = (unit_xml("step", factor=f) for f in ("0.001", "0.0254"))
    primary, other = units
    block = f"<PrimaryUnits>{primary}</PrimaryUnits><OtherUnits>{other}</OtherUnits>"
    doc = Doc(features=features(None, aligned), unit_block=f"<FileUnits>{block}</FileUnits>")
    refused(doc, "the unit 'step' has two factors")


@pytest.mark.parametrize("hits", [False, True])
def test_a_plan_for_centres_of_the_ball_takes_no_places_of_the_surface(
    aligned: Array, hits: bool, spc: Command, tmp_path: Path
) -> None:
    probe = "\n[probe]\ncentres = true\nball_diameter = 6.0\n"
    (tmp_path / "box.toml").write_text(plan_toml(PLAN) + probe)
    found = features(aligned[:, :, None] if hits else None, None if hits else aligned)
    (tmp_path / "a.qif").write_bytes(Doc(features=found).bytes())
    spc("init")
    assert spc("plan", "add", "box.toml").status == 0
    assert spc("ingest", "a.qif").refused("holds points of the surface", "centres of the ball")


def test_a_draft_says_where_the_document_s_deviations_go_against_its_normals(
    aligned: Array, spc: Command, tmp_path: Path
) -> None:
    found = features(None, aligned)
    text = Doc(features=found, characteristics=profiles()).text()
    (tmp_path / "good.qif").write_text(text)
    assert "look at the normals" not in spc("plan", "draft", "good.qif").out
    found[1].normal, found[4].normal = (0, 0, -1), tuple(-NORMALS[4])
    text = Doc(features=found, characteristics=profiles()).text()
    (tmp_path / "turned.qif").write_text(text)
    (tmp_path / "unclear.qif").write_text(text.replace("<Value>", "<Value>x", 1))
    words = (
        "# To do: look at the normals, by which the file's own deviations have the opposite sign"
    )
    assert f"{words}, of side-1, top-2\n" in spc("plan", "draft", "turned.qif").out
    assert "look at the normals" not in spc("plan", "draft", "unclear.qif").out


def test_hits_that_many_points_share_are_bounded(
    aligned: Array, monkeypatch: pytest.MonkeyPatch
) -> None:
    doc = Doc(features=features(aligned[:, :, None]))
    monkeypatch.setattr("spc.ingest.qif.points.MOST_HITS", POINTS)
    assert len(read(doc).values) == POINTS
    monkeypatch.setattr("spc.ingest.qif.points.MOST_HITS", POINTS - 1)
    refused(doc, f"more than {POINTS - 1} hits, more than one file of results can hold")


# --- what is told and not taken ------------------------------------------------------------------


def test_a_part_that_no_piece_names_is_said(aligned: Array) -> None:
    words = "the part 'BX-1' is the only one of the document; the pieces themselves name none"
    doc = Doc(features=features(None, aligned))
    assert read(doc.bytes()).warnings == (words,)
    assert read(doc).warnings == ()
    assert read(doc.bytes(), Declared(constants={"part": "BX-1"})).warnings == ()


def test_uncertainties_and_deviations_of_hits_are_said_not_to_be_read(aligned: Array) -> None:
    def doubting(text: str) -> str:
        text = text.replace("<Value>", '<Value combinedUncertainty="0.01">', 3)
        point = "<PointDeviations><PointDeviation><Deviation>0</Deviation></PointDeviation>"
        end = "</PointProfileCharacteristicMeasurement>"
        return text.replace(end, f"{point}</PointDeviations>{end}", 2)

    doc = Doc(
        features=features(None, aligned), characteristics=profiles(own_deviations(aligned[0]))
    )
    assert read(doc).warnings == ()
    assert read(replace(doc, edit=doubting)).warnings == (
        "3 values with an uncertainty or a mean error, which are not read",
        "2 lists of deviations of points (PointDeviations), which are not read: hits tell them",
    )


def test_what_a_mapping_says_of_tables_is_said_to_mean_nothing(aligned: Array) -> None:
    declared = Declared(columns={"serial": "Teil"}, ignored=("Ort",), sheet="Hits")
    assert read(Doc(features=features(None, aligned)), declared).warnings == (
        "[columns], ignore, sheet of the mapping: of tables, and without meaning here",
    )
