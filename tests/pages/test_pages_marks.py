"""One shape a finding: a reader who learned it on one page must not be misled on the next."""

from spc.charts.rules import RULES, TESTS_1984, ZONES_1956
from spc.pages.figures.traces import OTHER, SHAPES, mark_of
from spc.studies.chart_signals import EWMA_CHART, RANGE_CHART, VALUE_CHART


def test_every_rule_has_a_mark():
    assert set(SHAPES) == set(RULES)
    assert OTHER not in {mark_of(VALUE_CHART, rule.text) for rule in RULES.values()}


def test_marks_of_one_set_are_told_apart():
    for rules in (ZONES_1956, TESTS_1984):
        marks = [mark_of(VALUE_CHART, RULES[name].text) for name in rules]
        marks += [mark_of(EWMA_CHART, "any"), mark_of(RANGE_CHART, "any")]
        assert len(set(marks)) == len(marks)


def test_what_no_rule_says_is_marked_too():
    assert mark_of(VALUE_CHART, "something new") == OTHER
