"""Arrows between the packages run one way; this table is the design's, and it is executed.

Words that every layer shares (errors, Ctrl+C, units, interval, the plan and its choices, content
hashes) import the standard library and each other. Maths sees arrays only. Only the store knows
SQL. What looks at a study is built from its result object.
"""

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "spc"

SHARED = {"spc.errors", "spc.interrupts", "spc.interval", "spc.units", "spc.plan", "spc.choices",
          "spc.identity"}  # fmt: skip
MATHS = {"spc.alignment", "spc.charts", "spc.capability", "spc.gauge"}
#: What a maths package may import beside itself.
NUMBERS = {"numpy", "scipy", "statsmodels", "spc.interval", "spc.errors"}
#: For each package or module of spc: what it may import beside the standard library and itself.
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "interrupts": set(),
    "interval": set(),
    "units": {"spc.errors"},
    "choices": {"spc.errors", "spc.identity", "spc.plan"},
    "plan": set(),
    "identity": set(),
    "alignment": NUMBERS,
    "charts": NUMBERS,
    "gauge": NUMBERS,
    # The one arrow between maths packages.
    "capability": NUMBERS | {"spc.charts.sigma"},
    "store": SHARED | {"duckdb", "pandas", "spc.__version__"},
    "ingest": SHARED | {"numpy", "pandas", "duckdb", "openpyxl"},
    # Of ingest, the studies know what a reader hands on and how a time is read.
    "studies": SHARED | MATHS | {"numpy", "pandas", "scipy", "spc.store", "spc.__version__",
                                 "spc.ingest.checked", "spc.ingest.fields"},
    "pages": SHARED | MATHS
    | {"numpy", "pandas", "plotly", "openpyxl", "spc.studies", "spc.__version__"},
    "demo": SHARED | {"numpy"},
    "guide": {"spc.errors", "spc.store.schema"},
    "cli": SHARED | MATHS | {"click", "numpy", "pandas", "spc.pages", "spc.studies", "spc.ingest",
                             "spc.store", "spc.demo", "spc.guide", "spc.__version__"},
}  # fmt: skip

FILES = sorted(PACKAGE.rglob("*.py"))


def owner(path: Path) -> str:
    """Return the package or module of spc that a file belongs to; the root is empty."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return "" if parts == ("__init__",) else parts[0]


def imported(tree: ast.AST) -> Iterator[str]:
    """Yield the full name of everything imported, wherever in the file it is."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def is_allowed(name: str, own: str) -> bool:
    """Tell whether a package may import this name."""
    if name.split(".")[0] in sys.stdlib_module_names or f"{name}.".startswith(f"spc.{own}."):
        return True
    return any(f"{name}.".startswith(f"{allowed}.") for allowed in ALLOWED[own])


def test_every_package_is_in_the_table() -> None:
    assert {owner(path) for path in FILES} - {""} == set(ALLOWED)


@pytest.mark.parametrize("own", ALLOWED)
def test_imports_follow_the_table(own: str) -> None:
    files = [path for path in FILES if owner(path) == own]
    assert files
    wrong = [
        f"{path.relative_to(PACKAGE)}: {name}"
        for path in files
        for name in imported(ast.parse(path.read_text(encoding="utf-8")))
        if not is_allowed(name, own)
    ]
    assert wrong == []


def test_the_table_is_no_dead_letter() -> None:
    """What it forbids would be found, inside a function too, and what it allows would not."""
    source = "def f():\n    from spc.store import read\n    import pandas as pd\nimport math\n"
    names = sorted(imported(ast.parse(source)), reverse=True)
    assert [n for n in names if not is_allowed(n, "charts")] == ["spc.store.read", "pandas"]
    assert [n for n in names if not is_allowed(n, "pages")] == ["spc.store.read"]
    assert [n for n in names if not is_allowed(n, "studies")] == []
    assert not is_allowed("spc.ingest.results.read_file", "studies")
    assert not is_allowed("spc.charts.rules", "capability")
    assert not is_allowed("spc.plans", "capability")


def test_no_arrow_of_the_table_runs_in_a_ring() -> None:
    def below(name: str, seen: tuple[str, ...]) -> None:
        assert name not in seen, (*seen, name)
        for allowed in ALLOWED.get(name, ()):
            if allowed.startswith("spc.") and allowed != "spc.__version__":
                below(allowed.split(".")[1], (*seen, name))

    for own in ALLOWED:
        below(own, ())


def test_pages_take_result_types_and_no_computation_from_maths() -> None:
    wrong = [
        f"{path.relative_to(PACKAGE)}: {name}"
        for path in FILES
        if owner(path) == "pages"
        for name in imported(ast.parse(path.read_text(encoding="utf-8")))
        if any(name.startswith(f"{maths}.") for maths in MATHS)
        and not name.rpartition(".")[2][0].isupper()
    ]
    assert wrong == []


def texts(path: Path) -> Iterator[str]:
    """Yield the text constants of a file."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


SQL = re.compile(
    r"\b(SELECT\s.+\sFROM|INSERT\s+INTO|UPDATE\s+\w+\s+SET|DELETE\s+FROM|CREATE\s+TABLE|COPY\s+\")",
    re.DOTALL,
)


def test_only_the_store_knows_sql() -> None:
    found = [
        f"{path.relative_to(PACKAGE)}: {text[:60]}"
        for path in FILES
        if owner(path) != "store"
        for text in texts(path)
        if SQL.search(text)
    ]
    assert found == []
    assert any(SQL.search(text) for path in FILES if owner(path) == "store" for text in texts(path))


def test_the_store_appends_and_never_changes_or_takes_away() -> None:
    changing = re.compile(r"\b(UPDATE|DELETE|DROP|ALTER|TRUNCATE|REPLACE\s+INTO|MERGE)\b")
    found = [
        f"{path.relative_to(PACKAGE)}: {text[:60]}"
        for path in FILES
        if owner(path) == "store"
        for text in texts(path)
        if changing.search(text)
    ]
    schema = (PACKAGE / "store" / "schema.sql").read_text(encoding="utf-8")
    assert found == []
    assert not changing.search(re.sub(r"--.*", "", schema))


def test_what_is_slow_to_import_is_imported_where_it_is_needed() -> None:
    """scipy.stats takes most of a second; at the top of a module every command would pay it."""
    found = []
    for path in FILES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in tree.body:
            found += [
                f"{path.relative_to(PACKAGE)}: {name}"
                for name in imported(ast.Module([node], []))
                if not isinstance(node, ast.FunctionDef | ast.ClassDef)
                and re.match(r"(scipy\.stats|statsmodels)\b", name)
            ]
    assert found == []
