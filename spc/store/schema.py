"""The schema's text: tables, their comments, and the version that this program writes."""

import re
from importlib.resources import files

#: Version of schema.sql.
VERSION = 3
#: For each released version, the statements that bring its tables to the next one. They may add
#: tables and columns, and fill in what is new; what was measured they leave alone.
STEPS: dict[int, tuple[str, ...]] = {
    1: (
        "CREATE TABLE reported_status (run_id VARCHAR, characteristic VARCHAR, point VARCHAR, "
        "value DOUBLE, lower DOUBLE, upper DOUBLE, reported VARCHAR, recomputed VARCHAR, "
        "line INTEGER, file_id VARCHAR)",
    ),
    # The entry of the audit chain that records the step seals what is there.
    2: (),
}

_TABLE = re.compile(r"((?:^--[^\n]*\n)+)CREATE TABLE (\w+) \((.*?)^\);", re.M | re.S)
_COLUMN = re.compile(r"^\s+(\w+) [A-Z]+,?\s*-- (.+)$", re.M)

_TYPED = re.compile(r"^\s+(\w+) ([A-Z]+),?\s*-- ", re.M)


def schema_text() -> str:
    """Return schema.sql."""
    return files("spc.store").joinpath("schema.sql").read_text(encoding="utf-8")


def described() -> dict[str, tuple[str, dict[str, str]]]:
    """Return each table's sentence and its columns' comments, in the order of the file."""
    found = {}
    for head, table, body in _TABLE.findall(schema_text()):
        sentence = " ".join(line[2:].strip() for line in head.splitlines())
        found[table] = (sentence, dict(_COLUMN.findall(body)))
    return found


def typed() -> dict[tuple[str, str], str]:
    """Return the type of each column, by table and column."""
    return {
        (table, column): kind
        for _, table, body in _TABLE.findall(schema_text())
        for column, kind in _TYPED.findall(body)
    }


def comment_statements() -> list[str]:
    """Return the statements that write the comments into the database itself."""
    quoted = []
    for table, (sentence, columns) in described().items():
        quoted.append(f"COMMENT ON TABLE {table} IS {_literal(sentence)}")
        quoted += [
            f"COMMENT ON COLUMN {table}.{column} IS {_literal(text)}"
            for column, text in columns.items()
        ]
    return quoted


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
