"""What is printed: text from files may be told in it, and must not steer the terminal."""

import re

import click

# Control characters but tab and line feed (C0, DEL, C1), line and paragraph separators, and marks
# that turn the direction of what follows.
_STEERS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069]"
)


def tame(text: str) -> str:
    r"""Return text with every character that steers a terminal spelled out, as ``\u009b``.

    In JSON and TOML, where such a character can only stand within a string, that is the same text.
    """
    return _STEERS.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


def say(text: str = "", *, err: bool = False, nl: bool = True) -> None:
    """Print text, on the error stream with ``err``."""
    click.echo(tame(text), err=err, nl=nl)
