"""QIF 3.0 documents for tests, written by hand after the schemas of ISO 23952.

A document is made of small dataclasses, so that each trap is one argument. Order and names of the
elements are those of QIFDocument.xsd, Features.xsd, Characteristics.xsd and QIFResults.xsd.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count
from xml.sax.saxutils import escape, quoteattr

SPACE = "http://qifstandards.org/xsd/qif3"
#: A unit as PrimaryUnits and OtherUnits hold it.
UNITS = {"mm": ("mm", "0.001"), "inch": ("inch", "0.0254"), "m": ("m", None)}


def unit_xml(name: str, *, factor: str | None = "", offset: str = "") -> str:
    """Return a LinearUnit."""
    own, known = UNITS.get(name, (name, None))
    factor = known if factor == "" else factor
    conversion = ""
    if factor is not None:
        shift = f"<Offset>{offset}</Offset>" if offset else ""
        conversion = f"<UnitConversion><Factor>{factor}</Factor>{shift}</UnitConversion>"
    return (
        f"<LinearUnit><SIUnitName>meter</SIUnitName><UnitName>{own}</UnitName>"
        f"{conversion}</LinearUnit>"
    )


def numbers(values: Sequence[float]) -> str:
    """Return numbers as XML lists them, exactly."""
    return " ".join(repr(float(v)) for v in values)


@dataclass(kw_only=True)
class Hits:
    """A measured point set of one feature."""

    positions: Sequence[Sequence[float]]
    compensated: str = "<Compensated>true</Compensated>"
    radius: str = ""
    normals: str = ""
    frame: str = ""
    units: str = ""
    times: str = ""
    points: str | None = None
    count: int | None = None


@dataclass(kw_only=True)
class Feature:
    """A point feature with what was measured of it in each run, in this order."""

    name: str
    nominal: Sequence[float] = (0.0, 0.0, 0.0)
    normal: Sequence[float] | None = (0.0, 0.0, 1.0)
    #: A run's hits, its location (text with attributes), both or neither; one entry a measurement.
    hits: dict[int, Hits] = field(default_factory=dict)
    locations: dict[int, Sequence[float] | str] = field(default_factory=dict)
    kind: str = "Point"
    determination: str = "<Checked><CheckDetails><Measured/></CheckDetails></Checked>"
    uuid: str = ""
    stamp: str = ""
    measured_name: str = ""
    item_reference: str | None = None
    device: str = ""
    component: dict[int, str] = field(default_factory=dict)


@dataclass(kw_only=True)
class Characteristic:
    """A characteristic of features, with value and status in each run."""

    name: str
    features: Sequence[str]
    kind: str = "PointProfile"
    definition: str = "<ToleranceValue>3.0</ToleranceValue>"
    target: str = ""
    values: dict[int, str] = field(default_factory=dict)
    statuses: dict[int, str] = field(default_factory=dict)
    designator: str = ""
    stamp: str = ""
    by_item: bool = False


@dataclass(kw_only=True)
class Component:
    """A piece."""

    serial: str = "S1"
    trace: str = ""
    attributes: str = ""


@dataclass(kw_only=True)
class Doc:
    """A document."""

    features: Sequence[Feature] = ()
    characteristics: Sequence[Characteristic] = ()
    components: Sequence[Component] = (Component(),)
    unit: str | None = "mm"
    unit_block: str | None = None
    other_units: str = ""
    part: str = "BX-1"
    version: str = "A"
    #: Whether pieces name their own place in the product.
    placed: bool = False
    space: str = SPACE
    qpid: str = "11111111-2222-4333-8444-555555555555"
    run_qpids: dict[int, str] = field(default_factory=dict)
    inspection: str = (
        "<InspectionTraceability><InspectionOperator><Name>ana</Name></InspectionOperator>"
        "<InspectionStart>2026-04-02T10:50:00Z</InspectionStart></InspectionTraceability>"
    )
    processes: str = ""
    resources: str = ""
    transforms: str = ""
    definitions: str = ""
    prolog: str = '<?xml version="1.0" encoding="UTF-8"?>\n'
    edit: Callable[[str], str] = lambda text: text

    def text(self) -> str:
        """Return the document."""
        return self.edit(self.prolog + _Writer(self).document())

    def bytes(self) -> bytes:
        """Return its bytes."""
        return self.text().encode()


#: The place in the product of every piece.
PLACE = (
    '<ComponentSet n="1"><Component id="90"><Part><Id>1</Id></Part></Component></ComponentSet>'
    '<AsmPaths n="1"><AsmPath id="91"><ComponentIds n="1"><Id>90</Id></ComponentIds></AsmPath>'
    "</AsmPaths>"
)


class _Writer:
    """Numbers the objects of a document and writes them."""

    def __init__(self, doc: Doc) -> None:
        self.doc = doc
        ids = map(str, count(100))
        self.of = {id(f): [next(ids) for _ in range(3)] for f in doc.features}
        self.by_name = {f.name: f for f in doc.features}
        self.ch = {id(c): [next(ids) for _ in range(3)] for c in doc.characteristics}
        self.pieces = [next(ids) for _ in doc.components]
        self.next = ids
        self.measurements: dict[tuple[str, int], str] = {}

    def document(self) -> str:
        doc = self.doc
        units = f"<PrimaryUnits>{unit_xml(doc.unit)}</PrimaryUnits>" if doc.unit else ""
        block = doc.unit_block if doc.unit_block is not None else (
            f"<FileUnits>{units}{doc.other_units}</FileUnits>"
        )  # fmt: skip
        body = (
            f"{self.product()}{doc.processes}{doc.resources}"
            f"{self.features()}{self.characteristics()}{self.results()}"
        )
        largest = int(next(self.next)) - 1
        return (
            f'<QIFDocument xmlns="{doc.space}" '
            'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
            f'xsi:schemaLocation="{doc.space} http://qifstandards.org/QIFDocument.xsd" '
            f'versionQIF="3.0.0" idMax="{largest}">\n'
            f"<QPId>{doc.qpid}</QPId>\n{block}\n{body}</QIFDocument>\n"
        )

    def product(self) -> str:
        if not self.doc.part:
            return ""
        version = f"<Version>{self.doc.version}</Version>" if self.doc.version else ""
        return (
            f'<Product><PartSet n="1"><Part id="1"><ModelNumber>{escape(self.doc.part)}'
            f"</ModelNumber>{version}</Part></PartSet>"
            f"{PLACE if self.doc.placed else ''}</Product>\n"
        )

    def features(self) -> str:
        definitions, nominals, items = [], [], []
        for f in self.doc.features:
            d, n, i = self.of[id(f)]
            normal = "" if f.normal is None else f"<Normal>{numbers(f.normal)}</Normal>"
            definitions.append(f'<{f.kind}FeatureDefinition id="{d}"/>')
            nominals.append(
                f'<{f.kind}FeatureNominal id="{n}"><FeatureDefinitionId> {d} '
                f"</FeatureDefinitionId><Location>{numbers(f.nominal)}</Location>{normal}"
                f"</{f.kind}FeatureNominal>"
            )
            uuid = f"<UUID>{f.uuid}</UUID>" if f.uuid else ""
            items.append(
                f'<{f.kind}FeatureItem id="{i}"><FeatureNominalId>{n}</FeatureNominalId>'
                f"<FeatureName>{escape(f.name)}</FeatureName>{uuid}<DeterminationMode>"
                f"{f.determination}</DeterminationMode></{f.kind}FeatureItem>"
            )
        parts = (("Definitions", definitions), ("Nominals", nominals), ("Items", items))
        inner = "".join(
            f'<Feature{what} n="{len(rows)}">\n' + "\n".join(rows) + f"\n</Feature{what}>\n"
            for what, rows in parts
        )
        return f"<Features>\n{inner}</Features>\n"

    def characteristics(self) -> str:
        if not self.doc.characteristics:
            return ""
        definitions, nominals, items = [], [], []
        for c in self.doc.characteristics:
            d, n, i = self.ch[id(c)]
            kind = f"{c.kind}Characteristic"
            definitions.append(f'<{kind}Definition id="{d}">{c.definition}</{kind}Definition>')
            nominals.append(
                f'<{kind}Nominal id="{n}"><CharacteristicDefinitionId>{d}'
                f"</CharacteristicDefinitionId>{c.target}</{kind}Nominal>"
            )
            label = f"<CharacteristicDesignator><Designator>{c.designator}</Designator>" \
                    "</CharacteristicDesignator>" if c.designator else ""  # fmt: skip
            of = "".join(f"<Id>{self.of[id(self.by_name[f])][2]}</Id>" for f in c.features)
            items.append(
                f'<{kind}Item id="{i}"><Name>{escape(c.name)}</Name>{label}'
                f'<FeatureItemIds n="{len(c.features)}">{of}</FeatureItemIds>'
                f"<CharacteristicNominalId>{n}</CharacteristicNominalId></{kind}Item>"
            )
        parts = (("Definitions", definitions), ("Nominals", nominals), ("Items", items))
        inner = "".join(
            f'<Characteristic{what} n="{len(rows)}">\n' + "\n".join(rows)
            + f"\n</Characteristic{what}>\n"
            for what, rows in parts
        )  # fmt: skip
        return f"<Characteristics>\n{self.doc.definitions}{inner}</Characteristics>\n"

    def results(self) -> str:
        doc = self.doc
        sets = "".join(self.one_run(at) for at in range(len(doc.components)))
        pieces = "".join(
            f'<ActualComponent id="{self.pieces[at]}">{c.attributes}'
            + ("<AsmPathId>91</AsmPathId>" if doc.placed and doc.part else "")
            + (f"<SerialNumber>{escape(c.serial)}</SerialNumber>" if c.serial else "")
            + "<Status><InspectionStatusEnum>UNKNOWN</InspectionStatusEnum></Status>"
            + (f"<Traceability>{c.trace}</Traceability>" if c.trace else "")
            + "</ActualComponent>\n"
            for at, c in enumerate(doc.components)
        )
        return (
            f'<Results><MeasurementResultsSet n="{len(doc.components)}">\n{sets}'
            "</MeasurementResultsSet>\n"
            + (
                f'<ActualComponentSets n="1"><ActualComponentSet n="{len(doc.components)}">\n'
                f"{pieces}</ActualComponentSet></ActualComponentSets>\n"
                if doc.components
                else ""
            )
            + "</Results>\n"
        )

    def one_run(self, at: int) -> str:
        doc = self.doc
        sets: list[str] = []
        measured = "".join(self.measured(f, at, sets) for f in doc.features)
        own = doc.run_qpids.get(at, "")
        points = f'<MeasuredPointSets n="{len(sets)}">\n{"".join(sets)}</MeasuredPointSets>\n'
        told = "".join(self.told(c, at) for c in doc.characteristics)
        count_ = told.count("<CharacteristicItemId>")
        characteristics = (
            f'<MeasuredCharacteristics><CharacteristicMeasurements n="{count_}">\n{told}'
            "</CharacteristicMeasurements></MeasuredCharacteristics>\n"
        )
        return (
            f'<MeasurementResults id="{next(self.next)}">{doc.inspection}'
            + (f"<ThisResultsInstanceQPId>{own}</ThisResultsInstanceQPId>" if own else "")
            + f"<MeasuredFeatures>\n{measured}</MeasuredFeatures>\n"
            + (points if sets else "")
            + (characteristics if told else "")
            + doc.transforms
            + "<InspectionStatus><InspectionStatusEnum>UNKNOWN</InspectionStatusEnum>"
            f'</InspectionStatus><ActualComponentIds n="1"><Id>{self.pieces[at]}</Id>'
            "</ActualComponentIds></MeasurementResults>\n"
        )

    def measured(self, f: Feature, at: int, sets: list[str]) -> str:
        if at not in f.hits and at not in f.locations:
            return ""
        own, item = next(self.next), self.of[id(f)][2]
        self.measurements[f.name, at] = own
        reference = item if f.item_reference is None else f.item_reference
        listed = ""
        if at in f.hits:
            number = next(self.next)
            sets.append(self.point_set(f.hits[at], number))
            listed = f'<PointList n="1"><WholePointSetId>{number}</WholePointSetId></PointList>'
        place = f.locations.get(at)
        if place is None:
            location = ""
        elif isinstance(place, str):
            location = place
        else:
            location = f"<Location>{numbers(place)}</Location>"
        return (
            f'<{f.kind}FeatureMeasurement id="{own}">'
            + (f"<FeatureItemId>{reference}</FeatureItemId>" if reference else "")
            + (f"<FeatureName>{f.measured_name}</FeatureName>" if f.measured_name else "")
            + (f"<TimeStamp>{f.stamp}</TimeStamp>" if f.stamp else "")
            + (f"<ActualComponentId>{f.component[at]}</ActualComponentId>"
               if at in f.component else "")
            + (f'<MeasurementDeviceIds n="1"><Id>{f.device}</Id></MeasurementDeviceIds>'
               if f.device else "")
            + f"{listed}{location}</{f.kind}FeatureMeasurement>\n"
        )  # fmt: skip

    def point_set(self, hits: Hits, number: str) -> str:
        flat = [v for p in hits.positions for v in p]
        points = hits.points if hits.points is not None else f"<Points>{numbers(flat)}</Points>"
        held = len(hits.positions) if hits.count is None else hits.count
        return (
            f'<MeasuredPointSet id={quoteattr(number)} count="{held}">{hits.units}{hits.frame}'
            f"{points}{hits.normals}{hits.compensated}{hits.radius}{hits.times}"
            "</MeasuredPointSet>\n"
        )

    def told(self, c: Characteristic, at: int) -> str:
        if at not in c.values:
            return ""
        kind, item = f"{c.kind}CharacteristicMeasurement", self.ch[id(c)][2]
        own = [self.measurements.get((f, at)) for f in c.features]
        refer = "".join(f"<Id>{i}</Id>" for i in own if i)
        return (
            f'<{kind} id="{next(self.next)}"><Status><CharacteristicStatusEnum>'
            f"{c.statuses.get(at, 'PASS')}</CharacteristicStatusEnum></Status>"
            f"<CharacteristicItemId>{item}</CharacteristicItemId>"
            + (f"<TimeStamp>{c.stamp}</TimeStamp>" if c.stamp else "")
            + (f'<FeatureMeasurementIds n="{refer.count("<Id>")}">{refer}</FeatureMeasurementIds>'
               if refer and not c.by_item else "")
            + f"{c.values[at]}</{kind}>\n"
        )  # fmt: skip
