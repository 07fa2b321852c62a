"""The page for the screen beside the arm: read from three metres, in five seconds."""

from datetime import datetime

from spc.pages import board_words as words
from spc.pages.blocks import SHAPES, badge, outlined
from spc.pages.display import moment
from spc.pages.figures.sketch import sketch
from spc.pages.html import Html, el
from spc.pages.shell import screen_html
from spc.studies.advice import ACCEPT
from spc.studies.arm_trust import DOUBTED
from spc.studies.board import ARM, NOWHERE, PART, PROCESS, SETUP, Board, BoardPiece

#: The stations on the way from a reading to its cause, in the order in which they are looked at.
WAY = {ARM: "arm or hand", SETUP: "set-up", PART: "part", PROCESS: "process"}


def board_page(board: Board, *, refresh: int) -> str:
    """Return the page; the same board gives the same bytes.

    Parameters
    ----------
    board
        What to show.
    refresh
        Seconds after which the browser reads the file again; 0 for never.
    """
    act = board.piece.word != ACCEPT
    body = el(
        "main",
        _verdict(board),
        _warnings(board),
        el("div", _point(board), _picture(board, act=act), class_="point"),
        el("div", _cause(board), _next(board), _arm(board), class_="cards"),
        _strip(board),
        class_=board.piece.word,
    )
    title = f"{board.piece.word}: {board.piece.serial}"
    return screen_html(title, body, sheet="board.css", script="board.js", refresh=refresh)


def _verdict(board: Board) -> Html:
    piece = board.piece
    shape = SHAPES[piece.word][0]
    return el(
        "header",
        el("h1", outlined(shape), piece.word),
        el(
            "dl",
            _pair("piece", piece.serial),
            _pair("mould", piece.mould) if piece.mould else None,
            _pair("batch", piece.batch) if piece.batch else None,
            _pair("part", f"{board.plan.part} {board.plan.revision}".strip()),
            _pair("measured", _time(piece.measured_at)),
        ),
    )


def _pair(name: str, value: str | Html) -> Html:
    return el("div", el("dt", name), el("dd", value))


def _time(when: datetime | None) -> Html:
    """Return a time in UTC; the page's script says it in the screen's time, and how long ago."""
    if when is None:
        return el("span", "time unknown")
    return el("time", f"{moment(when)} UTC", datetime=f"{when:%Y-%m-%dT%H:%M:%S}Z")


def _warnings(board: Board) -> Html | None:
    said = words.warnings(board)
    return (
        el(
            "ul",
            (el("li", text, class_="act" if act else None) for text, act in said),
            class_="warnings",
        )
        if said
        else None
    )


def _point(board: Board) -> Html:
    size, where = words.headline(board)
    return el(
        "section",
        el("p", el("b", size), " ", el("span", where, class_="where"), class_="big"),
        (el("p", text[:1].upper() + text[1:], class_="mid") for text in words.about_spot(board)),
        aria_label="The point that matters",
    )


def _picture(board: Board, *, act: bool) -> Html:
    return sketch(board.plan, board.spot.point if board.spot else "", act=act)


def _cause(board: Board) -> Html:
    stations = [
        el("li", name, class_="here" if key == board.source else None,
           aria_current="step" if key == board.source else None)
        for key, name in WAY.items()
    ]  # fmt: skip
    title = "Nothing points to a fault" if board.source == NOWHERE else "Where it comes from"
    return el(
        "section", el("h2", title), el("ol", stations, class_="way"),
        el("p", words.evidence(board)),
    )  # fmt: skip


def _next(board: Board) -> Html:
    steps = [el("li", text) for text in words.next_steps(board)]
    return el("section", el("h2", "Next"), el("ol", steps, class_="steps"), class_="next")


def _arm(board: Board) -> Html:
    arm = board.arm
    name = arm.device or "the arm"
    mark = outlined("square" if arm.state == DOUBTED else "circle")
    kind = "act" if arm.state == DOUBTED else None
    state = el("span", mark, arm.state, class_=kind)
    lines = (el("p", text) for text in words.arm_lines(board))
    return el("section", el("h2", f"{name}: ", state), lines, class_="arm")


def _strip(board: Board) -> Html:
    shown = [_small(piece) for piece in board.pieces]
    count = len(shown)
    name = f"The last {count} pieces, the newest last" if count > 1 else "The first piece"
    return el("footer", el("h2", name), el("ol", shown, class_="strip"))


def _small(piece: BoardPiece) -> Html:
    return el(
        "li", badge(piece.word), el("span", piece.serial, class_="serial"), class_=piece.word
    )  # fmt: skip
