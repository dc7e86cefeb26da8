"""The server of the page: routes, start and end."""

from __future__ import annotations

import asyncio
import secrets
import socket
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from importlib import resources
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from simulate.errors import InputError, MissingError, kept_warnings
from simulate.instruments.changes import instrument_toml
from simulate.page import answers
from simulate.page.asked import evening, first_state, read_asked, read_night, read_place, read_setup
from simulate.page.guard import Guard, is_loopback
from simulate.page.pool import Busy, Dropped, Pool
from simulate.present.fits import fits_bytes
from simulate.present.sheet import sheet_png

FILES = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "state.js": "text/javascript; charset=utf-8",
    "draw.js": "text/javascript; charset=utf-8",
    "ask.js": "text/javascript; charset=utf-8",
    "more.js": "text/javascript; charset=utf-8",
}
"""The page's own files beside its HTML; no other name is looked for."""

MOST_UPLOADED = 100_000_000
"""Bytes of a picture that is dropped; its pixels are counted before it is decoded (`simulate.checking.reading`)."""

MOST_WORDS = 4000
"""Characters of an address behind its question mark."""

DROPPED, BAD_INPUT, TOO_LARGE, BUSY, FAULT = 409, 422, 413, 503, 500


def make_app(*, port: int, names: tuple[str, ...], token: str | None = None, threads: int = 2) -> Guard:
    """Return the page as an ASGI application.

    Parameters
    ----------
    port : int
        On which it is served.
    names : tuple of str
        Names and addresses by which it may be asked.
    token : str or None
        Needed where other machines can reach it.
    threads : int
        Threads that compute.
    """
    pool = Pool(threads)

    @asynccontextmanager
    async def warm(_: Starlette) -> AsyncIterator[None]:
        # the first picture is begun before the first visitor is there: libraries and tables load meanwhile
        first = asyncio.create_task(pool.run("", "first", lambda: _quietly(_first_picture)))
        first.add_done_callback(lambda task: task.cancelled() or task.exception())
        yield
        pool.close()
        first.cancel()

    routes = [
        Route("/", _index),
        Route("/files/{name}", _file),
        *(Route(f"/ask/{name}", _asking(pool, name)) for name in QUESTIONS),
        Route("/ask/check", _checking(pool), methods=["POST"]),
        *(Route(f"/keep/{name}", _keeping(pool, name)) for name in KEPT),
    ]
    return Guard(Starlette(routes=routes, lifespan=warm), port=port, names=names, token=token)


def serve(*, host: str = "127.0.0.1", port: int = 0, browser: bool = True, tell: Callable[[str], None] = print) -> None:
    """Serve the page until Ctrl-C.

    Parameters
    ----------
    host : str
        Address to bind to; any but this machine's own gets a token.
    port : int
        0 takes a free one.
    browser : bool
        Open the browser.
    tell : callable
        Gets the address.

    Raises
    ------
    InputError
        If host and port cannot be had.
    """
    listening = _listen(host, port)
    taken = listening.getsockname()[1]
    token = None if is_loopback(host) else secrets.token_urlsafe(24)
    names = ("127.0.0.1", "localhost", "::1") if token is None else _own_names(host)
    shown = f"[{host}]" if ":" in host else (host if token is None else names[0])
    address = f"http://{shown}:{taken}/" + (f"?token={token}" if token else "")
    app = make_app(port=taken, names=names, token=token)
    settings = uvicorn.Config(
        app, log_level="critical", access_log=False, ws="none", http="h11", lifespan="on", server_header=False,
        timeout_graceful_shutdown=1, timeout_keep_alive=30, limit_concurrency=200, h11_max_incomplete_event_size=16384,
    )  # fmt: skip
    tell(address)
    if browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    uvicorn.Server(settings).run(sockets=[listening])


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)  # from now on a browser that comes early waits
    except PermissionError as error:
        listening.close()
        raise InputError("--port", port, "this user may not serve there; give one above 1023") from error
    except OSError as error:
        listening.close()
        field, value = ("--host", host) if isinstance(error, socket.gaierror) else ("--port", port)
        raise InputError(field, value, f"it cannot be had ({error.strerror or error}); leave it out") from error
    return listening


def _own_names(host: str) -> tuple[str, ...]:
    """Return by which names other machines ask for this one: the address that was given, or all that it has."""
    if host not in ("0.0.0.0", "::"):
        return (host,)
    name = socket.gethostname()
    try:
        found = {str(entry[4][0]) for entry in socket.getaddrinfo(name, None)}
    except OSError:
        found = set()
    return (name.lower(), *sorted(found), "127.0.0.1", "localhost")


def _index(_: Request) -> Response:
    return Response(_static("index.html"), media_type="text/html; charset=utf-8")


def _file(request: Request) -> Response:
    name = request.path_params["name"]
    kind = FILES.get(name)
    return Response(status_code=404) if kind is None else Response(_static(name), media_type=kind)


def _static(name: str) -> bytes:
    return (resources.files("simulate.page") / "static" / name).read_bytes()


Words = Mapping[str, str]


def _first_picture() -> None:
    answers.picture_answer(read_asked(first_state()), judge=False)


def _choices(_: Words) -> bytes:
    return answers.choices_answer(first_state()).packed()


