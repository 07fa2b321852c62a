"""Mutated files of every kind: each is refused in one line or taken right, and nothing else.

The corpus is made here from the same results in five formats; every mutation is drawn from its own
seed, so that a number names a case for good. A seventh of it runs by default, all with SPC_BENCH=1.

A case is taken right where every hit that came out stands in the unmutated results under the same
piece, point and number, or where the mutation itself changed a field to another good value; then at
least its shape holds: finite lengths, names that are not empty, hits from 1. A number cut short at
the very end of a table cannot be seen in it, and is warned of.
"""

import io
import json
import os
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path
from time import monotonic

import duckdb
import numpy as np
import pandas as pd
import pytest
from openpyxl import Workbook
from qif_documents import Component, Doc, Feature, Hits
from strategies import box, csv_text, dated_runs, hit_rows, probed

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.results import read_file

PLAN = box(check=1)
CASES = 300
FULL = os.environ.get("SPC_BENCH") == "1"
CHOSEN = range(CASES) if FULL else range(4, CASES, 7)
#: What one case may take; a bomb that went off would need far more.
SECONDS, MEGABYTES = 30.0, 300.0

Mutation = Callable[[bytes, np.random.Generator], bytes]


# --- the corpus ----------------------------------------------------------------------------------


def _hits() -> tuple[pd.DataFrame, bytes]:
    """Return the results as a frame of text, and as a document."""
    rng = np.random.default_rng(1)
    laid = probed(PLAN, rng.normal(0, 0.2, (2, len(PLAN.points))), rng, hits=2).round(4)
    frame = pd.DataFrame(hit_rows(PLAN, laid, dated_runs(2)), dtype=object)
    features = [
        Feature(name=p.id, nominal=p.nominal, normal=p.normal,
                hits={r: Hits(positions=laid[r, at].tolist()) for r in range(2)})
        for at, p in enumerate(PLAN.points)
    ]  # fmt: skip
    doc = Doc(features=features, components=[Component(serial=f"P{r:04d}") for r in range(2)])
    return frame, doc.bytes()


def _parquet(frame: pd.DataFrame, folder: Path) -> bytes:
    path = folder / "corpus.parquet"
    typed = frame.astype(dict.fromkeys("xyz", float) | {"hit": int})
    with duckdb.connect() as connection:
        connection.register("offered", typed)
        connection.execute(f"COPY offered TO '{path}' (FORMAT parquet)")
    return path.read_bytes()


