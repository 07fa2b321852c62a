"""Names of files made of names of things."""

from spc.identity import content_hash

#: Letters (bytes) of a name that go into a file's name.
LONGEST = 80


def safe(text: str) -> str:
    """Return text as a file name; no two texts share one, and none is too long to be written."""
    plain = "".join(c if c.isalnum() or c in "-._" else "_" for c in text)
    short = plain.encode()[:LONGEST].decode(errors="ignore")
    return text if short == text else f"{short}-{content_hash('name', text)[:12]}"
