"""A mapping: what a source's own files leave unsaid, written once in TOML."""

import re
import tomllib
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from spc.errors import InputError
from spc.ingest.checked import Declared, Lookup
from spc.ingest.columns import EVENT, KNOWN, RUN_NUMBERS, RUN_TEXT
from spc.ingest.fields import zone_named
from spc.ingest.qif.places import check_place
from spc.ingest.text import Layout, decode, read_bytes

_WORDS = (
    "unit", "zone", "encoding", "sheet", "delimiter", "decimal", "point_columns", "time_format",
)  # fmt: skip
_TOP = {*_WORDS, "columns", "constants", "skip_rows", "filename", "wide", "ignore", "qif"}
#: What a file's name can tell: what is one for a whole file.
_OF_A_NAME = (*RUN_TEXT, *RUN_NUMBERS, "measured_at")
_SOME_DAY = datetime(2026, 10, 28, 9, 23)
#: Separators by the names that people give them.
_SEPARATORS = {"tab": "\t", "\\t": "\t", "semicolon": ";", "comma": ",", "bar": "|"}


def read_mapping(path: Path) -> Declared:
    """Read a mapping from a TOML file.

    ``[columns]`` says, for each of our names, what the file calls it; ``[constants]`` gives
    values for columns that the file does not have; ``[filename]`` what its name says; ``[qif]``
    where a QIF file holds what the standard has no element for. ``skip_rows``, ``delimiter``,
    ``decimal``, ``sheet``, ``wide``, ``point_columns`` and ``ignore`` say how it is laid out.
    """
    name = str(path)
    try:
        said: dict[str, Any] = tomllib.loads(decode(read_bytes(path), name))
    except (ValueError, RecursionError) as error:  # a number of thousands of digits is no number
        raise InputError(f"not a TOML file ({error})", file=name, do="correct it") from None
    unknown = sorted(set(said) - _TOP)
    if unknown:
        raise InputError(
            f"unknown key '{unknown[0]}'", file=name, do=f"use {', '.join(sorted(_TOP))}"
        )
    words = {key: _word(said, key, name) for key in _WORDS}
    if words["zone"] is not None:
        zone_named(words["zone"], file=name)
    moment = _moment(said, name)
    return Declared(
        unit=words["unit"],
        zone=words["zone"],
        encoding=words["encoding"],
        columns=_named(said, "columns", (*KNOWN, *EVENT), name),
        constants=_named(said, "constants", (*KNOWN, *EVENT), name),
        layout=_layout(said, words, name),
        sheet=words["sheet"],
        file_name=_file_name(said, name),
        wide=_wide(said, name),
        point_columns=_pattern(words["point_columns"] or "", "point_columns", name, {"point"},
                               {"point", "axis", "hit"}),
        ignored=tuple(_texts(said, "ignore", name)),
        moment=moment,
        time_format=_time_format(words["time_format"] or "", name),
        qif=_lookups(said, name),
    )  # fmt: skip


def _word(said: dict[str, Any], key: str, name: str) -> str | None:
    if key not in said:
        return None
    if not isinstance(said[key], str):
        raise InputError(
            f"'{key}' is {said[key]!r} where text belongs", file=name, do=f'write {key} = "..."'
        )
    if not said[key].strip() and key != "delimiter":
        raise InputError(f"'{key}' is left empty", file=name, do="fill it in, or leave it out")
    return str(said[key])


def _table(said: dict[str, Any], key: str, name: str) -> dict[str, Any]:
    table = said.get(key, {})
    if not isinstance(table, dict):
        raise InputError(f"'{key}' is not a table", file=name, do=f"write it as [{key}]")
    return table


def _named(said: dict[str, Any], key: str, known: Iterable[str], name: str) -> dict[str, str]:
    table = _table(said, key, name)
    for column, value in table.items():
        if column not in known:
            raise InputError(
                f"[{key}] names '{column}', which is none of ours", file=name,
                do=f"use one of {', '.join(KNOWN)}",
            )  # fmt: skip
        if isinstance(value, dict | list):
            raise InputError(
                f"[{key}] {column} is {value!r} where text belongs", file=name,
                do=f'write {column} = "..."',
            )  # fmt: skip
    return {column: str(value) for column, value in table.items()}


def _moment(said: dict[str, Any], name: str) -> tuple[str, ...]:
    """Take a list of columns that are a time between them out of ``[columns]``."""
    columns = _table(said, "columns", name)
    if not isinstance(columns.get("measured_at"), list):
        return ()
    parts = _texts(columns, "measured_at", name)
    said["columns"] = {k: v for k, v in columns.items() if k != "measured_at"}
    return tuple(parts)


def _time_format(text: str, name: str) -> str:
    """Check a format of times by writing and reading one."""
    try:
        same = datetime.strptime(_SOME_DAY.strftime(text), text) if text else _SOME_DAY
    except ValueError as error:
        raise InputError(
            f"'time_format' is '{text}' ({error})", file=name, do='write it as "%d.%m.%Y %H:%M"'
        ) from None
    if same.date() != _SOME_DAY.date():
        raise InputError(
            f"'time_format' is '{text}', which leaves the day open", file=name,
            do='write it as "%d.%m.%Y %H:%M"',
        )  # fmt: skip
    return text