def _xlsx(frame: pd.DataFrame) -> bytes:
    made, out = Workbook(), io.BytesIO()
    assert made.active is not None
    made.active.append(list(frame.columns))
    for row in frame.itertuples(index=False):
        made.active.append([float(v) if c in "xyz" else v
                            for c, v in zip(frame.columns, row, strict=True)])  # fmt: skip
    made.save(out)
    return out.getvalue()


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Return the same results in each format."""
    frame, qif = _hits()
    rows = frame.to_dict("records")
    return {
        "csv": csv_text(rows).encode(),  # type: ignore[arg-type]
        "jsonl": "".join(json.dumps(r) + "\n" for r in rows).encode(),
        "parquet": _parquet(frame, tmp_path_factory.mktemp("corpus")),
        "xlsx": _xlsx(frame),
        "qif": qif,
    }


@pytest.fixture(scope="module")
def truth() -> set[tuple[object, ...]]:
    """Return every hit as it was measured: serial, point, hit, x, y, z."""
    frame, _ = _hits()
    return {
        (r.serial, r.point, int(r.hit), float(r.x), float(r.y), float(r.z))
        for r in frame.itertuples(index=False)
    }


# --- mutations -----------------------------------------------------------------------------------


def truncated(data: bytes, rng: np.random.Generator) -> bytes:
    """Cut a file somewhere, as a full disk or a broken copy does."""
    return data[: int(rng.integers(0, len(data)))]


def flipped(data: bytes, rng: np.random.Generator) -> bytes:
    """Change a few bytes."""
    changed = np.frombuffer(data, np.uint8).copy()
    at = rng.integers(0, len(data), int(rng.integers(1, 12)))
    changed[at] = rng.integers(0, 256, len(at))
    return changed.tobytes()


def spliced(data: bytes, rng: np.random.Generator) -> bytes:
    """Put a piece of the file somewhere else in it, or take it out."""
    a, b, c = sorted(rng.integers(0, len(data), 3).tolist())
    return data[:a] + data[b:c] + data[a:] if rng.random() < 0.5 else data[:a] + data[b:]


def numbers(data: bytes, rng: np.random.Generator) -> bytes:
    """Put what is no number where one is."""
    words = [
        b"NaN",
        b"inf",
        b"-Infinity",
        b"1e999",
        b"",
        b"0x1F",
        b"1_000",
        b"--1",
        b"1,5",
        b"null",
    ]
    parts = data.split(b".")
    if len(parts) < 3:
        return flipped(data, rng)
    at = int(rng.integers(1, len(parts)))
    tail = parts[at].lstrip(b"0123456789")
    head = parts[at - 1].rstrip(b"0123456789")
    parts[at - 1 : at + 1] = [head + words[int(rng.integers(len(words)))] + tail]
    return b".".join(parts)


def reencoded(data: bytes, rng: np.random.Generator) -> bytes:
    """Write it in another encoding than it says, or with bytes that are no text."""
    text = data.decode("latin-1").replace("P0000", "Pö00")
    kind = ["utf-16", "utf-16-be", "utf-32", "cp037", "latin-1", "utf-8-sig"][int(rng.integers(6))]
    return text.encode(kind, errors="replace")


def columns(data: bytes, rng: np.random.Generator) -> bytes:
    """Exchange two words of the head, wherever they stand."""
    words = [b"serial", b"point", b"hit", b"x", b"unit", b"run", b"part", b"Points", b"Location"]
    one, other = (words[i] for i in rng.choice(len(words), 2, replace=False))
    head, mark, rest = data.partition(b"\n")
    head = head.replace(one, b"\x01").replace(other, one).replace(b"\x01", other)
    return head + mark + rest


def long_line(data: bytes, rng: np.random.Generator) -> bytes:
    """Put ten megabytes without a line end somewhere."""
    fill = [b"x", b",", b'"', b"[", b"<a>", b"1 "][int(rng.integers(6))]
    at = int(rng.integers(0, len(data)))
    return data[:at] + fill * (10_000_000 // len(fill)) + data[at:]


def zip_bomb(_: bytes, rng: np.random.Generator) -> bytes:
    """Return an archive of a few kilobytes that unpacks to a gigabyte, as a spreadsheet or not."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("xl/workbook.xml" if rng.random() < 0.8 else "a.txt", b"<a/>")
        archive.writestr("xl/worksheets/sheet1.xml", b" " * (50 << 20))
    data = out.getvalue()
    # The list at the end tells a size: some bombs lie about it.
    lied = (50 << 20).to_bytes(4, "little")
    small = int(rng.integers(1, 1000)).to_bytes(4, "little")
    return data.replace(lied, small) if rng.random() < 0.5 else data


def entity_bomb(data: bytes, rng: np.random.Generator) -> bytes:
    """Put entities that expand to gigabytes, or name a file, before a document."""
    nested = b"".join(b'<!ENTITY e%d "%s">' % (i, b"&e%d;" % (i - 1) * 10) for i in range(1, 11))
    kinds = [
        b'<!DOCTYPE QIFDocument [<!ENTITY e0 "aaaaaaaaaa">' + nested + b"]>",
        b'<!DOCTYPE QIFDocument [<!ENTITY e10 SYSTEM "file:///etc/passwd">]>',
        b'<!DOCTYPE QIFDocument SYSTEM "http://localhost:9/x.dtd">',
        b'<!DOCTYPE QIFDocument [<!ENTITY % e SYSTEM "file:///dev/zero"> %e;]>',
    ]
    start = data.index(b"<QIFDocument") if b"<QIFDocument" in data else 0
    body = data[start:].replace(b"<QPId>", b"<QPId>&e10;", 1)
    return kinds[int(rng.integers(len(kinds)))] + body


