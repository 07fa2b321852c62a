"""A shorter design is suggested only where it answers what the asked one does."""

import pytest

from spc.studies.gauge_parts import what_is_missing
from spc.studies.gauge_sheet import GaugeSheet, gauge_sheet


def sheet(pieces: int, operators: int, setups: int, hits: int = 3) -> GaugeSheet:
    return gauge_sheet(
        None, "S1", pieces=tuple(f"P{k}" for k in range(pieces)),
        operators=tuple("abcdef"[:operators]), setups=setups, hits=hits,
    )  # fmt: skip


@pytest.mark.parametrize(
    "size", [(2, 1, 2), (2, 2, 1), (3, 3, 1), (4, 2, 4), (10, 3, 1), (5, 2, 2)]
)
def test_nothing_shorter_stands_for_a_design_that_is_small_already(
    size: tuple[int, int, int],
) -> None:
    assert sheet(*size).shorter is None


@pytest.mark.parametrize("size", [(10, 3, 3), (10, 1, 3), (12, 2, 4)])
def test_a_shorter_design_answers_the_same_and_nearly_as_well(size: tuple[int, int, int]) -> None:
    asked = sheet(*size)
    assert asked.shorter is not None
    short, full = asked.shorter.expected, asked.expected
    assert short.counts.runs < full.counts.runs
    assert short.counts.operators == full.counts.operators
    lacks = what_is_missing(short.counts, "operator")
    assert lacks == what_is_missing(full.counts, "operator")
    for width in full.widths:
        if width.truth == width.truth:
            mine = short.width(width.name)
            assert mine.truth == mine.truth
            wider = mine.high / width.high
            if width.low > 0:
                wider *= width.low / mine.low
            assert wider <= 1.25
