"""The guide against the program: every command, every shown output, every key of --json.

Nothing here is checked against the guide's own say-so: commands are parsed by the command line
itself, outputs come from running them on the sample runs, keys from the documents they print.
"""

import ast
import itertools
import json
import re
import shlex
import shutil
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import click
import duckdb
import numpy as np
import pytest
from click.testing import CliRunner
from qif_documents import Doc, Feature

from spc.cli import cli
from spc.guide import TOPICS, page, topics
from spc.ingest.mapping import read_mapping
from spc.ingest.plan_toml import read_plan

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample-runs"
#: Pages written by hand; 'schema' is made from the schema itself.
PAGES = tuple(topic for topic in TOPICS if topic != "schema")
#: Commands of the pages that are not run here: they are long, and tested elsewhere.
NOT_RUN = re.compile(r"spc demo\b")
#: Taking all the sample runs is long too; the store that the other tests share stands in for it.
TAKE_ALL = "spc ingest sample-runs/runs/*/*.csv sample-runs/events.csv sample-runs/gauge/*.csv"


# --- reading the pages ---------------------------------------------------------------------------


@dataclass
class Shown:
    """A command of a page, and what the page shows below it."""

    topic: str
    line: str
    output: list[str] = field(default_factory=list)

    def words(self) -> list[str]:
        """Return the command's arguments, 'spc' itself left out."""
        return shlex.split(self.line)[1:]


def fences(text: str, language: str = "") -> list[str]:
    """Return the bodies of the fenced blocks of a language."""
    found = re.findall(r"^```(\w*)\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)
    return [body for of, body in found if of == language]


def prose(text: str) -> str:
    """Return a page without its fenced blocks."""
    return re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)


def shown(topic: str) -> list[Shown]:
    """Return the commands of a page's fenced blocks with their output."""
    found: list[Shown] = []
    for block in fences(page(topic)):
        for line in block.splitlines():
            if line.startswith(("$ ", "> ")):
                found.append(Shown(topic, line[2:]))
            elif found:
                found[-1].output.append(line)
    return found


