"""A mapping: what a source's own files leave unsaid, written once in TOML."""

import tomllib
from pathlib import Path
from typing import Any

from spc.errors import InputError
from spc.ingest.checked import Declared
from spc.ingest.columns import KNOWN
from spc.ingest.text import decode, read_bytes

_TOP = {"unit", "zone", "encoding", "columns", "constants"}


def read_mapping(path: Path) -> Declared:
    """Read a mapping: ``unit``, ``zone``, ``encoding``, ``[columns]`` and ``[constants]``.

    ``[columns]`` says, for each of our names, what the file calls it; ``[constants]`` gives
    values for columns that the file does not have.
    """
    name = str(path)
    try:
        said: dict[str, Any] = tomllib.loads(decode(read_bytes(path), name))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not a TOML file ({error})", file=name, do="correct it") from None
    unknown = sorted(set(said) - _TOP)
    if unknown:
        raise InputError(
            f"unknown key '{unknown[0]}'", file=name, do=f"use {', '.join(sorted(_TOP))}"
        )
    for key in ("unit", "zone", "encoding"):
        if not isinstance(said.get(key, ""), str):
            raise InputError(
                f"'{key}' is {said[key]!r} where text belongs", file=name, do=f'write {key} = "..."'
            )
    columns, constants = (_words(said.get(key, {}), key, name) for key in ("columns", "constants"))
    return Declared(
        unit=said.get("unit"),
        zone=said.get("zone"),
        encoding=said.get("encoding"),
        columns=columns,
        constants=constants,
    )


def _words(table: Any, key: str, name: str) -> dict[str, str]:
    if not isinstance(table, dict):
        raise InputError(f"'{key}' is not a table", file=name, do=f"write it as [{key}]")
    for column in table:
        if column not in (*KNOWN, "at", "kind", "note"):
            raise InputError(
                f"[{key}] names '{column}', which is none of ours",
                file=name,
                do=f"use one of {', '.join(KNOWN)}",
            )
    return {column: str(value) for column, value in table.items()}


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
    return Declared(
        unit=unit or mapping.unit,
        zone=zone or mapping.zone,
        encoding=encoding or mapping.encoding,
        columns=mapping.columns,
        constants=constants,
    )
