"""``python -m surfscan``, and the command itself."""

from __future__ import annotations

import sys

__all__ = ["run"]


def run() -> int:
    """The command; Ctrl-C is heard from its first moment, while it is still being loaded."""
    try:
        from surfscan.cli import main

        if not sys.warnoptions and "--debug" not in sys.argv:
            import warnings

            warnings.simplefilter(
                "ignore"
            )  # of libraries, about their own numbers; nothing a user could act on
        return main()
    except KeyboardInterrupt:
        sys.stderr.write("\nsurfscan: stopped before it began\n")
        return 130


if __name__ == "__main__":
    sys.exit(run())
