"""Names that look alike and are not the same are said at the door, and stay what they are."""

import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers import Outcome, contents
from hypothesis import given
from hypothesis import strategies as st

from spc.identity import looks

Command = Callable[..., Outcome]

#: Unicode Standard Annex 15, table 4: a composed, a decomposed and a compatible form.
FORMS = [("\u1e9b\u0323", "\u017f\u0323\u0307"), ("\ufb01", "fi"), ("e\u0301", "\u00e9")]


@pytest.mark.parametrize(("one", "other"), [*FORMS, ("k 1", "K1"), ("Ｈ００１", "h001")])
def test_what_looks_alike_has_one_look(one: str, other: str) -> None:
    assert looks(one) == looks(other)


@pytest.mark.parametrize(("one", "other"), [("K1", "K2"), ("H-1", "H1"), ("12", "12.0")])
def test_what_looks_different_has_two(one: str, other: str) -> None:
    assert looks(one) != looks(other)


@given(st.text())
def test_no_form_of_a_name_changes_its_look(name: str) -> None:
    for form in ("NFC", "NFD", "NFKC", "NFKD"):
        assert looks(unicodedata.normalize(form, name)) == looks(name)  # type: ignore[arg-type]


@pytest.fixture
def taken(store_path: Path, first_batch: Path, tmp_path: Path, spc: Command) -> Path:
    """Return a store of a batch whose serials have an accent, one character each."""
    path = tmp_path / "first.csv"
    path.write_text(first_batch.read_text().replace("H00", "Hé0"), encoding="utf-8")
    assert "looks like" not in spc("ingest", path, "--store", store_path).out
    return path


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (",B01,", ",b01,", ("batch 'b01' is another name than 'B01', which looks like it\n",)),
        (",K1,", ",K 1,", ("mould 'K 1' is another name than 'K1'",)),
        (",ana,", ",Ana,", ("operator 'Ana' is another name than 'ana'",)),
        (",arm-1,", ",ａｒｍ-1,", ("device 'ａｒｍ-1' is another name than 'arm-1'",)),
        ("é", "e\u0301", ("serial 'He\u0301001' is another name than 'Hé001'",
                          "its accents are written as characters of their own in one of the two",
                          "more names that look alike")),
    ],
)  # fmt: skip
def test_a_name_that_looks_like_a_known_one_is_told(
    old: str, new: str, said: tuple[str, ...], taken: Path, store_path: Path, spc: Command
) -> None:
    again = taken.read_text(encoding="utf-8").replace(old, new)
    if old != "é":
        again = again.replace("Hé0", "G0")
    taken.with_name("again.csv").write_text(again.replace("2026-04-02T", "2026-04-03T"),
                                            encoding="utf-8")  # fmt: skip
    outcome = spc("ingest", taken.with_name("again.csv"), "--store", store_path)
    assert outcome.done("12 runs", *said)
    assert len({row[0] for row in contents(store_path)["piece"]}) == 24


def test_names_that_are_known_as_they_are_are_not_told(
    taken: Path, store_path: Path, spc: Command
) -> None:
    text = taken.read_text(encoding="utf-8")
    for at, batch in enumerate(("b01", "B01")):
        path = taken.with_name(f"{batch}.csv")
        path.write_text(text.replace(",B01,", f",{batch},").replace("Hé0", f"G{at}"),
                        encoding="utf-8")  # fmt: skip
        told = spc("ingest", path, "--store", store_path).out
        assert ("looks like" in told) == (batch == "b01")


def test_a_part_that_looks_like_one_with_a_plan_is_named(
    first_batch: Path, store_path: Path, tmp_path: Path, spc: Command
) -> None:
    path = tmp_path / "other.csv"
    path.write_text(first_batch.read_text().replace("LH-640", "lh-640"))
    assert spc("ingest", path, "--store", store_path).refused(
        "no plan for part 'lh-640 C'", "where 'LH-640 C' looks like it and is written otherwise"
    )
