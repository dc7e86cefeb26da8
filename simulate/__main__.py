"""Run the command line as ``simulate`` or ``python -m simulate``."""

import os
import signal
import sys


def _leave(*_: object) -> None:
    """Answer Ctrl-C before `main` does, while its libraries load, and after it: a traceback tells nobody anything."""
    os.write(2, b"simulate: stopped; finished files are kept\n")
    os._exit(130)


def run() -> None:
    """Run the command line and leave with its exit code."""
    signal.signal(signal.SIGINT, _leave)
    from simulate.cli import main

    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        code = main()
    except KeyboardInterrupt:  # in the very instant that `main` begins or ends
        _leave()
    signal.signal(signal.SIGINT, _leave)
    sys.exit(code)  # pyright: ignore[reportPossiblyUnboundVariable]


if __name__ == "__main__":
    run()
