"""Units of the columns of a month's tables, for headings that people read."""

#: Columns that hold a length in mm, in whatever table.
_MM = frozenset({
    "mean", "smallest", "largest", "lower", "upper", "target", "moved", "sd", "sd_low", "sd_high",
    "sd_within", "sd_between", "value", "center", "shift", "shift_low", "shift_high", "off",
    "spread", "usual", "residual", "limit", "worst_lower", "worst_upper",
})  # fmt: skip
_MM_A_MONTH = frozenset({"slope", "low", "high", "drift_a_month"})
_SHARES = frozenset({
    "seen", "seen_low", "seen_high", "share_between", "share", "share_low", "share_high",
    "modelled", "modelled_low", "modelled_high", "if_independent", "used", "used_largest",
})  # fmt: skip
_TIMES = frozenset({
    "since", "until", "measured_at", "at", "answered_at", "decided_at", "last_checked",
    "valid_from", "valid_to", "frozen_at", "first_measured_at",
})  # fmt: skip
_OTHERS = {
    "moved_sigma": "standard deviations of a batch mean", "event_days": "days before",
    "longest_days": "days", "meets": "months", "meets_low": "months", "meets_high": "months",
    "hours": "h since moulding", "temperature_c": "°C",
    "p": "chance", "drift_p": "chance", "normal_p": "chance",
}  # fmt: skip
#: Where a name holds something else in one table.
_OWN = {
    ("arms", "worst"): "mm",
    ("limits", "center"): "on its scale",
    ("limits", "sigma"): "on its scale",
}


def unit_of_column(table: str, column: str) -> str:
    """Return the unit of a column in words; empty for counts, indices, names and sentences."""
    if (table, column) in _OWN:
        return _OWN[table, column]
    if column.endswith("_mm") or column in _MM:
        return "mm"
    groups = ((_MM_A_MONTH, "mm a month"), (_SHARES, "share, 1 is all"), (_TIMES, "UTC"))
    return next((unit for names, unit in groups if column in names), _OTHERS.get(column, ""))


def headed(table: str, column: str) -> str:
    """Return a column's name for people, with its unit: 'mean (mm)'."""
    unit = unit_of_column(table, column)
    name = column.removesuffix("_mm").replace("_", " ")
    return f"{name} ({unit})" if unit else name
