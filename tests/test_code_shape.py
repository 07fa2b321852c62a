"""The shape of the code: small functions and files, whole annotations, frozen results.

The bars are figures counted from general-purpose projects that good engineers hold up: a body is a
function's lines without its signature and docstring.
"""

import ast
import importlib
import inspect
import re
from collections.abc import Iterator
from dataclasses import is_dataclass
from pathlib import Path
from statistics import median, quantiles
from typing import Any

import pytest

PACKAGE = Path(__file__).parents[1] / "spc"
FILES = sorted(PACKAGE.rglob("*.py"))
TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for path in FILES}

LONGEST_BODY, LONGEST_MODULE, LONGEST_COMMAND = 60, 500, 25

Function = ast.FunctionDef | ast.AsyncFunctionDef


def named(path: Path) -> str:
    """Return a file's name in messages."""
    return str(path.relative_to(PACKAGE.parent))


def functions() -> Iterator[tuple[Path, Function]]:
    """Yield every function and method."""
    for path, tree in TREES.items():
        for node in ast.walk(tree):
            if isinstance(node, Function):
                yield path, node


def body_lines(node: Function) -> int:
    """Return the lines of a function's body, its docstring left out."""
    body = node.body[1:] if ast.get_docstring(node) is not None else node.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def is_command(node: Function) -> bool:
    """Tell whether a function is run by the command line itself."""
    return any(
        isinstance(d, ast.Call) and isinstance(d.func, ast.Attribute)
        and d.func.attr in ("command", "group")
        for d in node.decorator_list
    )  # fmt: skip


def test_bodies_are_counted_without_signature_and_docstring() -> None:
    head = 'def f(\n    a,\n):\n    """Say.\n\n    More.\n    """\n'
    source = head + "    b = (\n        a)\n    return b\n"
    (node,) = ast.parse(source).body
    assert isinstance(node, ast.FunctionDef)
    assert body_lines(node) == 3


def test_functions_are_short() -> None:
    lengths = {(named(p), f.name, f.lineno): body_lines(f) for p, f in functions()}
    assert {k: v for k, v in lengths.items() if v > LONGEST_BODY} == {}
    assert median(lengths.values()) <= 8
    assert quantiles(lengths.values(), n=10)[-1] <= 30


def test_commands_do_one_thing() -> None:
    lengths = {(named(p), f.name): body_lines(f) for p, f in functions() if is_command(f)}
    assert len(lengths) > 20
    assert {k: v for k, v in lengths.items() if v > LONGEST_COMMAND} == {}
    assert median(lengths.values()) <= 10


def test_files_are_short() -> None:
    lengths = {named(p): len(p.read_text(encoding="utf-8").splitlines()) for p in FILES}
    assert {k: v for k, v in lengths.items() if v > LONGEST_MODULE} == {}
    # 300 lines as a rule; a longer one has its reason.
    assert quantiles(lengths.values(), n=20)[-1] <= 350


def test_every_function_says_what_it_returns_and_takes() -> None:
    silent = [
        f"{named(p)}:{f.lineno} {f.name}"
        for p, f in functions()
        if f.returns is None
        or any(a.annotation is None and a.arg not in ("self", "cls")
               for a in (*f.args.posonlyargs, *f.args.args, *f.args.kwonlyargs))
    ]  # fmt: skip
    assert silent == []


def test_nothing_is_checked_by_assert() -> None:
    """It is gone under -O, is the wrong type of error, and has no value in its message."""
    found = [f"{named(p)}:{n.lineno}" for p, tree in TREES.items() for n in ast.walk(tree)
             if isinstance(n, ast.Assert)]  # fmt: skip
    assert found == []


def test_imports_are_absolute() -> None:
    found = [f"{named(p)}:{n.lineno}" for p, tree in TREES.items() for n in ast.walk(tree)
             if isinstance(n, ast.ImportFrom) and n.level]  # fmt: skip
    assert found == []


def test_errors_are_never_swallowed_whole() -> None:
    found = []
    for path, tree in TREES.items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.ExceptHandler):
                continue
            broad = node.type is None or (
                isinstance(node.type, ast.Name) and node.type.id in ("Exception", "BaseException")
            )
            again = any(isinstance(n, ast.Raise) and n.exc is None for n in ast.walk(node))
            if broad and not again:
                found.append(f"{named(path)}:{node.lineno}")
    assert found == []


def test_only_the_command_line_prints() -> None:
    found = [
        named(p) for p, tree in TREES.items() for n in ast.walk(tree)
        if isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id == "print"
        and named(p) != "spc/demo/__main__.py"
    ]  # fmt: skip
    assert found == []


def test_no_random_numbers_but_those_of_a_passed_generator() -> None:
    """The global generator would make two runs of one command differ."""
    found = [
        f"{named(p)}:{n.lineno}" for p, tree in TREES.items() for n in ast.walk(tree)
        if isinstance(n, ast.Attribute) and isinstance(n.value, ast.Attribute)
        and n.value.attr == "random" and isinstance(n.value.value, ast.Name)
        and n.value.value.id in ("np", "numpy")
        and n.attr not in ("Generator", "default_rng", "SeedSequence", "PCG64", "BitGenerator")
    ]  # fmt: skip
    assert found == []


def modules() -> list[str]:
    """Return the names of all modules but the runnable one."""
    names = [".".join(p.relative_to(PACKAGE.parent).with_suffix("").parts) for p in FILES]
    return [n.removesuffix(".__init__") for n in names if not n.endswith("__main__")]


def dataclasses_of(name: str) -> list[type[Any]]:
    """Return the public dataclasses that a module defines."""
    module = importlib.import_module(name)
    return [
        kind for label, kind in inspect.getmembers(module, inspect.isclass)
        if is_dataclass(kind) and kind.__module__ == name and not label.startswith("_")
    ]  # fmt: skip


@pytest.fixture(scope="module")
def results() -> list[type[Any]]:
    """Return every public dataclass."""
    return [kind for name in modules() for kind in dataclasses_of(name)]


def test_results_are_frozen_slotted_and_named(results: list[type[Any]]) -> None:
    assert len(results) > 60
    loose = []
    for kind in results:
        rules = kind.__dataclass_params__
        if not rules.frozen or "__slots__" not in vars(kind) or not all(
            f.kw_only for f in kind.__dataclass_fields__.values()
        ):  # fmt: skip
            loose.append(f"{kind.__module__}.{kind.__name__}")
    assert loose == []


def test_every_field_of_a_result_is_described(results: list[type[Any]]) -> None:
    silent = []
    for kind in results:
        words = set(re.findall(r"\w+", (inspect.getdoc(kind) or "").lower()))
        silent += [f"{kind.__module__}.{kind.__name__}.{name}"
                   for name in kind.__dataclass_fields__ if name.lower() not in words]  # fmt: skip
    assert silent == []


def test_results_that_hold_arrays_do_not_compare_by_value(results: list[type[Any]]) -> None:
    """Comparing arrays gives an array, so == of two such results would raise."""
    wrong = []
    for kind in results:
        types = [str(f.type) for f in kind.__dataclass_fields__.values()]
        arrays = any("ndarray" in t and "Callable" not in t for t in types)
        if arrays and kind.__dataclass_params__.eq:
            wrong.append(f"{kind.__module__}.{kind.__name__}")
    assert wrong == []
