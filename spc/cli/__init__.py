"""The command line: a lazy group, and the one place where errors become words and exit status."""

import importlib
import os
import sys
from contextlib import suppress

import click

from spc import __version__
from spc.cli.saying import say
from spc.errors import SpcError
from spc.interrupts import noticed

#: Each command and the module that holds it; loaded only when it is asked for.
COMMANDS = {
    "demo": "spc.cli.demo",
    "init": "spc.cli.init",
    "plan": "spc.cli.plan",
    "ingest": "spc.cli.ingest",
    "run": "spc.cli.run",
    "omit": "spc.cli.omit",
    "refit": "spc.cli.refit",
    "event": "spc.cli.event",
    "limits": "spc.cli.limits",
    "chart": "spc.cli.chart",
    "signals": "spc.cli.signals",
    "drift": "spc.cli.drift",
    "capability": "spc.cli.capability",
    "gauge": "spc.cli.gauge",
    "board": "spc.cli.board",
    "report": "spc.cli.report",
    "export": "spc.cli.export",
    "store": "spc.cli.store",
    "guide": "spc.cli.guide",
}

#: Exit status: done; something to act on was found and the caller asked to be told; bad input.
DONE, FOUND, REFUSED, INTERRUPTED = 0, 1, 2, 130

#: What newer versions of click raise where a group is called with nothing; older ones print help.
_NO_ARGUMENTS: tuple[type[Exception], ...] = tuple(
    kind for kind in [getattr(click.exceptions, "NoArgsIsHelpError", None)] if kind is not None
)


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one when it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of that name."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name]).command
        return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="spc")
def cli() -> None:
    """Charts, capability and gauge studies of moulded parts measured with a portable arm.

    Every command works on one store, a file: --store PATH, else the environment's SPC_STORE, else
    spc.duckdb in this folder. Start with 'spc demo', or with 'spc init' and 'spc plan add PLAN'.
    """


def main() -> None:
    """Run the command line; bad input is one line on the error stream and exit status 2."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            # A console of an old code page prints a substitute rather than failing.
            reconfigure(errors="replace")
    sys.exit(_run())


def _run() -> int:
    with noticed() as asked:
        try:
            result = cli.main(prog_name="spc", standalone_mode=False)
            return result if isinstance(result, int) else DONE
        except BaseException as error:
            # Whatever Ctrl+C became on its way up: a library that could not be loaded, say.
            status = INTERRUPTED if asked.yet else _told(error)
            if status is None:
                raise
            return status


def _told(error: BaseException) -> int | None:
    """Say in one line what ended a command; return its exit status, None where it is a defect."""
    match error:
        case click.UsageError() if isinstance(error, _NO_ARGUMENTS):
            say(error.format_message())
            return DONE
        case click.UsageError():
            path = error.ctx.command_path if error.ctx else "spc"
            return _refuse(f"{error.format_message().rstrip('.')}; see '{path} --help'")
        case click.ClickException():
            return _refuse(error.format_message())
        case SpcError():
            return _refuse(str(error))
        case click.Abort():
            return INTERRUPTED
        case SystemExit():
            # The reader of our output went away (a pager was closed), and nothing is wrong; click's
            # own status for it is 1, which here means that something was found.
            return DONE
        case OSError():
            # A disk that is full, a folder that may not be written to.
            _drop_output()
            return _refuse(f"{error.filename or 'the output'}: {error.strerror or error}")
    return None


def _drop_output() -> None:
    """Send what is still to be printed nowhere, or Python would fail again at its exit."""
    with suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _refuse(text: str) -> int:
    # What a file holds may be told in it, and must not steer the terminal.
    line = "".join(
        c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in " ".join(text.split())
    )
    say(f"spc: {line}", err=True)
    return REFUSED