def _layout(said: dict[str, Any], words: dict[str, str | None], name: str) -> Layout:
    separator = words["delimiter"]
    separator = separator and _SEPARATORS.get(separator, separator)
    if separator is not None and len(separator) != 1:
        raise InputError(
            f"'delimiter' is '{separator}' where one character belongs", file=name,
            do='write it as ";", ",", "|" or "tab"',
        )  # fmt: skip
    mark = words["decimal"]
    if mark not in (None, ".", ","):
        raise InputError(f"'decimal' is '{mark}'", file=name, do='use "." or ","')
    skip = said.get("skip_rows", 0)
    if isinstance(skip, str):
        pattern = _pattern(skip, "skip_rows", name, set(), set())
        return Layout(separator=separator, mark=mark, skip_matching=pattern)
    if not isinstance(skip, int) or isinstance(skip, bool) or skip < 0:
        raise InputError(
            f"'skip_rows' is {skip!r}", file=name,
            do="write how many lines stand above the header, or a regular expression of lines",
        )  # fmt: skip
    return Layout(separator=separator, mark=mark, skip=skip)


def _wide(said: dict[str, Any], name: str) -> bool:
    wide = said.get("wide", False)
    if not isinstance(wide, bool):
        raise InputError(f"'wide' is {wide!r}", file=name, do="write wide = true or leave it out")
    if "point_columns" in said and not wide:
        raise InputError("'point_columns' without wide = true", file=name, do="write wide = true")
    return wide


def _file_name(said: dict[str, Any], name: str) -> tuple[str, ...]:
    table = _table(said, "filename", name)
    if set(table) - {"match"}:
        raise InputError(
            f"[filename] has '{min(set(table) - {'match'})}'", file=name,
            do="write match = '...' with named groups, such as (?P<serial>H[0-9]+)",
        )  # fmt: skip
    if isinstance(table.get("match"), str):
        table = {"match": [table["match"]]}
    groups = set(_OF_A_NAME)
    return tuple(
        _pattern(one, "[filename] match", name, set(), groups)
        for one in _texts(table, "match", name)
    )


def _texts(table: dict[str, Any], key: str, name: str) -> list[str]:
    texts = table.get(key, [])
    if not isinstance(texts, list) or not all(isinstance(t, str) for t in texts):
        raise InputError(
            f"'{key}' is {texts!r} where a list of texts belongs", file=name,
            do=f'write {key} = ["...", "..."]',
        )  # fmt: skip
    return texts


def _pattern(text: str, key: str, name: str, needed: set[str], allowed: set[str]) -> str:
    """Check a regular expression and the names of its groups."""
    if not text:
        return ""
    try:
        groups = set(re.compile(text).groupindex)
    except (re.error, OverflowError, RecursionError) as error:
        raise InputError(
            f"{key} is no regular expression ({error})", file=name, do="correct it"
        ) from None
    wrong = sorted(groups - allowed) if allowed else []
    if wrong or not needed <= groups:
        raise InputError(
            f"{key} has no group '{min(needed - groups)}'" if not needed <= groups
            else f"{key} has a group '{wrong[0]}'",
            file=name, do=f"name groups as (?P<name>...), of {', '.join(sorted(allowed))}",
        )  # fmt: skip
    return text


def _lookups(said: dict[str, Any], name: str) -> dict[str, Lookup]:
    lookups = {}
    for column, rule in _table(said, "qif", name).items():
        if column not in (*RUN_TEXT, "point"):
            raise InputError(
                f"[qif] names '{column}', which cannot be looked up", file=name,
                do=f"use one of {', '.join((*RUN_TEXT, 'point'))}",
            )  # fmt: skip
        rule = {"from": rule} if isinstance(rule, str) else rule
        if not isinstance(rule, dict) or not {"from"} <= set(rule) <= {"from", "match"}:
            raise InputError(
                f"[qif] {column} is {rule!r}", file=name,
                do=f"write {column} = \"LotNumber\", or {{ from = \"...\", match = '...' }}",
            )  # fmt: skip
        place = str(rule["from"])
        check_place(place, column, file=name)
        match = _pattern(str(rule.get("match", "")), f"[qif] {column}", name, set(), set())
        lookups[column] = Lookup(place=place, match=match)
    return lookups


def declared_by(
    mapping: Declared,
    *,
    unit: str | None,
    zone: str | None,
    encoding: str | None,
    part: str | None,
    revision: str | None,
) -> Declared:
    """Return the mapping with what the command line declares laid over it."""
    constants = dict(mapping.constants)
    constants |= {k: v for k, v in (("part", part), ("revision", revision)) if v is not None}
    return replace(
        mapping,
        unit=unit or mapping.unit,
        zone=zone or mapping.zone,
        encoding=encoding or mapping.encoding,
        constants=constants,
    )
