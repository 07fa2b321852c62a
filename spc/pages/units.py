"""The unit that each series of a study is shown in."""

from spc.studies.monitor import Monitor


def unit_of(study: Monitor, column: int) -> str:
    """Return the unit of a column: the plan's for a length, the series' own for all else."""
    own = study.series.units
    return (own[column] if own else "") or study.plan.unit


def unit_of_series(study: Monitor, name: str) -> str:
    """Return the unit of the series of that name."""
    return unit_of(study, study.series.names.index(name))


def common_unit(study: Monitor) -> str:
    """Return the unit of all series; empty where they differ."""
    units = {unit_of(study, column) for column in range(len(study.series.names))}
    return units.pop() if len(units) == 1 else ""


def meaning_in(text: str, own: str, unit: str) -> str:
    """Return what an amplitude of one means, in the plan's unit where it is a length."""
    return text.replace("1 mm", f"1 {unit}") if own == "mm" else text
