"""The board's words: short, without indices, for someone with gloves on and two metres away."""

from collections.abc import Sequence
from math import isfinite

from spc.pages.display import COARSE, count, length, moment, number, way
from spc.studies.advice import ACCEPT, HIT, MISTAKE, NOTHING, TOUCH
from spc.studies.arm_trust import DOUBTED, TRUSTED, ArmTrust
from spc.studies.board import (
    BAD_HIT,
    CLOSEST,
    NEAR,
    NOWHERE,
    OUTSIDE,
    PART,
    PROCESS,
    RESIDUAL,
    SETUP,
    UNUSUAL,
    WRONG_TOUCH,
    Board,
    Spot,
)
from spc.studies.conditioned import ROOM_C, ROOM_TOLERANCE, YOUNGEST_HOURS
from spc.studies.reviewed import Review
from spc.units import MILLIMETRES


def headline(board: Board) -> tuple[str, str]:
    """Return how far which way, and where: the largest words after the verdict."""
    if board.review is None:
        return "not aligned", "too few fit points"
    spot = board.spot
    if spot is None:
        return ("names or places are wrong" if board.source == SETUP else "", "")
    return way(spot.off, board.plan.unit, spot.lower, spot.upper), spot.point


def about_spot(board: Board) -> tuple[str, ...]:
    """Return what the point's figure means, and how it changed since the piece before."""
    spot, unit = board.spot, board.plan.unit
    if spot is None:
        return ()
    more = f"; {spot.others} more like it" if spot.others else ""
    return (_meaning(board, spot, unit) + more, *_change(board, spot))


def _meaning(board: Board, spot: Spot, unit: str) -> str:
    if spot.why == RESIDUAL and board.review is not None:
        limit = _size(board.review.limit, unit)
        return f"largest left by the fit, limit {limit}; the fault may lie at another point"
    if spot.why == OUTSIDE:
        return f"{_size(spot.beyond, unit)} beyond its tolerance ({_tolerance(spot, unit)})"
    return {
        NEAR: f"inside its tolerance ({_tolerance(spot, unit)}) by less than the arm can tell",
        BAD_HIT: "one hit, off the others of its point",
        WRONG_TOUCH: "read wrong as a whole",
        UNUSUAL: "the most unusual point",
        CLOSEST: _closest(spot, unit),
    }[spot.why]


def _closest(spot: Spot, unit: str) -> str:
    if not isfinite(spot.lower) and not isfinite(spot.upper):
        return "no tolerance is given"
    return f"nearest to its tolerance ({_tolerance(spot, unit)})"


def _tolerance(spot: Spot, unit: str) -> str:
    low, high = (_plain(v, unit, signed=True) for v in (spot.lower, spot.upper))
    if not isfinite(spot.lower):
        return f"at most {high} {unit}"
    if not isfinite(spot.upper):
        return f"at least {low} {unit}"
    return f"{low} to {high} {unit}"


def _change(board: Board, spot: Spot) -> tuple[str, ...]:
    if spot.why in (BAD_HIT, WRONG_TOUCH) or not isfinite(spot.change):
        return ()
    before = f"{spot.before} before it"
    shown = _plain(abs(spot.change), board.plan.unit)
    if float(shown) == 0:
        return (f"as on {before}",)
    # Of a point that lies inward, 'less inward' is easier to take in than 'more outward'.
    earlier = spot.off - spot.change
    same = spot.off * earlier > 0 and abs(spot.off) < abs(earlier)
    moved = f"less {_side(spot.off)}" if same else f"more {_side(spot.change)}"
    return (f"{shown} {board.plan.unit} {moved} than {before}",)


def _side(value: float) -> str:
    return "outward" if value > 0 else "inward"


def _plain(value: float, unit: str, *, signed: bool = False) -> str:
    """Return a length in few digits, more where few would make it nothing."""
    text = f"{value / MILLIMETRES[unit]:{'+' if signed else ''}.{COARSE[unit]}f}"
    return text if float(text) or not value else length(value, unit, signed=signed)


def _size(value: float, unit: str) -> str:
    return f"{_plain(value, unit)} {unit}"


def evidence(board: Board) -> str:
    """Return on what evidence it is the arm, the set-up, the part or the process."""
    found, unit = board.review, board.plan.unit
    if found is None:
        return "Too few of the plan's fit points were measured to place the piece."
    cause, mould = found.advice.cause, _of_mould(board)
    if cause == MISTAKE:
        return f"{_capital(found.closer.mistakes[0].words)}."
    if board.stays:
        named = _listed([s.point for s in found.suspects] if cause == HIT else found.advice.points)
        return f"Measured again, {named} reads the same: it is the part, not the touch."
    if cause == HIT:
        first = found.suspects[0]
        return (
            f"Hits at {first.point} do not agree: they spread by {_size(first.spread, unit)}, "
            f"those of the other points by {_size(first.usual, unit)}."
        )
    if cause == TOUCH:
        named = found.advice.points[0]
        return f"Without {named} the other points fall back into place; a bent part would not."
    if board.source == PROCESS:
        return f"It is like the pieces{mould} just before it, and they are not as they used to be."
    if cause == NOTHING:
        return _sound(found, _mould(board))
    if found.advice.usual is None:
        return "Too few pieces are known to say what is usual; one touch or the seat may be wrong."
    return f"The shape is unlike other pieces{mould}, and no single point explains it."


