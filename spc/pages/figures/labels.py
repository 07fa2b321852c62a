"""Labels beside marks, each where it covers least of its neighbours."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.pages.figures.strands import Floats

#: Height of a line, and width of a letter (in bold type), in pixels at the map's text size.
LINE, LETTER = 14.0, 7.0
#: Room that a label leaves to other marks where it can, pixels.
CLEAR = 9.0
#: Of its area a label may share so much with others or lie outside; else it is left out. One that
#: nobody has to read may share less.
TOLERATED, TOLERATED_QUIET = 0.5, 0.3
#: So often labels choose, each in the light of the others.
ROUNDS = 8
#: Where a label may stand, the best first: the name that figures use, and which way it grows.
PLACES = (
    ("middle right", 1, 0), ("middle left", -1, 0), ("bottom center", 0, -1),
    ("top center", 0, 1), ("bottom right", 1, -1), ("bottom left", -1, -1), ("top right", 1, 1),
    ("top left", -1, 1),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A label to be placed.

    Parameters
    ----------
    x, y
        Middle of its mark, pixels, y upwards.
    radius
        Half of the mark's size, pixels.
    lines
        Its text, line by line.
    quiet
        True where the label may as well be left out as crowd others.
    """

    x: float
    y: float
    radius: float
    lines: tuple[str, ...]
    quiet: bool = False


def placed(
    labels: Sequence[Label],
    frame: tuple[float, float, float, float],
    blocked: Sequence[tuple[float, float, float, float]] = (),
) -> tuple[str, ...]:
    """Return a place for each label, named as figures name it; empty where there is no room.

    Parameters
    ----------
    labels
        The labels; earlier ones choose first, and all choose again in the light of the others.
    frame
        Left, bottom, right and top of the picture, pixels; a label would rather stay inside.
    blocked
        The same of other words that no label should cover.
    """
    if not labels:
        return ()
    marks = np.array([_mark_box(label) for label in labels])
    fixed = np.concatenate([marks, np.array(blocked, dtype=np.float64).reshape(-1, 4)])
    near = np.array([_mark_box(label, CLEAR) for label in labels])
    boxes = [np.array([_box(label, right, up) for _, right, up in PLACES]) for label in labels]
    chosen = np.full(len(labels), -1)
    for _ in range(ROUNDS):
        before = chosen.copy()
        for own in range(len(labels)):
            others = [boxes[k][at] for k, at in enumerate(chosen) if k != own and at >= 0]
            taken = np.concatenate([fixed, np.array(others).reshape(-1, 4)])
            # Near another mark a label would be read as that one's.
            costs = [
                _cost(box, taken, frame) + 0.5 * _shared(box, np.delete(near, own, axis=0))
                + 0.01 * at
                for at, box in enumerate(boxes[own])
            ]  # fmt: skip
            chosen[own] = int(np.argmin(costs))
        if (chosen == before).all():
            break
    tolerated = [TOLERATED_QUIET if label.quiet else TOLERATED for label in labels]
    return _with_room(boxes, chosen, fixed, frame, tolerated)


def _with_room(
    boxes: Sequence[Floats], chosen: npt.NDArray[np.int64], fixed: Floats,
    frame: tuple[float, float, float, float], tolerated: Sequence[float],
) -> tuple[str, ...]:  # fmt: skip
    """Return the places of the labels that can be read there; earlier labels go before."""
    kept: list[str] = []
    taken = fixed
    for places, at, most in zip(boxes, chosen, tolerated, strict=True):
        costs = [_cost(box, taken, frame) + 0.01 * (k != at) for k, box in enumerate(places)]
        best = int(np.argmin(costs))
        left, low, right, top = places[best]
        fits = costs[best] <= most * (right - left) * (top - low)
        kept.append(PLACES[best][0] if fits else "")
        taken = np.concatenate([taken, places[best][None]]) if fits else taken
    return tuple(kept)


def _mark_box(label: Label, room: float = 0.0) -> Floats:
    half = label.radius + room
    return np.array([label.x, label.y, label.x, label.y]) + half * np.array([-1, -1, 1, 1])


def _box(label: Label, right: int, up: int) -> Floats:
    """Return left, bottom, right and top of the label standing that way of its mark."""
    width = LETTER * max((len(line) for line in label.lines), default=0)
    height = LINE * len(label.lines)
    reach = label.radius + 2
    left = label.x + (reach if right > 0 else -reach - width if right < 0 else -width / 2)
    low = label.y + (reach if up > 0 else -reach - height if up < 0 else -height / 2)
    return np.array([left, low, left + width, low + height])


def _cost(box: Floats, taken: Floats, frame: tuple[float, float, float, float]) -> float:
    """Return the area that a box shares with others and leaves outside the frame."""
    inside = max(0.0, min(box[2], frame[2]) - max(box[0], frame[0])) * max(
        0.0, min(box[3], frame[3]) - max(box[1], frame[1])
    )
    return _shared(box, taken) + 2 * float((box[2] - box[0]) * (box[3] - box[1]) - inside)


def _shared(box: Floats, others: Floats) -> float:
    """Return the area that a box shares with others, (n, 4)."""
    wide = np.minimum(box[2], others[:, 2]) - np.maximum(box[0], others[:, 0])
    tall = np.minimum(box[3], others[:, 3]) - np.maximum(box[1], others[:, 1])
    return float(np.where((wide > 0) & (tall > 0), wide * tall, 0.0).sum())
