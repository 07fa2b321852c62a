"""Rules and signals of charts in the words of QIF 3.0 (ISO 23952), as far as it has words for them.

A rule that the standard has no control method for, such as the moving average, is an issue in words
without a method.
"""

from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element

from spc.charts.rules import RULES
from spc.pages.qif_elements import Ids, identified, own_id, put, put_list, refer
from spc.studies.signals import ListedSignal

#: Control method and issue of each kind of rule; grouped values go by how far out they lie.
_METHODS = {
    "beyond": ("NumOutOfControl", "OOC"),
    "one side": ("SkewGrouping", "SKEWED"),
    "trend": ("TrendGrouping", "TRENDING"),
    "oscillation": ("Oscillation", "OSCILLATING"),
}
_FAR, _NEAR = ("TwoThirdsGrouping", "TWOTHIRDGROUPED"), ("OneThirdGrouping", "ONETHIRDGROUPED")


def named(rule: str) -> tuple[str, str] | None:
    """Return the standard's method and issue for a rule by our name; None where it has none."""
    found = RULES[rule]
    if found.kind == "grouped":
        return _FAR if found.numbers["zone"] > 0.5 else _NEAR
    return _METHODS.get(found.kind)


def rules_of(rules: Iterable[str], signals: Sequence[ListedSignal]) -> tuple[str, ...]:
    """Return the names of the rules that were looked for on a chart, or found there."""
    found = {text for s in signals for text in (s.rule, *s.also)}
    return tuple(dict.fromkeys([*rules, *(n for n, r in RULES.items() if r.text in found)]))


def control_methods(rules: Iterable[str], ids: Ids) -> dict[str, Element]:
    """Return a control method for each rule that has one."""
    made = {}
    for rule in rules:
        words = named(rule)
        if words is not None:
            made[rule] = identified("ControlMethod", ids)
            _put_method(put(made[rule], words[0]), rule)
    return made


def _put_method(method: Element, rule: str) -> None:
    numbers, kind = RULES[rule].numbers, RULES[rule].kind
    if kind in ("grouped", "oscillation"):
        put(method, "Numerator", int(numbers.get("hits", RULES[rule].runs)))
        put(method, "Denominator", RULES[rule].runs)
    else:
        put(method, "Limit", int(numbers.get("length", 1)))


def issues(
    signals: Sequence[ListedSignal], causes: "Causes", ids: Ids
) -> list[tuple[ListedSignal, Element]]:
    """Return a study issue for each signal, with its cause and action where it is answered."""
    made = []
    for signal in signals:
        issue = identified("StudyIssue", ids)
        answer = causes.of(signal)
        if answer is not None:
            cause, action = answer
            refer(issue, "AssignableCauseIds", [cause])
            refer(issue, "CorrectiveActionIds", [action])
        made.append((signal, issue))
    return made


def put_details(
    results: Element, found: Sequence[tuple[ListedSignal, Element]], methods: dict[str, Element]
) -> None:
    """Add what each signal consists of, one entry a rule."""
    by_text = {RULES[name].text: name for name in RULES}
    details = []
    for signal, issue in found:
        for text in (signal.rule, *signal.also):
            rule = by_text.get(text, "")
            words = named(rule) if rule else None
            one = Element("ControlIssueDetails")
            what = put(one, "ControlIssue")
            if words is None:
                put(what, "OtherControlIssue", text)
            else:
                put(what, "ControlIssueEnum", words[1])
            if rule in methods:
                put(one, "ControlMethodId", own_id(methods[rule]))
            put(one, "StudyIssueId", own_id(issue))
            details.append(one)
    put_list(results, "ControlIssueDetailsList", details)


class Causes:
    """The causes and actions that answers named, each with an id that issues refer to.

    Parameters
    ----------
    signals
        The signals; open ones have none.
    ids
        Ids to give.
    """

    def __init__(self, signals: Sequence[ListedSignal], ids: Ids) -> None:
        self._causes: list[Element] = []
        self._actions: list[Element] = []
        self._of: dict[str, tuple[str, str]] = {}
        answered = [s for s in signals if s.cause and s.reaction]
        self._plan = identified("CorrectiveActionPlan", ids) if answered else None
        for signal in answered:
            action = identified("CorrectiveAction", ids)
            put(action, "ActionToTake", signal.reaction)
            cause = identified("AssignableCause", ids)
            put(cause, "Description", signal.cause)
            refer(cause, "CorrectiveActionIds", [own_id(action)])
            self._of[signal.signal_id] = own_id(cause), own_id(action)
            self._causes.append(cause)
            self._actions.append(action)

    def of(self, signal: ListedSignal) -> tuple[str, str] | None:
        """Return the ids of a signal's cause and action; None while it is open."""
        return self._of.get(signal.signal_id)

    def put(self, statistics: Element) -> None:
        """Add them as a plan of corrective actions; nothing where no signal is answered."""
        if self._plan is not None:
            put_list(self._plan, "AssignableCauses", self._causes)
            put_list(self._plan, "CorrectiveActions", self._actions)
            put_list(statistics, "CorrectiveActionPlans", [self._plan])