def _sound(found: Review, mould: str) -> str:
    if found.dof <= 0:
        return "Six fit points cannot be checked by the fit: it fits whatever was probed."
    if found.advice.usual is None:
        return "The fit is within its limit. Too few pieces are known to say what is usual."
    hits = "hits agree, and " if isfinite(found.hit_sd) else ""
    return f"The measurement is sound: {hits}the fit is usual for {mould}."


def _of_mould(board: Board) -> str:
    return f" of mould {board.piece.mould}" if board.piece.mould else ""


def _mould(board: Board) -> str:
    return f"mould {board.piece.mould}" if board.piece.mould else "the mould"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def next_steps(board: Board) -> tuple[str, ...]:
    """Return the next step of the reaction plan: arm, set-up, part, process, in that order."""
    arm = ("Check the arm on its standard.",) if board.arm.state == DOUBTED else ()
    return (*arm, *_steps(board))


def _steps(board: Board) -> tuple[str, ...]:
    found, piece = board.review, board.piece
    if found is None:
        return ("Probe every fit point and take the piece in again.",)
    again = _listed(found.advice.points)
    if board.stays:
        batch = f" and batch {piece.batch}" if piece.batch else ""
        return (
            f"Hold the piece{batch}. Look at {again}.",
            "Measure the pieces before and after it.",
        )
    if found.advice.cause == MISTAKE:
        return ("Put names or unit right in the file, or measure the piece again.",)
    if found.advice.cause == HIT:
        return (f"Wipe ball and surface. Probe {again} again.",)
    if found.advice.cause == TOUCH:
        more = ", all of them" if len(found.advice.points) > 1 else ""
        return (f"Probe {again} again{more}.",)
    if board.source == NOWHERE:
        return ("Measure the next piece.",)
    if board.source == PROCESS:
        return _process(board)
    if not board.again:
        return ("Set the piece aside.", "Seat it afresh and measure it once more.")
    if board.source == PART:
        batch = f" and batch {piece.batch}" if piece.batch else ""
        return (f"It stayed so: hold the piece{batch}.", "Measure the pieces before and after it.")
    return ("It stayed so: it is the part. Hold it.", "Measure the pieces before and after it.")


def _process(board: Board) -> tuple[str, ...]:
    mould = _mould(board)
    if board.piece.word == ACCEPT:
        return (f"Tell moulding: {mould} has moved.", "Measure the next piece.")
    if board.last_good:
        held = f"Hold all of {mould} after {board.last_good}."
    else:
        held = f"Hold this piece{f' and batch {board.piece.batch}' if board.piece.batch else ''}."
    return (held, f"Tell moulding: {mould} has moved.")


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + f" and {names[-1]}"


def arm_lines(board: Board) -> tuple[str, ...]:
    """Return why the arm is trusted or not, one sentence each."""
    arm, unit = board.arm, board.plan.unit
    return (_scatter(arm, unit), _checked(arm))


def _scatter(arm: ArmTrust, unit: str) -> str:
    if not isfinite(arm.hit_sd):
        return "The file holds no hits: their scatter is not known."
    shown = f"Hits scatter by {_size(arm.hit_sd, unit)}"
    if not isfinite(arm.usual):
        return f"{shown}; too few pieces are known to say what is usual."
    usual = f"{_size(arm.usual, unit)} as a rule"
    return f"{shown}; {usual}." if arm.scatter == TRUSTED else f"{shown}, too wide; {usual}."


def _checked(arm: ArmTrust) -> str:
    whose = f" of {arm.device}" if arm.device else ""
    if arm.checked_at is None:
        return f"No check{whose} is recorded."
    day = moment(arm.checked_at)[:10]
    if arm.check == DOUBTED:
        runs = f": {count(arm.look_back, 'run')} since the last good one" if arm.look_back else ""
        return f"The check of {day} failed{runs}. All measured since is in doubt."
    if arm.days < 0:
        return f"Checked since, on {day}."
    many = "less than a day" if arm.days < 1 else count(round(arm.days), "day")
    if arm.overdue:
        return f"No check for {many}: one is due every {count(round(arm.check_days), 'day')}."
    inside = "" if arm.check == TRUSTED else "; too few checks to say what it should read"
    return f"Checked {many} before this piece{inside}."


def warnings(board: Board) -> tuple[tuple[str, bool], ...]:
    """Return what must be known before anything is done, and whether it asks for action."""
    said = []
    unready = board.unready
    if unready is not None and unready.hours < YOUNGEST_HOURS:
        back = f" Come back {moment(unready.come_back)} UTC." if unready.come_back else ""
        said.append((f"Too young: {number(unready.hours, 0)} h, still shrinking.{back}", True))
    if unready is not None and abs(unready.temperature_c - ROOM_C) > ROOM_TOLERANCE:
        warm = "warm" if unready.temperature_c > ROOM_C else "cold"
        said.append(
            (f"Too {warm}: {number(unready.temperature_c, 1)} °C, not {ROOM_C:g} °C.", True)
        )
    if board.again:
        times = "once" if len(board.again) == 1 else f"{len(board.again)} times"
        said.append((f"Measured {times} before, as {_listed(board.again)}.", False))
    if board.review is not None and board.review.omitted:
        said.append((f"Fitted without {_listed(board.review.omitted)}.", False))
    return tuple(said)
