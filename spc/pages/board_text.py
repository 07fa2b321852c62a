"""The board for the terminal: the word, the point, the next step."""

from pathlib import Path

from spc.pages import board_words as words
from spc.studies.board import Board


def board_text(board: Board, page: Path) -> str:
    """Return the board in a few lines, and the page to open."""
    piece = board.piece
    where = [f"piece {piece.serial}", *([f"mould {piece.mould}"] if piece.mould else []),
             *([f"batch {piece.batch}"] if piece.batch else [])]  # fmt: skip
    said = " ".join(part for part in words.headline(board) if part)
    about = "; ".join([said, *words.about_spot(board)]) if said else ""
    lines = [
        f"{piece.word.upper()}: {', '.join(where)}",
        *([about] if about else []),
        words.evidence(board),
        f"Next: {' '.join(words.next_steps(board))}",
        f"{board.arm.device or 'The arm'}: {board.arm.state}. {' '.join(words.arm_lines(board))}",
        *(text for text, _ in words.warnings(board)),
    ]
    return "\n".join([*lines, f"Open {page}"])
