"""``python -m surfscan``, and the command itself.

What is loaded before Ctrl-C is heard is already in the interpreter: `_signal` is `signal` without its enums, which take
milliseconds to load.
"""

import _signal as signal  # type: ignore[import-not-found]
import os
import sys

TYPE_CHECKING = False  # typing's own takes milliseconds too
if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

__all__ = ["run"]

_STOPPED = 130  # as shells report a process ended by SIGINT


def _leave(number: int, frame: "FrameType | None") -> None:
    """End at once: nothing is open yet, or all is written, and an exception would only show Python's own words."""
    os.write(2, b"\nsurfscan: stopped\n")
    os._exit(_STOPPED)


def _hear(handler: "Callable[[int, FrameType | None], None]") -> None:
    """Let this hear Ctrl-C, unless the shell has this process ignore it, as it does behind ``&``."""
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        signal.signal(signal.SIGINT, handler)


if __name__ == "__main__":
    _hear(_leave)


def run() -> int:
    """The command; Ctrl-C is heard quietly from its first moment to its last, also while libraries come and go."""
    _hear(_leave)
    # Its own threads share the work already: the library's would wait for them (a tenth of a lamp job's time).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from surfscan.cli import main

    if not sys.warnoptions and "--debug" not in sys.argv:
        import warnings

        warnings.simplefilter("ignore")  # of libraries, about their own numbers; nothing a user could act on
    try:
        _hear(signal.default_int_handler)
        status = main()
        _hear(_leave)
    except KeyboardInterrupt:  # pressed again while the first was being told
        _leave(signal.SIGINT, None)
    return status


if __name__ == "__main__":
    sys.exit(run())
