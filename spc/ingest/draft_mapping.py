"""A mapping drafted from a file's own header and first rows: guesses, each marked as one.

Units are never guessed, nor the part, nor the zone of times: lines for them are left to fill in.
"""

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from spc.errors import InputError
from spc.ingest.arm_checks import NEEDED as ARM_CHECK
from spc.ingest.checked import Declared
from spc.ingest.columns import KNOWN
from spc.ingest.guesses import (
    TIME_FORMATS,
    are_counts,
    are_numbers,
    are_zoned,
    by_name,
    is_clock,
    is_times,
)
from spc.ingest.kinds import TEXT, XLSX, XML, kind_of
from spc.ingest.offered import table_of
from spc.ingest.text import LINE, SEPARATORS, TextTable, decode, read_bytes
from spc.ingest.toml_out import comment, quoted
from spc.ingest.wide import POSITIONS

#: Rows that are looked at, and lines among which a header is looked for.
_ROWS, _LINES = 200, 60
#: Fewest columns of numbers that are taken for points of a wide table.
_FEWEST_POINTS = 3
#: Ways in which columns of positions are named beside our own.
_WIDE = (
    r"(?P<point>.+?)[ _|/-]+(?P<axis>[XYZxyz])",
    r"(?P<axis>[XYZxyz])[ _|/-]+(?P<point>.+)",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MappingDraft:
    """A mapping drafted from a file.

    Parameters
    ----------
    file
        The file.
    columns
        For our names, the file's own, as guessed.
    open
        What is left to fill in, by our names.
    text
        The draft, TOML; whatever is left to fill in stands in it as a comment.
    """

    file: str
    columns: dict[str, str]
    open: tuple[str, ...]
    text: str


@dataclass(slots=True, kw_only=True)
class _Draft:
    """Lines of a draft while it is made."""

    top: list[str] = field(default_factory=list)
    columns: dict[str, str] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    moment: tuple[str, ...] = ()
    left: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def draft_mapping(path: Path, declared: Declared) -> MappingDraft:
    """Draft a mapping for a file.

    Parameters
    ----------
    path
        The file.
    declared
        What is known of it already, such as its encoding.

    Raises
    ------
    InputError
        Where the file cannot be read at all.
    """
    data = read_bytes(path)
    kind = kind_of(data, str(path))
    if kind == XML:
        raise InputError("a QIF document names its own places", file=str(path),
                         do="see 'spc guide files' for what [qif] can look up")  # fmt: skip
    draft = _Draft()
    declared = _laid_out(path, data, kind, declared, draft)
    table = table_of(path, data, kind, declared)
    _refuse_ours(table)
    _guess_columns(table, draft)
    _guess_times(table, draft)
    if "point" not in draft.columns:
        _guess_wide(table, draft)
    _left_open(table, draft)
    if kind == TEXT and not draft.columns:
        draft.notes.append(
            f"no name of a column is known here (such as {quoted(_own(table)[0][:40])}): say what "
            "stands between columns as delimiter, or name the columns below"
        )
    return MappingDraft(
        file=str(path), columns={k: v for k, v in draft.columns.items() if v},
        open=tuple(draft.left), text=_text(path, table, draft),
    )  # fmt: skip


def _refuse_ours(table: TextTable) -> None:
    """Refuse to draft for what is no file of results and has our own names already."""
    names = set(_own(table))
    for needed, what in (({"at", "kind"}, "events"), (set(ARM_CHECK), "readings of the arm")):
        if needed <= names:
            raise InputError(
                f"a file of {what} under the names that are known here", file=table.name,
                do="take it as it is: it needs no mapping",
            )  # fmt: skip


# --- layout --------------------------------------------------------------------------------------


def _laid_out(path: Path, data: bytes, kind: str, declared: Declared, draft: _Draft) -> Declared:
    """Return what must be declared for the file to be read at all, and note each guess."""
    if kind == XLSX and declared.sheet is None:
        from spc.ingest.xlsx import fullest_sheet

        sheet, others = fullest_sheet(data, str(path))
        if others:
            draft.top.append(_line("sheet", sheet, "guess: the fullest of several"))
            declared = replace(declared, sheet=sheet)
    if kind != TEXT:
        return declared
    encoding = declared.encoding or _encoding(data)
    if encoding is not None:
        draft.top.append(_line("encoding", encoding, "guess: look whether letters with marks "
                                                     "come out right below"))  # fmt: skip
    text = decode(data, str(path), encoding)
    layout = declared.layout
    skip, separator = _header(text, [layout.separator] if layout.separator else SEPARATORS)
    if separator == layout.separator:
        separator = None
    if skip and not layout.skip_matching:
        draft.top.append(f"skip_rows = {skip}  # guess: lines above the header")
        layout = replace(layout, skip=skip)
    if separator is not None:
        named = "tab" if separator == "\t" else separator
        draft.top.append(_line("delimiter", named, "guess: what stands between columns"))
        layout = replace(layout, separator=separator)
    return replace(declared, encoding=encoding, layout=layout)


def _encoding(data: bytes) -> str | None:
    """Return a code page that a file may be in where it is not UTF-8."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252" if not set(data) & {0x81, 0x8D, 0x8F, 0x90, 0x9D} else "latin-1"
    return None


def _header(text: str, separators: Sequence[str]) -> tuple[int, str | None]:
    """Return how many lines stand above the header, and the separator where it is not told.

    The header is the first line with as many fields as most lines after it.
    """
    lines = text.splitlines()[:_LINES]
    best: tuple[int, int, str] = (0, 0, "")
    for separator in separators:
        counts = [len(_fields(line, separator)) for line in lines]
        common, often = next(iter(Counter(c for c in counts if c > 1).most_common(1)), (0, 0))
        if often * common > best[0] * best[1]:
            best = (often, common, separator)
    often, common, separator = best
    if not often:
        return 0, None
    skip = next(at for at, line in enumerate(lines) if len(_fields(line, separator)) == common)
    told = max(SEPARATORS, key=lines[skip].count)
    return skip, None if told == separator else separator


def _fields(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line), delimiter=separator), [])
    except csv.Error:
        return []


# --- columns -------------------------------------------------------------------------------------


def _own(table: TextTable) -> list[str]:
    return [str(c) for c in table.frame if c != LINE]


def _samples(table: TextTable, column: str) -> list[str]:
    return [v for v in table.frame[column].head(_ROWS).tolist() if v]


def _guess_columns(table: TextTable, draft: _Draft) -> None:
    """Guess by name first, ours before others, then by values; each of ours once."""
    own = _own(table)
    for column in sorted(own, key=lambda c: c not in KNOWN):
        ours = column if column in KNOWN else by_name(column)
        if ours and ours not in draft.columns:
            draft.columns[ours] = column
            draft.why[ours] = "by its name"
    for column in own:
        if column not in draft.columns.values() and "hit" not in draft.columns:
            if are_counts(_samples(table, column)) and "x" in draft.columns:
                draft.columns["hit"], draft.why["hit"] = column, "by its values"


def _guess_times(table: TextTable, draft: _Draft) -> None:
    own = [c for c in _own(table) if c not in draft.columns.values()]
    if "measured_at" not in draft.columns:
        found = next((c for c in own if is_times(_samples(table, c))), None)
        if found is not None:
            draft.columns["measured_at"], draft.why["measured_at"] = found, "by its values"
            own.remove(found)
    if "measured_at" not in draft.columns:
        return
    day = draft.columns["measured_at"]
    times = _samples(table, day)
    clock = next((c for c in own if is_clock(_samples(table, c))), None)
    if clock is not None and times and not any(":" in t for t in times):
        draft.moment = (day, clock)
        both = table.frame[[day, clock]].head(_ROWS)
        times = [f"{d} {c}".strip() for d, c in both.itertuples(index=False) if d]
    if times and not is_times(times):
        form = next((f for f in TIME_FORMATS if all(_written(t, f) for t in times)), None)
        if form is None:
            draft.notes.append(f"times such as {quoted(times[0])} need time_format: fill it in")
            draft.left.append("time_format")
        else:
            draft.top.append(_line("time_format", form, "guess: look twice at day and month"))
    if times and not are_zoned(times):
        draft.left.append("zone")


def _written(text: str, form: str) -> bool:
    try:
        datetime.strptime(text, form)
    except ValueError:
        return False
    return True


def _guess_wide(table: TextTable, draft: _Draft) -> None:
    """Guess that columns of numbers are points where no column names points."""
    free = [c for c in _own(table) if c not in (*draft.columns.values(), *draft.moment)]
    numeric = [c for c in free if are_numbers(_samples(table, c))]
    if len(numeric) < _FEWEST_POINTS:
        return
    draft.top.append("wide = true  # guess: a row is a run, and its columns are points")
    for pattern in (POSITIONS, *_WIDE):
        found = [m for c in numeric if (m := re.fullmatch(pattern, c))]
        axes = Counter(m["axis"].lower() for m in found)
        if found and len(set(axes.values())) == 1 and len(axes) == 3:
            if pattern != POSITIONS:
                draft.top.append(_line("point_columns", pattern, "guess: what names a point"))
            return
    other = [c for c in free if c not in numeric]
    if other:
        listed = ", ".join(quoted(c) for c in other)
        draft.top.append(f"ignore = [{listed}]  # guess: no numbers, so no points")


def _left_open(table: TextTable, draft: _Draft) -> None:
    wide = any(line.startswith("wide") for line in draft.top)
    for ours in ("part", "serial", "run", "unit", *([] if wide else ["point"])):
        if ours not in draft.columns:
            draft.left.append(ours)
    if not wide and "deviation" not in draft.columns and not {"x", "y", "z"} <= set(draft.columns):
        draft.left.append("x, y, z or deviation")


# --- text ----------------------------------------------------------------------------------------

_FILL = {
    "unit": "mm, in or thou; it is never guessed",
    "time_format": "how the times are written, such as %d.%m.%Y %H:%M; look which is the day",
    "zone": "the times carry no offset; a name such as Europe/Berlin",
    "part": "the part number as the plan has it, unless --part says it",
    "serial": "the file's own column for it, or [filename] below",
    "run": "the file's own column for it; or under [constants] where a piece is measured once",
    "point": "the file's own column for it",
    "x, y, z or deviation": "the file's own columns for them",
}


def _text(path: Path, table: TextTable, draft: _Draft) -> str:
    lines = [
        f"# Drafted from {comment(path.name)}: guesses are marked; check them, fill in the rest.",
        *(f"# To do: {comment(note)}" for note in draft.notes),
    ]
    hint = _unit_hint(table)
    for key, more in (("unit", hint), ("zone", ""), ("time_format", "")):
        if key in draft.left:
            lines.append(f'# {key} = "..."  # to fill in: {_FILL[key]}{more}')
    lines += draft.top
    used = {*draft.columns.values(), *draft.moment}
    unused = [c for c in _own(table) if c not in used]
    if unused and not any(line.startswith("wide") for line in draft.top):
        lines.append(f"# ignore = [{', '.join(map(quoted, unused))}]  # not used; without a note")
    lines += ["", "[columns]  # our name = what the file calls it", *_columns(table, draft)]
    lines += ["", "[constants]"]
    if "part" in draft.left:
        lines.append(f'# part = "..."  # to fill in: {_FILL["part"]}')
    if "serial" in draft.left or "run" in draft.left:
        lines += ["", "[filename]", f"# The name is {comment(path.name)}.",
                  "# match = '(?P<serial>[A-Z]+[0-9]+)'"]  # fmt: skip
    return "\n".join(lines) + "\n"


def _unit_hint(table: TextTable) -> str:
    """Return what the header itself says of a unit; people decide whether it holds."""
    found = re.search(r"[\[(](mm|in|inch|thou|cm|m)[\])]", " ".join(_own(table)))
    return f" (the header says {found.group(0)})" if found else ""


def _columns(table: TextTable, draft: _Draft) -> Iterator[str]:
    for ours in KNOWN:
        if ours == "measured_at" and draft.moment:
            parts = ", ".join(map(quoted, draft.moment))
            yield f"measured_at = [{parts}]  # guess: a day and a clock's time"
        elif ours in draft.columns:
            own = draft.columns[ours]
            first = next(iter(_samples(table, own)), "")
            mark = "" if own == ours else "guess " + draft.why[ours] + "; "
            shown = f"first value: {comment(first)[:40]}" if first else "empty"
            yield f"{ours} = {quoted(own)}  # {mark}{shown}"
    for ours in draft.left:
        if ours in ("serial", "run", "point"):
            yield f'# {ours} = "..."  # to fill in: {_FILL[ours]}'
        elif ours == "x, y, z or deviation":
            yield f"# {ours}: to fill in: {_FILL[ours]}"


def _line(key: str, value: str, why: str) -> str:
    return f"{key} = {quoted(value)}  # {why}"