EVERY: dict[str, Mutation] = {
    f.__name__: f for f in (truncated, flipped, spliced, numbers, reencoded, columns, long_line)
}
FORMATS = ("csv", "jsonl", "parquet", "xlsx", "qif")


def case(number: int, corpus: dict[str, bytes]) -> tuple[str, bytes]:
    """Return the name and the bytes of one case."""
    rng = np.random.default_rng([2026, number])
    form = FORMATS[number % len(FORMATS)]
    if number % 20 == 18:
        return "xlsx zip_bomb", zip_bomb(b"", rng)
    if number % 20 == 19:
        return "qif entity_bomb", entity_bomb(corpus["qif"], rng)
    name = list(EVERY)[(number // len(FORMATS)) % len(EVERY)]
    data = EVERY[name](corpus[form], rng)
    if rng.random() < 0.2:
        name, data = f"{name} flipped", flipped(data, rng) if data else data
    return f"{form} {name}", data


# --- the test ------------------------------------------------------------------------------------


def outcome(path: Path) -> Results | InputError:
    """Return what reading a file gives; any other error is a failure of the test."""
    try:
        found = read_file(path, Declared())
    except InputError as error:
        return error
    assert isinstance(found, Results)
    return found


def taken(results: Results) -> set[tuple[object, ...]]:
    """Return every hit that came out."""
    serial = results.runs.set_index("key")["serial"]
    values = results.values
    hit = values["hit"] if "hit" in values else pd.Series(0, index=values.index)
    return set(zip(values["key"].map(serial), values["point"].astype(str), hit.astype(int),
                   *(values[a].astype(float) for a in "xyz"), strict=True))  # fmt: skip


@pytest.mark.parametrize("number", CHOSEN)
def test_a_mutated_file_is_refused_in_one_line_or_taken_right(
    number: int, corpus: dict[str, bytes], truth: set[tuple[object, ...]], tmp_path: Path
) -> None:
    name, data = case(number, corpus)
    path = tmp_path / "offered"
    path.write_bytes(data)
    began = monotonic()
    tracemalloc.start()
    try:
        found = outcome(path)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert monotonic() - began < SECONDS, name
    assert peak < MEGABYTES, (name, peak)
    if isinstance(found, InputError):
        said = " ".join(str(found).split())
        assert said.startswith(str(path)), name
        assert len(said) < 2000, (name, said[:300])
        return
    rows = taken(found)
    assert np.isfinite(found.values[["x", "y", "z"]].to_numpy()).all(), name
    assert (found.runs[["part", "serial", "run"]] != "").all(axis=None), name
    # Damage to single bytes may leave a good file with another digit; any other may not.
    others = rows - truth
    cut = [w for w in found.warnings if "was the file cut off?" in w]
    if cut:
        assert len(others) <= 1, name
    elif not name.endswith(("flipped", "spliced", "columns", "numbers", "reencoded")):
        assert others == set(), (name, list(others)[:3])
    assert len(others) <= 12 or name.split()[1] in ("columns", "spliced", "reencoded"), name


def test_the_corpus_is_good_before_it_is_mutated(
    corpus: dict[str, bytes], truth: set[tuple[object, ...]], tmp_path: Path
) -> None:
    for form, data in corpus.items():
        path = tmp_path / form
        path.write_bytes(data)
        found = outcome(path)
        assert isinstance(found, Results), (form, found)
        assert taken(found) == truth, form


def test_every_kind_of_damage_is_in_the_corpus(corpus: dict[str, bytes]) -> None:
    small = {form: data[:2000] for form, data in corpus.items()} | {"qif": corpus["qif"]}
    names = [case(n, small)[0].split() for n in range(CASES) if n % 20 != 18]
    assert {name[1] for name in names} == {*EVERY, "entity_bomb"}
    assert {name[0] for name in names} == set(FORMATS)