def spans(text: str) -> list[str]:
    """Return the code spans of a page's running text."""
    return [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", prose(text))]


def commands() -> Iterator[tuple[str, click.Command]]:
    """Yield every command that does something, with its full name."""

    def walk(name: str, command: click.Command) -> Iterator[tuple[str, click.Command]]:
        if not isinstance(command, click.Group):
            yield name, command
            return
        context = click.Context(command)
        for part in command.list_commands(context):
            child = command.get_command(context, part)
            assert child is not None
            yield from walk(f"{name} {part}", child)

    yield from walk("spc", cli)


COMMANDS = dict(commands())

#: Of the program: what it sets, such as the short form of --help, a command keeps once asked.
PROGRAM = click.Context(cli, **cli.context_settings)


def resolved(words: list[str]) -> tuple[str, click.Command, list[str]]:
    """Return name, command and arguments of what is meant by the words of a line."""
    command: click.Command = cli
    name, rest = "spc", list(words)
    while isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
        child = command.get_command(click.Context(command), rest[0])
        assert child is not None, f"no command 'spc {' '.join(words)}'"
        name, command, rest = f"{name} {rest[0]}", child, rest[1:]
    return name, command, rest


# --- topics --------------------------------------------------------------------------------------


@pytest.mark.parametrize("topic", TOPICS)
def test_topic_prints(topic: str) -> None:
    result = CliRunner().invoke(cli, ["guide", topic])
    assert result.exit_code == 0
    assert result.output.startswith("# ")
    assert len(result.output) > 600


def test_topics_are_listed() -> None:
    listed = CliRunner().invoke(cli, ["guide"]).output
    assert listed.strip() == topics().strip()
    for topic in TOPICS:
        assert re.search(rf"^  {topic}\s", listed, flags=re.MULTILINE)


def test_every_page_is_a_topic() -> None:
    written = {path.stem for path in (ROOT / "spc" / "guide").glob("*.md")}
    assert written == set(PAGES)


@pytest.mark.parametrize("topic", PAGES)
def test_fences_are_closed(topic: str) -> None:
    marks = [line for line in page(topic).splitlines() if line.startswith("```")]
    assert len(marks) % 2 == 0
    assert all(mark in {"```", "```toml"} for mark in marks[::2])
    assert all(mark == "```" for mark in marks[1::2])


@pytest.mark.parametrize("topic", PAGES)
def test_running_text_fits_a_terminal(topic: str) -> None:
    long = [
        line
        for line in prose(page(topic)).splitlines()
        if len(line) > 105 and not line.startswith(("|", "    "))
    ]
    assert long == []


def test_pages_refer_to_topics_that_exist() -> None:
    named = {
        words[2]
        for topic in PAGES
        for words in (span.split() for span in spans(page(topic)))
        if words[:2] == ["spc", "guide"] and len(words) > 2 and words[2].islower()
    }
    assert named
    assert named <= set(TOPICS)


# --- commands ------------------------------------------------------------------------------------


def test_shown_commands_are_accepted() -> None:
    """Each line is parsed by the command itself: options, choices and arguments, nothing run."""
    lines = [one for topic in PAGES for one in shown(topic)]
    assert len(lines) > 30
    for one in lines:
        assert one.line.startswith("spc "), one.line
        if one.line == "spc --version":
            continue
        name, command, rest = resolved(one.words())
        assert not isinstance(command, click.Group), one.line
        try:
            command.make_context(name, list(rest), parent=PROGRAM)
        except click.UsageError as error:
            pytest.fail(f"{one.topic}: {one.line}: {error.format_message()}")


def _options(command: click.Command) -> set[str]:
    return {
        name
        for parameter in command.params
        if isinstance(parameter, click.Option)
        for name in (*parameter.opts, *parameter.secondary_opts)
    } | {"-h", "--help"}


def test_commands_and_options_in_the_text_exist() -> None:
    everywhere = set().union(*(_options(command) for command in COMMANDS.values())) | {"--version"}
    for topic in PAGES:
        for span in spans(page(topic)):
            words = span.split()
            if words[0] == "spc" and len(words) > 1:
                _, command, _ = resolved(words[1:])
                allowed = _options(command)
            elif words[0].startswith("--"):
                allowed = everywhere
            else:
                continue
            used = {w.split("=")[0] for w in words if w.startswith("--")}
            assert used <= allowed, f"{topic}: `{span}`"


def test_every_command_has_a_place_in_the_guide() -> None:
    text = " ".join(" ".join(page(topic).split()) for topic in PAGES)
    missing = [name for name in COMMANDS if not re.search(rf"{name}(?![\w-])", text)]
    assert missing == []


def test_every_option_has_a_place_in_the_guide() -> None:
    text = " ".join(page(topic) for topic in PAGES)
    everywhere = set().union(*(_options(command) for command in COMMANDS.values()))
    missing = [o for o in sorted(everywhere) if o != "-h" and not re.search(rf"{o}(?![\w-])", text)]
    assert missing == []


# --- what the commands print ---------------------------------------------------------------------


def run(folder: Path, words: Iterable[str], monkeypatch: pytest.MonkeyPatch) -> tuple[int, str]:
    """Run a command in a folder; a refusal is printed as the program prints it."""
    from spc.errors import SpcError

    monkeypatch.chdir(folder)
    result = CliRunner(env={"SPC_STORE": None}).invoke(cli, _expanded(words), standalone_mode=False)
    if isinstance(result.exception, SpcError):
        return 2, result.output + f"spc: {' '.join(str(result.exception).split())}\n"
    if result.exception is not None:
        raise result.exception
    return int(result.return_value or 0), result.output


def _expanded(words: Iterable[str]) -> list[str]:
    """Expand patterns as a shell does."""
    expanded: list[str] = []
    for word in words:
        found = sorted(str(path) for path in Path().glob(word)) if "*" in word else []
        expanded += found or [word]
    return expanded


def agrees(expected: list[str], actual: str) -> bool:
    """Tell whether a shown output is the actual one, '…' standing for what was left out.

    Widths of tables depend on the rows shown, so runs of blanks and of dashes count as one.
    """

    def plain(text: str) -> str:
        return re.sub(r"-{2,}", "--", " ".join(text.split()))

    parts = [re.escape(part.strip()) for part in plain("\n".join(expected)).split("…")]
    return re.fullmatch(r"\s*.*?\s*".join(parts), plain(actual), flags=re.DOTALL) is not None


def test_agrees_can_tell() -> None:
    assert agrees(["a  b", "…", "z"], "a b\nc d\nz\n")
    assert agrees(["-----  --"], "---  ------")
    assert not agrees(["a b", "z"], "a b\nc d\nz\n")
    assert not agrees(["0.040"], "0.041")


@pytest.fixture(scope="module")
def patch() -> Iterator[pytest.MonkeyPatch]:
    """A monkeypatch for the whole file: several fixtures change the folder."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        yield monkeypatch


@pytest.fixture(scope="module")
def filled(sample_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sample runs and a store that holds them all."""
    folder = tmp_path_factory.mktemp("filled")
    (folder / "sample-runs").symlink_to(SAMPLES, target_is_directory=True)
    shutil.copy(sample_store, folder / "spc.duckdb")
    return folder


def _bridge(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Take both sides of a bridge into the folder's store."""
    for side, setup in (("BR-old", "1"), ("BR-new", "2")):
        _write_side(folder / f"{side}.csv", side, setup)
        run(folder, ["ingest", f"{side}.csv"], monkeypatch)


def _write_side(path: Path, side: str, setup: str) -> None:
    """Write one side of a bridge: one operator's runs of the gauge study, one set-up each."""
    head, *rows = _sample("gauge/2026-06_G1.csv")
    at = {name: place for place, name in enumerate(head.split(","))}
    mine = [row.split(",") for row in rows]
    mine = [row for row in mine if row[at["setup"]] == setup and row[at["operator"]] == "ana"]
    for row in mine:
        row[at["study"]], row[at["run"]] = side, f"{side}-{row[at['run']]}"
    path.write_text("\n".join([head, *(",".join(row) for row in mine)]), encoding="utf-8")


def _sample(name: str) -> list[str]:
    return (SAMPLES / name).read_text(encoding="utf-8").splitlines()


#: Pages that begin with an empty folder, and what was done there before.
BEGINNING: dict[str, list[list[str]]] = {
    "start": [],
    "plan": [["init"]],
    "files": [
        ["init"],
        ["plan", "add", "sample-runs/LH-640.toml"],
        ["ingest", "sample-runs/runs/2026-10/2026-10-01_B30_K2.csv"],
    ],
}


@pytest.fixture
def folder(topic: str, filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder as the page's reader has it."""
    (tmp_path / "sample-runs").symlink_to(SAMPLES, target_is_directory=True)
    if topic not in BEGINNING:
        shutil.copy(filled / "spc.duckdb", tmp_path)
    for words in BEGINNING.get(topic, []):
        run(tmp_path, words, monkeypatch)
    if topic == "files":
        _write_foreign_files(tmp_path)
    if topic == "gauge":
        _bridge(tmp_path, monkeypatch)
    if topic == "plan":
        _write_qif(tmp_path)
    return tmp_path


def _write_foreign_files(folder: Path) -> None:
    """Write the files that the page on files speaks of."""
    rows = [row.replace("H0", "Y0") for row in _sample("runs/2026-10/2026-10-28_B35_K2.csv")]
    october = [re.sub(r",2026-10-28T.{14},", ",2026-10-25T02:30:00,", row) for row in rows]
    (folder / "october.csv").write_text("\n".join(october), encoding="utf-8")
    wrong = [re.sub(",mm$", ",in", row) for row in rows]
    (folder / "wrong-unit.csv").write_text("\n".join(wrong), encoding="utf-8")
    again = "\n".join(_sample("runs/2026-10/2026-10-01_B30_K2.csv"))
    again = again.replace(",B30,", ",B77,").replace("-1,2026-", "-2,2026-")
    (folder / "batch30.csv").write_text(again, encoding="utf-8")
    head, *body = [row.split(",") for row in rows]
    at = [head.index(name) for name in ("serial", "measured_at", "point", "hit", "x", "y", "z")]
    lines = ["Seriennr;Lauf;Zeit;Merkmal;Antastung;X;Y;Z;Prüfer"]
    for row in body:
        serial, when, point, hit, *xyz = (row[i] for i in at)
        moment, numbers = when[:16].replace("T", " "), [v.replace(".", ",") for v in xyz]
        lines.append(";".join([serial, "1", moment, point, hit, *numbers, "zoë"]))
    (folder / "hall2.csv").write_text("\n".join(lines), encoding="cp1252")
    (folder / "hall2.toml").write_text(fences(page("files"), "toml")[0], encoding="utf-8")


@pytest.mark.parametrize("place", [0, 1])
def test_mappings_of_the_guide_are_read(place: int, tmp_path: Path) -> None:
    path = tmp_path / "mapping.toml"
    path.write_text(fences(page("files"), "toml")[place], encoding="utf-8")
    declared = read_mapping(path)
    assert (declared.unit, declared.wide) == [("mm", False), (None, True)][place]


@pytest.mark.parametrize("topic", PAGES)
def test_shown_output_is_what_the_command_prints(
    topic: str, folder: Path, sample_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for one in shown(topic):
        if NOT_RUN.match(one.line) or not one.output:
            continue
        if one.line == TAKE_ALL:
            shutil.copy(sample_store, folder / "spc.duckdb")
            continue
        _, output = run(folder, one.words(), monkeypatch)
        assert agrees(one.output, output), f"{one.line}\n{output}"


def test_foreign_file_is_the_one_shown(tmp_path: Path) -> None:
    _write_foreign_files(tmp_path)
    first = (tmp_path / "hall2.csv").read_text(encoding="cp1252").splitlines()[:3]
    indented = re.findall(r"^    (.*)$", page("files"), flags=re.MULTILINE)
    assert set(first) <= set(indented)


def test_plan_of_the_guide_is_a_plan(tmp_path: Path) -> None:
    """The example's two points with the sample's other fit points are read without a word."""
    (example,) = fences(page("plan"), "toml")
    here = {point["id"] for point in tomllib.loads(example)["point"]}
    text = (SAMPLES / "LH-640.toml").read_text(encoding="utf-8")
    others = [
        part for part in text.split("[[point]]")[1:] if not any(f'"{i}"' in part for i in here)
    ]
    whole = "[[point]]".join([example, *others])
    path = tmp_path / "plan.toml"
    path.write_text(whole, encoding="utf-8")
    plan, warnings = read_plan(path)
    assert warnings == ()
    assert plan == read_plan(SAMPLES / "LH-640.toml")[0] or len(plan.points) == 33


# --- refusals ------------------------------------------------------------------------------------


#: What refuses, and which of its arguments is the message.
SAYS = {"InputError": 0, "PlanError": 0, "_wrong": 2}


def _messages(*places: str) -> list[tuple[str, list[str]]]:
    """Return each message of a refusal in the source as its fixed parts, longest first."""
    found = []
    for path in itertools.chain.from_iterable(sorted((ROOT / "spc").glob(p)) for p in places):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args):
                continue
            at = SAYS.get(node.func.id, len(node.args))
            for said in _branches(node.args[at]) if at < len(node.args) else ():
                parts = [p for p in _fixed(said) if len(p.strip()) > 3]
                if parts:
                    found.append((f"{path.name}:{node.lineno}", sorted(parts, key=len)[::-1]))
    return found


def _branches(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.IfExp):
        yield from _branches(node.body)
        yield from _branches(node.orelse)
    else:
        yield node


def _fixed(node: ast.expr) -> list[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        return [part for value in node.values for part in _fixed(value)]
    return []


def test_refusals_of_files_and_plans_are_in_the_guide() -> None:
    """Whatever can be said against a user's file has a row that says what to do."""
    text = page("files") + page("plan")
    found = _messages("ingest/**/*.py", "choices.py", "studies/intake.py", "studies/pieces.py")
    assert len(found) > 45
    missing = [(where, parts[0]) for where, parts in found if parts[0].strip(" :'") not in text]
    assert missing == []


# --- json ----------------------------------------------------------------------------------------


@dataclass
class Keys:
    """Keys of a document as the guide tells them: names with what lies below each."""

    below: dict[str, "Keys"] = field(default_factory=dict)
    same_as: str = ""
    by_name: bool = False


def told() -> dict[str, Keys]:
    """Return the keys that the page on JSON tells, by section."""
    sections: dict[str, Keys] = {}
    stack: list[tuple[int, list[Keys]]] = []
    for line in re.sub(r"\n +(?![ -])", " ", prose(page("json"))).splitlines():
        if line.startswith("## "):
            keys = Keys()
            sections[line.removeprefix("## ").strip("`")] = keys
            stack = [(-1, [keys])]
        elif match := re.match(r"( *)- (`[^:]*`):(.*)", line):
            _take_bullet(stack, len(match[1]), re.findall(r"`([^`]+)`", match[2]), match[3])
        elif stack and (same := re.search(r"[Aa]s in `([^`]+)`", line)):
            stack[-1][1][0].same_as = same[1]
    return sections


def _take_bullet(
    stack: list[tuple[int, list[Keys]]], depth: int, names: list[str], text: str
) -> None:
    while stack[-1][0] >= depth:
        stack.pop()
    same = re.search(r"as in `([^`]+)`", text)
    made = [Keys(same_as=same[1] if same else "", by_name="by name" in text) for _ in names]
    for parent in stack[-1][1]:
        parent.below.update(zip(names, made, strict=True))
    stack.append((depth, made))


@dataclass
class Compared:
    """What a comparison of documents with the guide came to.

    ``seen`` are the guide's keys that were met, ``wrong`` says where the two differ.
    """

    sections: dict[str, Keys]
    seen: set[str] = field(default_factory=set)
    wrong: set[str] = field(default_factory=set)

    def walk(self, keys: Keys, value: object, at: str) -> None:
        """Compare a value with the keys told of it, under the name of the section they are in."""
        while keys.same_as:
            at, keys = keys.same_as, self.sections[keys.same_as]
        if isinstance(value, list):
            for item in value:
                self.walk(keys, item, at)
        if not isinstance(value, dict) or keys.by_name:
            return
        self.wrong |= {f"{at}: `{key}` is not in the guide" for key in value.keys() - keys.below}
        self.wrong |= {f"{at}: no `{key}` is printed" for key in keys.below.keys() - value.keys()}
        for key in value.keys() & keys.below.keys():
            self.seen.add(f"{at}.{key}")
            self.walk(keys.below[key], value[key], f"{at}.{key}")


def paths(keys: Keys, at: str) -> set[str]:
    """Return every key told in a section."""
    return {f"{at}.{key}" for key in keys.below}.union(
        *(paths(below, f"{at}.{key}") for key, below in keys.below.items())
    )


def test_comparison_can_tell() -> None:
    keys = Keys(below={"a": Keys(), "b": Keys(below={"c": Keys()}), "n": Keys(by_name=True)})
    good = Compared({"x": keys})
    good.walk(keys, [{"a": 1, "b": [{"c": 1}], "n": {"any": 1}}], "x")
    assert (good.wrong, good.seen) == (set(), paths(keys, "x"))
    bad = Compared({"x": keys})
    bad.walk(Keys(same_as="x"), {"a": 1, "b": [{"d": 1}], "n": None}, "y")
    assert bad.wrong == {"x.b: `d` is not in the guide", "x.b: no `c` is printed"}
    assert paths(keys, "x") - bad.seen == {"x.b.c"}


#: Commands run for their documents, in this order; several for one where a list may be empty.
DOCUMENTS = (
    "init --store other.duckdb",
    "plan add sample-runs/LH-640.toml",
    "plan list",
    "plan show",
    "plan draft hood.qif",
    "plan check",
    "plan check rich.toml",
    "plan rehearse --trials 100",
    "ingest november.csv --dry-run",
    "ingest november.csv --draft-mapping",
    "ingest november.csv sample-runs/events.csv",
    "run list --batch B09",
    "run show H0188",
    "omit H0188 flank-1 --why slid",
    "run show H0188",
    "run restore H0188 --why right",
    "omit Z0003 deck-2 --why slid --force",
    "run tally",
    "refit no-nose-2 --without nose-2",
    "refit",
    "event add work --at 2026-11-03T10:00Z",
    "event list",
    "chart list",
    "chart show tail-left",
    "chart show tail-left --kind batches",
    "chart shape",
    "chart design tail-left --shift 0.5",
    "drift",
    "drift --trend --event 'resin lot'",
    "limits freeze tail-left fit-noise --baseline B01..B20 --why calm",
    "limits list",
    "limits propose",
    "limits retire tail-left --at 2026-07-06 --why resin",
    "signals list",
    "signals ack {signal} --cause resin --action none",
    "capability latch-face tail-left --details",
    "gauge study G1",
    "gauge study TW",
    "gauge study G1 --with day",
    "gauge sheet G2 --pieces 12 --operators 3 --setups 4 --like G1 --tolerance 3",
    "gauge bridge study:BR-old study:BR-new",
    "gauge moves --residual 0.03 --seat 0,0,0 --seat 900,0,0 --seat 0,600,0",
    "gauge trust --tolerance 1.6",
    "gauge trust --at 2026-10-07",
    "report 2026-11",
    "board",
    "export --parquet --folder everything",
    "store info",
    "store check --store broken.duckdb",
    "store backup copy.duckdb",
    "store correct H0001 --batch B77 --why misread",
    "store migrate",
    "init --store third.duckdb",
    "plan add sample-runs/LH-640.toml --store third.duckdb",
    "ingest otherwise.csv --store third.duckdb",
    "store merge third.duckdb",
    "plan add rich.toml",
    "plan show --part LH-641",
    "ingest odd.csv",
    "run show S0001 --part LH-641",
    "run show X0001 --part LH-641",
    "run show T0001 --part LH-641",
    "run show H0188 --store reported.duckdb",
)
#: Options by which a command prints another document.
OTHER_DOCUMENT = ("--kind", "--with", "--trend", "--dry-run", "--draft-mapping")


def section(words: list[str]) -> str:
    """Return the section of the guide that tells the document of a command."""
    name, _, rest = resolved(words)
    if name == "spc refit" and rest:
        return f"{name} NAME"
    return next((f"{name} {option}" for option in OTHER_DOCUMENT if option in rest), name)


@pytest.fixture(scope="module")
def documents(
    filled: Path, tmp_path_factory: pytest.TempPathFactory, patch: pytest.MonkeyPatch
) -> list[tuple[str, object]]:
    """Name and document of each command."""
    folder = tmp_path_factory.mktemp("documents")
    (folder / "sample-runs").symlink_to(SAMPLES, target_is_directory=True)
    shutil.copy(filled / "spc.duckdb", folder)
    _write_november(folder)
    _write_rich(folder)
    _write_qif(folder)
    _write_odd_stores(folder)
    _write_twice(folder / "twice.csv")
    _bridge(folder, patch)
    run(folder, ["ingest", "twice.csv"], patch)
    made: list[tuple[str, object]] = []
    for line in DOCUMENTS:
        if "{signal}" in line:
            _, listed = run(folder, ["signals", "list", "--json"], patch)
            line = line.format(signal=json.loads(listed)["signals"][0]["signal_id"])
        words = shlex.split(line)
        status, output = run(folder, [*words, "--json"], patch)
        assert status < 2, f"{line}: {output}"
        made.append((section(words), json.loads(output)))
    return made


def _one_run(serial: str) -> tuple[list[str], list[list[str]]]:
    """Return header and rows of one run of the last batch, under another serial."""
    head, *rows = _sample("runs/2026-10/2026-10-28_B35_K2.csv")
    first = rows[0].split(",")[2]
    return head.split(","), [
        row.replace(first, serial).split(",") for row in rows if f",{first}," in row
    ]


def _write_twice(path: Path) -> None:
    """Write a study TW whose set-ups were probed twice: the only kind whose pose has figures.

    The second probing is the first again, read a little off, since nothing was lifted.
    """
    head, *rows = _sample("gauge/2026-06_G1.csv")
    at = {name: place for place, name in enumerate(head.split(","))}
    rng = np.random.default_rng(2)
    once = [cells for row in rows if (cells := row.split(","))[at["setup"]] in ("1", "2")]
    again = [list(cells) for cells in once]
    for label, runs in (("TW", once), ("TV", again)):
        for cells in runs:
            cells[at["study"]], cells[at["run"]] = "TW", f"{label}-{cells[at['run']]}"
    for cells in again:
        for axis in "xyz":
            cells[at[axis]] = f"{float(cells[at[axis]]) + rng.normal(0.0, 0.02):.4f}"
    _write_rows(path, head.split(","), [*once, *again])


def _write_rows(path: Path, head: list[str], rows: list[list[str]]) -> None:
    path.write_text("\n".join(",".join(row) for row in [head, *rows]), encoding="utf-8")


def _write_november(folder: Path) -> None:
    """Write a month of young pieces: one held, one measured again, one with a gap and a bad hit."""
    runs: list[list[str]] = []
    for serial, label in (("Z0001", "1"), ("Z0002", "1"), ("Z0002", "2"), ("Z0003", "1")):
        head, rows = _one_run(serial)
        z, when, name, point, hit, age = (
            head.index(column)
            for column in ("z", "measured_at", "run", "point", "hit", "hours_since_moulding")
        )
        for row in rows:
            off = {("deck-1", "Z0001"): 9.0, ("deck-2", "Z0003"): 3.0 * (row[hit] == "2")}
            row[z] = str(float(row[z]) + off.get((row[point], serial), 0.0))
            row[name], row[age] = label, "5.0"
            row[when] = f"2026-11-0{label}T0{serial[-1]}:30:00Z"
        runs += [row for row in rows if (row[point], serial) != ("tail-left", "Z0003")]
    _write_rows(folder / "november.csv", head, runs)


def _write_odd_stores(folder: Path) -> None:
    """Write a store with a number changed by hand, and a file that contradicts the store."""
    shutil.copy(folder / "spc.duckdb", folder / "broken.duckdb")
    with duckdb.connect(str(folder / "broken.duckdb")) as connection:
        connection.execute("UPDATE hit SET x = x + 1 WHERE point = 'deck-1' AND hit = 1")
    shutil.copy(folder / "spc.duckdb", folder / "reported.duckdb")
    with duckdb.connect(str(folder / "reported.duckdb")) as connection:
        connection.execute(
            "INSERT INTO reported_status SELECT run_id, 'flatness', 'deck-1', 9.0, -1.0, 1.0, "
            "'PASS', 'FAIL', 7, file_id FROM run WHERE serial = 'H0188'"
        )
    head, *rows = _sample("runs/2026-04/2026-04-02_B01_K1.csv")
    cells = [row.split(",") for row in rows]
    x = head.split(",").index("x")
    cells[0][x] = str(float(cells[0][x]) + 0.5)
    _write_rows(folder / "otherwise.csv", head.split(","), cells)


def _write_qif(folder: Path) -> None:
    """Write a QIF document with three nominal points."""
    names = ("deck-1", "flank-1", "nose-1")
    document = Doc(
        features=[Feature(name=name, nominal=(10.0 * k, 0.0, 0.0)) for k, name in enumerate(names)]
    )
    (folder / "hood.qif").write_bytes(document.bytes())


#: What a plan can say beyond its points.
RICH = """
[probe]
sigma = 0.04

[material]
expansion = 150e-6
wall = 4.0
modulus_gpa = 0.9
"""


def _write_rich(folder: Path) -> None:
    """Write another part: a plan that says all it can, an unchecked point, odd runs."""
    text = "\n".join(_sample("LH-640.toml")).replace('"LH-640"', '"LH-641"')
    text = text.replace('"least squares"', '"least squares"\nsecond_opinion = "least trimmed"')
    text = text.replace("\n\n[[point]]", f"\n{RICH}\n[[point]]", 1)
    text = text.replace('id = "nose-2"\nrole = "fit"', 'id = "nose-2"\nrole = "check"')
    text = text.replace('id = "deck-middle"', 'id = "deck-middle"\npanel = [400.0, 400.0]')
    (folder / "rich.toml").write_text(text, encoding="utf-8")
    # One file: alone, the run with exchanged points would be refused, for it fits no plan.
    odd: list[list[str]] = []
    changes = {"S0001": _from_two_stations, "X0001": _exchanged, "T0001": _touched}
    for serial, change in changes.items():
        head, rows = _one_run(serial)
        odd += change(head, [[cell.replace("LH-640", "LH-641") for cell in row] for row in rows])
    _write_rows(folder / "odd.csv", head, odd)


def _from_two_stations(head: list[str], rows: list[list[str]]) -> list[list[str]]:
    """Probe four points from a second station too, and one from there only."""
    point, hit, station = (head.index(name) for name in ("point", "hit", "station"))
    again = [row.copy() for row in rows if row[point] in {"deck-1", "deck-3", "flank-1", "nose-1"}]
    for row in again:
        row[hit], row[station] = str(int(row[hit]) + 3), "2"
    for row in rows:
        row[station] = "2" if row[point] == "tail-left" else row[station]
    return [*rows, *again]


def _touched(head: list[str], rows: list[list[str]]) -> list[list[str]]:
    """Read one fit point wrong by a millimetre and a half."""
    point, z = head.index("point"), head.index("z")
    for row in rows:
        row[z] = str(float(row[z]) + 1.5) if row[point] == "flank-2" else row[z]
    return rows


def _exchanged(head: list[str], rows: list[list[str]]) -> list[list[str]]:
    """Name two points for each other."""
    point, names = head.index("point"), {"deck-1": "deck-2", "deck-2": "deck-1"}
    for row in rows:
        row[point] = names.get(row[point], row[point])
    return rows


@pytest.fixture(scope="module")
def compared(documents: list[tuple[str, object]]) -> Compared:
    """The documents held against the guide."""
    found = Compared(told())
    for name, document in documents:
        assert name in found.sections, f"the page on JSON has no '{name}'"
        found.walk(found.sections[name], document, name)
    return found


def test_keys_of_every_document_are_in_the_guide(compared: Compared) -> None:
    assert not compared.wrong, "\n".join(sorted(compared.wrong))


def test_every_key_of_the_guide_is_in_a_document(compared: Compared) -> None:
    """No list or object of the page stayed empty in all the documents, and so unchecked."""
    asked = set().union(*(paths(keys, name) for name, keys in compared.sections.items()))
    unseen = sorted(
        path for path in asked - compared.seen if not path.startswith("spc demo.")
    )  # fmt: skip
    assert not unseen, "\n".join(unseen)


def test_every_command_with_json_has_its_keys_in_the_guide() -> None:
    with_json = {name for name, command in COMMANDS.items() if "--json" in _options(command)}
    assert with_json - told().keys() == set()
