"""The program's first lines: from here on an interrupt ends in one line, even while the rest is being loaded."""

import os
import signal
import sys
from contextlib import suppress
from types import FrameType

INTERRUPTED = 130
IMPORTS = "<frozen importlib"
SAID = b"noonmark: interrupted, the command, nothing is lost: run it again\n"


class _Interrupt:
    """The first interrupt unwinds what is under way; a second one ends the process where it stands."""

    def __init__(self) -> None:
        self.is_loaded = False
        self.count = 0

    def __call__(self, _number: int, frame: FrameType | None) -> None:
        self.count += 1
        if self.count > 1 or not self.is_loaded or _is_importing(frame):
            os.write(2, SAID)
            os._exit(INTERRUPTED)  # as safe as being killed: what was committed stays
        # What cannot be raised any more (in a destructor) would be printed with its traceback.
        sys.unraisablehook = lambda _: None
        raise KeyboardInterrupt


def _is_importing(frame: FrameType | None) -> bool:
    """Whether a library is being loaded: an extension whose beginning is interrupted may abort the process."""
    while frame is not None and not frame.f_code.co_filename.startswith(IMPORTS):
        frame = frame.f_back
    return frame is not None


def entry() -> None:
    """Runs the command line; ends the process with its exit status."""
    interrupt = _Interrupt()
    signal.signal(signal.SIGINT, interrupt)
    code = _quickly()
    if code is None:
        from pipeline.commands.cli import main

        interrupt.is_loaded = True
        code = main()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the work is done, and its status is known
    if interrupt.count and code:
        with suppress(OSError, ValueError):
            sys.stdout.flush()
        # An interpreter in which an extension's own run of Python was interrupted would end by the signal, not so.
        os._exit(INTERRUPTED)
    sys.exit(code)


def _quickly() -> int | None:
    """The exit status of what can be answered at once; None for all else, and for what goes wrong there."""
    from pipeline.commands.quick_status import answered

    try:
        return answered(sys.argv[1:])
    except Exception:  # the whole command says it in words
        return None


if __name__ == "__main__":
    entry()
