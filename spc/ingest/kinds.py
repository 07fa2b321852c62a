"""What a file is, told by its first bytes and never by its name."""

from spc.errors import InputError

#: Kinds of files that a reader exists for.
TEXT, PARQUET, XLSX, JSON, XML = "text", "parquet", "xlsx", "json", "xml"

_MARKS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
#: First bytes of files that people offer although nothing can read them, and what to do instead.
_OTHERS = (
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or document", "save it as .xlsx or as CSV UTF-8"),
    (b"\x1f\x8b", "a compressed file", "unpack it first"),
    (b"BZh", "a compressed file", "unpack it first"),
    (b"\xfd7zXZ", "a compressed file", "unpack it first"),
    (b"7z\xbc\xaf", "a compressed file", "unpack it first"),
    (b"\x28\xb5\x2f\xfd", "a compressed file", "unpack it first"),
    (b"%PDF", "a document", "export the results as CSV"),
)


def kind_of(data: bytes, name: str) -> str:
    """Return the kind of a file by its first bytes; those that nothing can read are refused."""
    for mark, what, do in _OTHERS:
        if data.startswith(mark):
            raise InputError(f"{what}, not a table of results", file=name, do=do)
    if data.startswith(b"PAR1"):
        return PARQUET
    if data.startswith(b"PK\x03\x04"):
        return XLSX
    first = _first_letter(data[:4096])
    return {b"<": XML, b"{": JSON, b"[": JSON}.get(first, TEXT)


def _first_letter(head: bytes) -> bytes:
    """Return the first letter after a byte order mark and blanks; UTF-16 has zeros between."""
    for mark in _MARKS:
        head = head.removeprefix(mark)
    return head.replace(b"\x00", b"").lstrip()[:1]
