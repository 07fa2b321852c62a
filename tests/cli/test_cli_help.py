"""Every command explains itself, with an example that it would accept, and without delay."""

import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator

import click
import pytest
from helpers import Outcome

from spc import __version__
from spc.cli import COMMANDS, cli

Command = Callable[..., Outcome]

#: Of the program: what it sets, such as the short form of --help, a command keeps once asked.
PROGRAM = click.Context(cli, **cli.context_settings)

#: What takes a tenth of a second or more to import, or draws such a thing in.
HEAVY = ("pandas", "numpy", "scipy", "statsmodels", "plotly", "duckdb")


def walked(name: tuple[str, ...], command: click.Command) -> Iterator[tuple[str, ...]]:
    """Yield the names of all commands below, groups too."""
    yield name
    if isinstance(command, click.Group):
        context = click.Context(command)
        for below in command.list_commands(context):
            child = command.get_command(context, below)
            assert child is not None
            yield from walked((*name, below), child)


EVERYTHING = list(walked((), cli))


def found(words: tuple[str, ...]) -> click.Command:
    """Return the command of these words."""
    command: click.Command = cli
    for word in words:
        assert isinstance(command, click.Group)
        child = command.get_command(click.Context(command), word)
        assert child is not None
        command = child
    return command


LEAVES = [words for words in EVERYTHING if not isinstance(found(words), click.Group)]


def test_there_is_a_command_for_every_part_of_the_job() -> None:
    assert {words[0] for words in LEAVES} == set(COMMANDS)
    assert len(LEAVES) >= 17


@pytest.mark.parametrize("words", EVERYTHING, ids=" ".join)
def test_every_command_has_help_in_whole_sentences(words: tuple[str, ...], spc: Command) -> None:
    outcome = spc(*words, "--help")
    assert outcome.done(f"Usage: spc {' '.join(words)}".rstrip())
    assert spc(*words, "-h").out == outcome.out
    help_text = found(words).help
    assert help_text
    assert help_text.strip()[0].isupper()
    assert re.search(r"[.:]$", help_text.split("\n\n")[0].strip())


@pytest.mark.parametrize("words", LEAVES, ids=" ".join)
def test_every_option_says_what_it_is_for(words: tuple[str, ...]) -> None:
    silent = [p.name for p in found(words).params if isinstance(p, click.Option) and not p.help]
    assert silent == []


@pytest.mark.parametrize("words", LEAVES, ids=" ".join)
def test_every_command_shows_an_example_that_it_would_accept(
    words: tuple[str, ...], spc: Command
) -> None:
    help_text = found(words).help or ""
    (example,) = re.findall(r"Example: (spc .*)", " ".join(help_text.split()))
    typed = shlex.split(example)[1:]
    assert tuple(typed[: len(words)]) == words
    # Parsed as the command line would, but not run.
    found(words).make_context(" ".join(words), typed[len(words) :], parent=PROGRAM)
    assert "Example: spc" in spc(*words, "--help").out


@pytest.mark.parametrize("words", LEAVES, ids=" ".join)
def test_every_command_but_the_guide_can_answer_in_json(words: tuple[str, ...]) -> None:
    names = {name for p in found(words).params for name in p.opts}
    assert ("--json" in names) == (words != ("guide",))


def test_help_waits_for_nothing_heavy() -> None:
    code = f"""
import sys
from spc.cli import main
for words in {[list(words) for words in EVERYTHING]}:
    sys.argv = ["spc", *words, "--help"]
    try:
        main()
    except SystemExit as stop:
        assert not stop.code, words
    heavy = [name for name in {HEAVY} if name in sys.modules]
    assert not heavy, (words, heavy)
print("light", file=sys.stderr)
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (ran.returncode, ran.stderr) == (0, "light\n")
    assert ran.stdout.count("Usage: spc") == len(EVERYTHING)


def test_the_version_is_said_in_one_line(spc: Command) -> None:
    assert spc("--version").out == f"spc, version {__version__}\n"


@pytest.mark.parametrize("words", [(), ("plan",), ("chart",)])
def test_a_group_called_with_nothing_prints_its_help(words: tuple[str, ...], spc: Command) -> None:
    assert spc(*words).done("Usage: spc", "Commands:")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nonsense",), ("No such command 'nonsense'", "see 'spc --help'")),
        (("plan", "nonsense"), ("No such command 'nonsense'", "see 'spc plan --help'")),
        (("--nonsense",), ("No such option", "--nonsense", "see 'spc --help'")),
        (("run", "list", "--nonsense"), ("No such option", "see 'spc run list --help'")),
        (("ingest",), ("Missing argument 'FILES...'", "see 'spc ingest --help'")),
        (("chart", "show"), ("Missing argument 'SERIES...'",)),
        (("chart", "list", "--by", "hour"), ("'hour' is not one of", "batch", "piece")),
        (("chart", "list", "--fail-on", "rain"), ("'rain' is not",)),
        (("capability", "--required", "much"), ("'much' is not a valid float",)),
        (("report",), ("no month is named", "--from DAY --to DAY")),
        (("init", "--store"), ("Option '--store' requires an argument",)),
        (("guide", "nonsense"), ("no topic 'nonsense'", "start")),
        (("export",), ("no month is named", "--from DAY --to DAY")),
        (("export", "2026-10", "--parquet"), ("--parquet is of the whole store", "no month")),
        (("export", "--parquet", "--xlsx"), ("--parquet is of the whole store",)),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else str(value),
)
def test_a_command_that_is_not_understood_is_one_line(
    words: tuple[str, ...], said: tuple[str, ...], spc: Command
) -> None:
    assert spc(*words).refused(*said)
