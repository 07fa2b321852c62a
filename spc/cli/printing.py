"""Printing pages through a browser that is on the machine."""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from spc.errors import InputError, SpcError

#: The environment's name for the browser to print with.
VARIABLE = "SPC_BROWSER"
#: Executables that can print a page from the command line, as they are called on the path.
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome",
         "microsoft-edge", "microsoft-edge-stable", "msedge")  # fmt: skip
#: Where Windows keeps them, below the folders of its programs, and macOS.
WINDOWS_ROOTS = ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")
WINDOWS = ("Google/Chrome/Application/chrome.exe", "Microsoft/Edge/Application/msedge.exe",
           "Chromium/Application/chrome.exe")  # fmt: skip
MACOS = tuple(
    f"/Applications/{name}.app/Contents/MacOS/{name}"
    for name in ("Google Chrome", "Microsoft Edge", "Chromium")
)
#: Seconds after which a browser has hung itself up.
LONGEST = 180.0
#: The browser may open the page and do nothing else.
ARGUMENTS = (
    "--headless", "--disable-gpu", "--no-first-run", "--no-default-browser-check",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-extensions", "--no-pdf-header-footer",
)  # fmt: skip


def find_browser(environment: Mapping[str, str] = os.environ) -> str:
    """Return the browser to print with.

    Raises
    ------
    InputError
        Where there is none, or the one that the environment names is not there.
    """
    named = environment.get(VARIABLE, "")
    if named:
        found = shutil.which(named, path=environment.get("PATH"))
        if found is None:
            raise InputError(
                f"{VARIABLE} names '{named}', which is no program here", do="name another"
            )
        return found
    for place in _places(environment):
        return place
    raise InputError(
        "no browser to print with was found (Chromium, Chrome or Edge)",
        do=f"install one, name it in {VARIABLE}, or open the page and print it there",
    )


def _places(environment: Mapping[str, str]) -> Iterator[str]:
    path = environment.get("PATH")
    yield from (found for name in NAMES if (found := shutil.which(name, path=path)))
    roots = [Path(environment[root]) for root in WINDOWS_ROOTS if environment.get(root)]
    fixed = [root / place for root in roots for place in WINDOWS] + [Path(place) for place in MACOS]
    yield from (str(place) for place in fixed if place.is_file())


def print_page(browser: str, page: Path, *, paper: str, whole: bool) -> Path:
    """Print a page beside itself and return the PDF; it is there whole or not at all.

    Parameters
    ----------
    browser
        From `find_browser`.
    page
        The page.
    paper
        ``A4`` or ``Letter``.
    whole
        True to print everything, False for the short form.

    Raises
    ------
    SpcError
        Where the browser does not print it.
    """
    made, part = page.with_suffix(".pdf"), page.with_name(f"{page.stem}.{os.getpid()}.part.pdf")
    mark = f"#print-{'everything-' if whole else ''}{paper}"
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
            _run([
                browser, *ARGUMENTS, *_alone(), f"--user-data-dir={profile}",
                f"--print-to-pdf={part.resolve()}", page.resolve().as_uri() + mark,
            ])  # fmt: skip
        if not part.is_file() or not part.read_bytes().startswith(b"%PDF"):
            raise SpcError(f"{browser} made no PDF of {page}; open the page and print it there")
        part.replace(made)
    except OSError as error:
        raise SpcError(
            f"{made}: cannot be written ({error.strerror}); close it elsewhere"
        ) from error
    finally:
        with suppress(OSError):
            part.unlink()
    return made


def _run(command: list[str]) -> None:
    try:
        subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, check=False,
                       timeout=LONGEST)  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise SpcError(
            f"{command[0]} did not print within {LONGEST:.0f} s; open the page and print it there"
        ) from error


def _alone() -> tuple[str, ...]:
    """Return what a browser needs where it cannot shut itself in: for the superuser on Linux."""
    root = sys.platform.startswith("linux") and os.geteuid() == 0
    return ("--no-sandbox",) if root else ()
