"""Who may ask: a browser on this machine that was sent here by nobody else, or one that holds the token."""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "simulate_page"

HEADERS = [
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
        b"form-action 'none'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
]
"""Sent with every answer: nothing but the page's own files is loaded, and no other page may frame or read it."""


def is_loopback(host: str) -> bool:
    """Whether a name or address means this machine and no other."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Guard:
    """Refuses requests that did not come from the page itself.

    A page elsewhere can make the browser ask here (by a link, a picture, a form), and a name elsewhere can be pointed
    at 127.0.0.1; so the Host must be one of ours, and so must the Origin where there is one; browsers tell
    besides whether a request came from another site (Fetch Metadata, W3C).

    Parameters
    ----------
    app : callable
        What answers the others.
    port : int
        On which the page is served.
    names : tuple of str
        Names and addresses by which it may be asked.
    token : str or None
        Needed where the page can be reached from other machines: once in the address, then in a cookie.
    """

    def __init__(self, app: App, *, port: int, names: tuple[str, ...], token: str | None = None) -> None:
        self._app = app
        self._token = token
        self._hosts = {_written(name, port) for name in names} | (set(names) if port == 80 else set())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request or refuse it (ASGI)."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        given = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        query = parse_qs(scope["query_string"].decode("latin-1"))
        refused = self._refusal(scope, given, query)
        brought = self._token is not None and self._holds(query.get("token", [""])[0])

        async def sent(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
                if brought:
                    cookie = f"{COOKIE}={self._token}; HttpOnly; SameSite=Strict; Path=/"
                    message["headers"].append((b"set-cookie", cookie.encode()))
            await send(message)

        if refused is None:
            await self._app(scope, receive, sent)
            return
        plain = [(b"content-type", b"text/plain; charset=utf-8")]
        await sent({"type": "http.response.start", "status": 403, "headers": plain})
        await sent({"type": "http.response.body", "body": refused.encode()})

    def _refusal(self, scope: Scope, given: dict[str, str], query: dict[str, list[str]]) -> str | None:
        host = given.get("host", "").lower()
        if host not in self._hosts:
            return "Host: this page answers only under its own address"
        origin = given.get("origin")
        if origin is not None and (urlsplit(origin).netloc.lower() != host or not origin.startswith("http://")):
            return "Origin: another page may not ask here"
        # a link from elsewhere may open the page itself, and nothing else
        if given.get("sec-fetch-site", "none") not in ("same-origin", "none") and scope["path"] != "/":
            return "Sec-Fetch-Site: another page may not ask here"
        if self._token is None:
            return None
        if self._holds(query.get("token", [""])[0]) or self._holds(_cookie(given.get("cookie", ""))):
            return None
        return "token: open the whole address that was printed when the page was started"

    def _holds(self, word: str) -> bool:
        return hmac.compare_digest(word.encode(), (self._token or "").encode())


def _written(name: str, port: int) -> str:
    return f"[{name}]:{port}" if ":" in name else f"{name}:{port}"


def _cookie(header: str) -> str:
    try:
        found = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""
