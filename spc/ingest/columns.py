"""Our names of columns, and what each says."""

#: Columns that say something of a whole run; each must hold one value within a run.
RUN_TEXT = (
    "part",
    "revision",
    "serial",
    "mould",
    "cavity",
    "batch",
    "run",
    "operator",
    "device",
    "probe",
    "setup",
    "study",
)
RUN_NUMBERS = ("part_temp_c", "hours_since_moulding")
NEEDED = ("part", "serial", "run", "point", "unit")
LENGTHS = ("x", "y", "z", "deviation", "residual")
KNOWN = (*RUN_TEXT, *RUN_NUMBERS, "measured_at", "station", "point", "hit", *LENGTHS, "unit")
#: Columns of events that results do not have.
EVENT = ("at", "kind", "note")
#: Columns that hold names, where 12 and 12.0 would be two.
NAMES = (*RUN_TEXT, "station", "point")
