"""Documents of the box and what reading them gives, for the tests of the reader of QIF."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from qif_documents import Doc, Feature, Hits
from strategies import box

from spc.errors import InputError
from spc.ingest.checked import Declared, Results
from spc.ingest.qif.results import read_qif

Array = NDArray[np.float64]
PLAN = box(check=2)
POINTS = len(PLAN.points)


def read(doc: Doc | bytes | str, declared: Declared | None = None) -> Results:
    """Return what a document gives; one that is described names the part of each piece."""
    data = replace(doc, placed=True).bytes() if isinstance(doc, Doc) else doc
    return read_qif(data.encode() if isinstance(data, str) else data, "hood.qif",
                    declared or Declared())  # fmt: skip


def refused(doc: Doc | bytes | str, *words: str, declared: Declared | None = None) -> str:
    """Check that a document is refused in words that hold each of these."""
    with pytest.raises(InputError) as error:
        read(doc, declared)
    said = str(error.value)
    assert said.startswith("hood.qif")
    assert not [w for w in words if w not in said], said
    return said


def said(results: Results, *words: str) -> str:
    """Return the one warning that holds each of the words."""
    (found,) = [w for w in results.warnings if all(word in w for word in words)]
    return found


def features(
    hits: Array | None = None, locations: Array | None = None, **same: object
) -> list[Feature]:
    """Return the plan's points with hits (runs, points, hits, 3) or locations (runs, points, 3)."""
    made = []
    for at, p in enumerate(PLAN.points):
        f = Feature(name=p.id, nominal=p.nominal, normal=p.normal, **same)  # type: ignore[arg-type]
        if hits is not None:
            f.hits = {r: Hits(positions=hits[r, at].tolist()) for r in range(len(hits))}
        if locations is not None:
            f.locations = {r: locations[r, at].tolist() for r in range(len(locations))}
        made.append(f)
    return made


def aligned_places() -> Array:
    """Return locations (runs, points, 3) of one piece in the part's own frame, mm."""
    rng = np.random.default_rng(6)
    normal, place = (np.array([getattr(p, k) for p in PLAN.points]) for k in ("normal", "nominal"))
    placed: Array = (place + rng.normal(0, 0.3, (POINTS, 1)) * normal)[None]
    return placed


def own_deviations(places: Array) -> Array:
    """Return deviations of locations in the part's frame."""
    normal, place = (np.array([getattr(p, k) for p in PLAN.points]) for k in ("normal", "nominal"))
    return np.einsum("pk,pk->p", places - place, normal)
