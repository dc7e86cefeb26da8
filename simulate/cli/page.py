"""Open a page on this machine: move a slider and see at once what the setup would record.

The page is served to this machine's own browser, loads nothing from elsewhere and ends with Ctrl-C.
It needs the extra of that name: pip install 'simulate[page]'.
"""

from __future__ import annotations

import argparse
from contextlib import suppress

from simulate.cli import common
from simulate.errors import InputError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate page`."""
    parser.add_argument("--port", type=int, default=0, metavar="N", help="port to serve on (default: a free one)")
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="address to serve on (default 127.0.0.1: this machine alone); any other is guarded by a token that the "
        "printed address holds, and goes over the network unencrypted",
    )
    parser.add_argument("--no-browser", action="store_true", help="print the address and open no browser")


def run(arguments: argparse.Namespace) -> int:
    """Serve until Ctrl-C; returns the exit code."""
    if not 0 <= arguments.port <= 65535:
        raise InputError("--port", arguments.port, "give a whole number from 0 (any free one) to 65535")
    try:
        from simulate.page.server import serve
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("starlette", "uvicorn"):
            raise
        raise InputError("simulate page", error.name, "install the extra: pip install 'simulate[page]'") from error
    with suppress(KeyboardInterrupt):  # that is how it ends
        serve(
            host=arguments.host,
            port=arguments.port,
            browser=not arguments.no_browser,
            tell=lambda address: print(f"{address}\n(Ctrl-C ends it)", flush=True),
        )
    common.tell("the page is closed")
    return 0
