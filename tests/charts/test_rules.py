"""Every rule against a plain twin that reads the chart one value at a time, as a person would."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from spc.charts import rules
from spc.errors import DataError

ALL = tuple(rules.RULES)


def same_side(last, count, edge=0.0):
    return sum(v > edge for v in last) >= count or sum(v < -edge for v in last) >= count


def plain(name, seen):
    """Tell whether the rule is completed at the end of ``seen``, values in sigma without a gap."""
    last = seen[-1]
    steps = np.diff(seen)
    match name:
        case "beyond limit":
            return abs(last) > 3
        case "nine on one side":
            return len(seen) >= 9 and same_side(seen[-9:], 9)
        case "eight on one side":
            return len(seen) >= 8 and same_side(seen[-8:], 8)
        case "two of three far out":
            return abs(last) > 2 and sum(v * np.sign(last) > 2 for v in seen[-3:]) >= 2
        case "four of five off centre":
            return abs(last) > 1 and sum(v * np.sign(last) > 1 for v in seen[-5:]) >= 4
        case "six in one direction":
            return len(seen) >= 6 and (all(steps[-5:] > 0) or all(steps[-5:] < 0))
        case "fourteen up and down":
            signs = np.sign(steps[-13:])
            return len(seen) >= 14 and all(signs[1:] * signs[:-1] == -1)
        case "fifteen near the centre":
            return len(seen) >= 15 and all(abs(v) < 1 for v in seen[-15:])
        case "eight away from the centre":
            return len(seen) >= 8 and all(abs(v) > 1 for v in seen[-8:])
    raise AssertionError(name)


def plain_signals(x, spans):
    out = {name: np.zeros(x.shape, dtype=bool) for name in ALL}
    for j in range(x.shape[1]):
        seen = []
        for i in range(len(x)):
            if i and spans[i] != spans[i - 1]:
                seen = []
            seen = [] if np.isnan(x[i, j]) else [*seen, x[i, j]]
            for name in ALL if seen else ():
                out[name][i, j] = plain(name, seen)
    return out


def patterned():
    """Series that set off every rule: tight, wide, shifted, see-saw, drifting, coarse, gappy."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=(900, 7)) * [1, 0.5, 2, 1, 0.3, 1, 1.2]
    x[:, 3] += 1
    x[:, 4] += 1.5 * (-1) ** np.arange(900)
    x[:, 5] = np.cumsum(x[:, 5]) * 0.3
    x[:, 6] = np.round(x[:, 6])
    x = np.hstack([x, -x[::-1]])  # more points than a byte of marks holds
    x[rng.random(x.shape) < 0.02] = np.nan
    return x, np.repeat(np.arange(18), 50)


def test_every_rule_against_the_plain_twin():
    x, spans = patterned()
    found = rules.signals(x, 0.0, 1.0, rules=ALL, spans=spans)
    expected = plain_signals(x, spans)
    for name in ALL:
        assert expected[name].sum() > 20, name
        assert np.array_equal(found[name], expected[name]), name


@settings(max_examples=150)
@given(st.data())
def test_rules_on_coarse_values_with_ties_and_gaps(data):
    level = st.sampled_from([-3.5, -3, -2, -1.5, -1, 0, 0, 1, 1.5, 2, 2.5, 3, 3.5, np.nan])
    x = data.draw(arrays(np.float64, (data.draw(st.integers(0, 40)), 2), elements=level))
    spans = np.sort(data.draw(arrays(np.int64, len(x), elements=st.integers(0, 2))))
    found = rules.signals(x, 0.0, 1.0, rules=ALL, spans=spans)
    expected = plain_signals(x, spans)
    for name in ALL:
        assert np.array_equal(found[name], expected[name]), name


