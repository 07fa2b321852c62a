"""The month on a terminal stays short enough to be read."""

from spc.pages.month_text import NAMED_GAPS, findings, not_measured
from spc.studies.month import Month
from spc.studies.month_rows import Gap


def _gap(serial: str, *points: str) -> Gap:
    return Gap(serial=serial, batch="B1", points=points)


def test_a_few_pieces_with_missing_points_are_named() -> None:
    assert not_measured((_gap("H1", "a", "b"), _gap("H2", "c"))) == [
        "  not measured: a, b of piece H1",
        "  not measured: c of piece H2",
    ]
    assert not_measured(()) == []


def test_many_become_one_line_that_names_the_point_missed_most() -> None:
    gaps = (*(_gap(f"H{k}", "b", "a") for k in range(NAMED_GAPS)), _gap("H9", "a"))
    (line,) = not_measured(gaps)
    assert line.startswith("  not measured: 11 readings at 2 points of 6 pieces, most often a (6);")


def test_a_tie_is_settled_by_name() -> None:
    gaps = tuple(_gap(f"H{k}", *("ba" if k % 2 else "ab")) for k in range(8))
    assert "most often a (8)" in not_measured(gaps)[0]


def test_charts_are_counted_as_the_page_lists_them(october: Month) -> None:
    new = {(s.series, s.mould) for s in october.listed if s.since >= october.period.start}
    old = {(s.series, s.mould) for s in october.listed} - new
    said = [line for line in findings(october) if "signals" in line]
    assert said[0].startswith(f"  {len(new)} charts with new signals: ")
    assert said[1] == f"  {len(old)} charts with older signals still there"
