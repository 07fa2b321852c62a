"""TOML that is drafted for people: text in quotation marks, and text in comments."""

import json


def quoted(text: str) -> str:
    """Return a TOML basic string; JSON's differs only in leaving DEL as it is."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def comment(text: str) -> str:
    """Return text for a comment, on one line whatever it holds."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