def test_published_patterns():
    # Nelson 1984 and Western Electric 1956 state the counts; one short of them must be silent
    def last(name, x):
        return bool(rules.signals(x, 0.0, 1.0, rules=[name])[name][-1, 0])

    for name, pattern in {
        "nine on one side": [0.2] * 9,
        "eight on one side": [-0.2] * 8,
        "six in one direction": [0.1, 0.2, 0.3, 0.4, 0.5, 0.6],
        "fourteen up and down": [0.1, -0.1] * 7,
        "fifteen near the centre": [0.9, -0.9, 0.4] * 5,
        "eight away from the centre": [1.1, -1.1] * 4,
    }.items():
        assert rules.RULES[name].runs == len(pattern)
        assert last(name, pattern), name
        assert not last(name, pattern[1:]), name
    assert last("two of three far out", [2.1, 0.0, 2.1])
    assert not last("two of three far out", [2.1, 0.0, -2.1])
    assert not last("two of three far out", [2.1, 2.1, 0.0])
    assert last("four of five off centre", [1.1, 1.1, 0.0, 1.1, 1.1])
    assert not last("four of five off centre", [1.1, 1.1, 0.0, -1.1, 1.1])


@given(arrays(np.float64, (40, 1), elements=st.floats(-5, 5)))
def test_mirror_image_sets_off_the_same(x):
    up, down = (rules.signals(v, 0.0, 1.0, rules=ALL) for v in (x, -x))
    for name in ALL:
        assert np.array_equal(up[name], down[name])


def test_long_charts_are_worked_in_pieces_that_do_not_show(monkeypatch):
    x, spans = patterned()
    whole = rules.signals(x, 0.0, 1.0, rules=ALL, spans=spans)
    monkeypatch.setattr("spc.charts.arrays.BLOCK", 7 * 16)
    pieces = rules.signals(x, 0.0, 1.0, rules=ALL, spans=spans)
    assert all(np.array_equal(whole[n], pieces[n]) for n in ALL)


def test_points_are_independent_and_order_does_not_matter():
    x, spans = patterned()
    order = [3, 0, 6, 1, 5, 2, 4]
    whole = rules.signals(x, 0.0, 1.0, rules=ALL, spans=spans)
    part = rules.signals(x[:, order], 0.0, 1.0, rules=ALL, spans=spans)
    assert all(np.array_equal(whole[n][:, order], part[n]) for n in ALL)


def test_a_value_on_the_limit_is_not_beyond_it():
    assert not rules.signals([3.0, -3.0], 0.0, 1.0)["beyond limit"].any()


def test_without_sigma_only_the_rules_of_order_speak():
    x = np.array([0.1 * i for i in range(1, 20)])
    for sigma in (np.nan, 0.0):
        found = rules.signals(x, 0.0, sigma, rules=ALL)
        for name in ALL:
            assert found[name].any() == (name in {
                "nine on one side", "eight on one side", "six in one direction"
            })  # fmt: skip
            if found[name].any():
                assert not rules.RULES[name].needs_sigma


def test_centre_may_change_by_run_and_zones_follow_the_width():
    x = np.r_[np.full(5, 10.0), np.full(5, 20.0)]
    center = x[:, None] + 0.5
    assert rules.signals(x, center, 1.0, rules=["eight on one side"])["eight on one side"].any()
    wide = rules.signals([3.5, 2.5, 2.5], 0.0, 1.0, rules=ALL, width=3.6)
    assert not wide["beyond limit"].any()
    assert wide["two of three far out"][2, 0]


def test_sets_name_rules_that_exist():
    for group in (rules.DEFAULT, rules.ZONES_1956, rules.TESTS_1984, rules.QIF_METHODS):
        assert set(group) <= set(ALL)
    assert len(rules.TESTS_1984) == 8


def test_unknown_rule_is_refused():
    with pytest.raises(DataError, match="rule must be one of beyond limit"):
        rules.signals([1.0], 0.0, 1.0, rules=["seven sins"])


def test_empty_and_single_runs():
    for x in (np.empty((0, 3)), np.zeros((1, 3)), np.full((4, 3), np.nan)):
        found = rules.signals(x, 0.0, 1.0, rules=ALL)
        assert all(f.shape == x.shape and not f.any() for f in found.values())
