"""Places of a QIF document that a mapping can name, in the standard's own words."""

from spc.errors import InputError

#: Places that say something of a piece and its making, all but the first two of which are found
#: under the piece's ``Traceability`` or what that refers to.
OF_A_PIECE = (
    "SerialNumber", "ModelNumber", "SampleNumber", "LotNumber", "FixtureId", "MachineIdentifier",
    "OperatorIdentifier", "Path", "Shift", "Job",
)  # fmt: skip
#: Places with a name of the user's own behind a colon.
NAMED = ("Attribute", "Parameter")
#: What a point can be called by.
OF_A_POINT = ("FeatureName", "UUID", "CharacteristicName", "Designator")


def check_place(place: str, column: str, *, file: str) -> None:
    """Refuse a place that the reader does not know."""
    head, colon, rest = place.partition(":")
    if column == "point":
        known: tuple[str, ...] = OF_A_POINT
        good = place in OF_A_POINT
    else:
        known = (*OF_A_PIECE, *(f"{word}:NAME" for word in NAMED))
        good = place in OF_A_PIECE or (head in NAMED and bool(colon and rest))
    if not good:
        raise InputError(
            f"[qif] {column} is looked up at '{place}', which is no place here", file=file,
            do=f"use one of {', '.join(known)}",
        )  # fmt: skip
