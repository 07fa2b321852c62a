"""Ctrl+C, which the libraries under a command turn into errors of their own."""

import _thread
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

#: How Python tells it in a text that it was told of by the engine's own code.
_TOLD = ("KeyboardInterrupt", "Query interrupted", "INTERRUPT Error")


@contextmanager
def interruptible() -> Iterator[None]:
    """Raise ``KeyboardInterrupt`` where an error of the database engine is Ctrl+C in another form.

    Where it comes between two questions the engine raises ``RuntimeError``, in the middle of one
    its own error, and while it looks at a frame of ours an error whose text holds Python's.
    """
    try:
        yield
    except Exception as error:
        if any(line.startswith(_TOLD) for line in str(error).splitlines()):
            raise KeyboardInterrupt from error
        raise


class Asked:
    """Whether Ctrl+C was pressed since."""

    def __init__(self) -> None:
        self.yet = False

    def __call__(self, number: int, frame: FrameType | None) -> None:
        """Be what Python calls on the signal."""
        self.yet = True
        signal.default_int_handler(number, frame)


@contextmanager
def noticed() -> Iterator[Asked]:
    """Take note of Ctrl+C, which still raises ``KeyboardInterrupt``.

    What is left of the process afterwards it ends at once, and without a word. A process that was
    started to ignore it (a shell's background job) still does.
    """
    asked = Asked()
    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    ):
        yield asked
        return
    signal.signal(signal.SIGINT, asked)
    before, sys.unraisablehook = sys.unraisablehook, _once_more
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        sys.unraisablehook = before


def _once_more(lost: "sys.UnraisableHookArgs") -> None:
    """Press again where it came while Python tidied up, of which an error is printed and lost.

    A moment later, or it would come while this is done, and be lost as well.
    """
    if issubclass(lost.exc_type, KeyboardInterrupt):
        again = threading.Timer(0.05, _thread.interrupt_main)
        again.daemon = True
        again.start()
    else:
        sys.__unraisablehook__(lost)