def _picture(words: Words) -> bytes:
    return answers.picture_answer(read_asked(words), judge=words.get("judge") == "1").packed()


def _night(words: Words) -> bytes:
    night, site = read_night(words)
    asked = read_asked(words, needs_time=False)
    return answers.night_answer(asked.body.name, night, site).packed()


def _ladder(words: Words) -> bytes:
    return answers.ladder_answer(read_asked(words)).packed()


def _tonight(words: Words) -> bytes:
    night, site = read_night(words)
    return answers.tonight_answer(read_asked(words, needs_time=False), night, site).packed()


def _season(words: Words) -> bytes:
    site = read_place(words)
    if site is None:
        raise MissingError("site", "the season's heights need a place")
    start = answers.check_date(words.get("from") or evening(site))
    return answers.season_answer(read_asked(words, needs_time=False), start).packed()


QUESTIONS: dict[str, tuple[Callable[[Words], bytes], bool]] = {
    "choices": (_choices, False),
    "picture": (_picture, False),
    "night": (_night, False),
    "ladder": (_ladder, True),
    "tonight": (_tonight, True),
    "season": (_season, True),
}
"""What can be asked, and whether it may take long."""


def _sheet(words: Words) -> bytes:
    return sheet_png(answers.looked(read_asked(words), judge=True))


def _fits(words: Words) -> bytes:
    return fits_bytes(answers.looked(read_asked(words), judge=True))


def _instrument(words: Words) -> bytes:
    return instrument_toml(read_setup(words)).encode()


KEPT: dict[str, tuple[Callable[[Words], bytes], str]] = {
    "sheet.png": (_sheet, "image/png"),
    "picture.fits": (_fits, "application/fits"),
    "instrument.toml": (_instrument, "application/toml"),
}
"""Files that can be kept, and their media types."""


def _asking(pool: Pool, name: str) -> Callable[[Request], Any]:
    compute, long = QUESTIONS[name]

    async def answer(request: Request) -> Response:
        words = _words(request)
        if isinstance(words, Response):
            return words
        lane = f"{name} {words.get('lane', '')[:16]}"
        slow = long or words.get("judge") == "1"  # verdicts never keep a picture waiting
        return await _answered(pool, request, lane, lambda: compute(words), slow, "application/octet-stream")

    return answer


def _keeping(pool: Pool, name: str) -> Callable[[Request], Any]:
    compute, kind = KEPT[name]

    async def answer(request: Request) -> Response:
        words = _words(request)
        if isinstance(words, Response):
            return words
        found = await _answered(pool, request, name, lambda: compute(words), True, kind)
        if found.status_code == 200:
            found.headers["content-disposition"] = f'attachment; filename="{name}"'
        return found

    return answer


def _checking(pool: Pool) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        words = _words(request)
        if isinstance(words, Response):
            return words
        content = await _body(request)
        if isinstance(content, Response):
            return content

        def compute() -> bytes:
            return answers.check_answer(read_asked(words), content).packed()

        return await _answered(pool, request, "check", compute, True, "application/octet-stream")

    return answer


def _words(request: Request) -> dict[str, str] | Response:
    if len(request.url.query) > MOST_WORDS:
        return _refused(BAD_INPUT, InputError("address", f"{len(request.url.query)} characters", "it is too long"))
    return dict(request.query_params)


async def _body(request: Request) -> bytes | Response:
    """Return what was sent, never more than is allowed, whatever the request says of its size."""
    allowed = f"give at most {MOST_UPLOADED / 1e6:.0f} MB"
    told = request.headers.get("content-length", "")
    if told.isdigit() and int(told) > MOST_UPLOADED:
        return _refused(TOO_LARGE, InputError("PICTURE", answers.PICTURE, allowed))
    content = bytearray()
    try:
        async for part in request.stream():
            content += part
            if len(content) > MOST_UPLOADED:
                return _refused(TOO_LARGE, InputError("PICTURE", answers.PICTURE, allowed))
    except ClientDisconnect:
        return Response(status_code=DROPPED)
    if not content:
        return _refused(BAD_INPUT, InputError("PICTURE", answers.PICTURE, "the file is empty"))
    return bytes(content)


def _quietly(work: Callable[[], Any]) -> Any:
    with kept_warnings():  # what a result has to say travels with it
        return work()


async def _answered(
    pool: Pool, request: Request, lane: str, work: Callable[[], bytes], long: bool, kind: str
) -> Response:
    """Compute in the pool and answer; errors become the sentences of the command line."""
    client = request.headers.get("x-client", "")[:64] or (request.client.host if request.client else "")
    try:
        content = await pool.run(client, lane, lambda: _quietly(work), long=long)
    except Dropped as error:
        return JSONResponse({"dropped": str(error)}, DROPPED)
    except Busy as error:
        return JSONResponse({"error": str(error)}, BUSY)
    except InputError as error:
        return _refused(BAD_INPUT, error)
    except MemoryError:
        return JSONResponse({"error": "not enough memory for this; ask for a smaller field"}, FAULT)
    except Exception as error:
        return JSONResponse({"error": f"a fault of this program ({type(error).__name__}: {error})"}, FAULT)
    return Response(content, media_type=kind)


def _refused(status: int, error: InputError) -> JSONResponse:
    return JSONResponse({"error": str(error), "field": error.field}, status)
