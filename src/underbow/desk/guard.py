"""What stands before every request: who may ask, from where, and how much may be sent.

A page of any other site can make a browser on this machine send requests here. So nothing is answered without all of these:

- the ``Host`` is this server's own (against names that are made to point here, DNS rebinding: NCC Group, Singularity wiki);
- the run's key, given once in the address and swapped for a cookie (``HttpOnly``, ``SameSite=Strict``);
- for whatever changes something, an ``Origin`` that is this server's own (Fetch standard: browsers send it with every
  request that is neither GET nor HEAD, and pages can't forge it);
- a body within the limit.

No answer allows another origin (no CORS), and each carries a content security policy that lets the page run its own scripts only.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from contextlib import suppress
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["MOST_BODY", "Guard"]

MOST_BODY = 64_000_000  # bytes; a tunebook may be long
_READING = {"GET", "HEAD"}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
_CURE = "Open the desk by the whole address that it showed when it was started; if it was closed since then, start it again."
# A learner's page brings its own policy and script; it runs apart from the desk, as if it came from nowhere.
HANDED_OUT = "sandbox allow-scripts allow-downloads allow-modals; frame-ancestors 'none'"
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def _refusal(what: str, status: int = 403) -> Response:
    """Say what happened, and what to do."""
    return PlainTextResponse(f"{what} {_CURE}", status)


class _TooLargeError(Exception):
    """More was sent than is taken."""


class Guard:
    """Lets through to the application what the teacher's own browser asks.

    Parameters
    ----------
    app : ASGI application
    port : int
        The server's; part of its own name.
    key : str, optional
        The run's; a fresh one by default.
    most_body : int
        Bytes of a request's body at most.

    Attributes
    ----------
    key : str
    """

    def __init__(self, app: ASGIApp, port: int, key: str | None = None, most_body: int = MOST_BODY) -> None:
        self._app = app
        self.key = key or secrets.token_urlsafe(24)
        self._pass = secrets.token_urlsafe(24)
        self._cookie = f"underbow-desk-{port}"  # cookies don't tell ports apart: two desks must not take each other's
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._most_body = most_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse, or let through."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refused = self._refused(scope)
        if refused is not None:
            await refused(scope, receive, _with_headers(send))
            return
        await self._let_through(scope, receive, _with_headers(send))

    def _refused(self, scope: Scope) -> Response | None:  # noqa: PLR0911  one return for each reason
        """Say why a request is not let through; None where it is."""
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        hosts = headers.get("host", [])
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return _refusal("The desk isn't called so.", 400)
        site = headers.get("sec-fetch-site", ["none"])[0]
        if scope["method"] not in _READING and headers.get("origin") != [f"http://{hosts[0]}"]:
            return _refusal("Something other than the desk's page wanted to change a sheet. Nothing was changed.")
        if site not in {"none", "same-origin"} and not _is_visit(scope, headers):
            return _refusal("Another page wanted to look into the desk. It was shown nothing.")
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [])
        if scope["path"] == "/" and scope["method"] in _READING and given:
            return self._swapped(given)
        if not self._has_pass(headers):
            return _refusal("This browser hasn't opened the desk yet.")
        length = headers.get("content-length", ["0"])[0]
        if not length.isdecimal() or int(length) > self._most_body:
            return PlainTextResponse("too large", 413)
        return None

    def _swapped(self, given: list[str]) -> Response:
        """Swap the key in the address for the cookie."""
        if len(given) != 1 or not hmac.compare_digest(given[0].encode(), self.key.encode()):
            return _refusal("This address isn't whole, or it is that of a desk which was closed.")
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self._cookie, self._pass, httponly=True, samesite="strict", path="/")
        return answer

    def _has_pass(self, headers: Mapping[str, list[str]]) -> bool:
        for line in headers.get("cookie", []):
            try:
                cookie = SimpleCookie(line).get(self._cookie)
            except CookieError:
                continue
            if cookie is not None and hmac.compare_digest(cookie.value.encode(), self._pass.encode()):
                return True
        return False

    async def _let_through(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Count what is sent, for it may be more than was announced."""
        taken, refused = 0, False

        async def counted() -> Message:
            nonlocal taken, refused
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._most_body:
                refused = True
                raise _TooLargeError
            return message

        async def noted(message: Message) -> None:
            if refused and message["type"] == "http.response.start":  # what the application says of its trouble
                message = {**message, "status": 413}
            await send(message)

        with suppress(_TooLargeError):
            await self._app(scope, counted, noted)


def _is_visit(scope: Scope, headers: Mapping[str, list[str]]) -> bool:
    """Whether a person followed a link to the desk itself: it is shown, and without its cookie it is refused."""
    return scope["path"] == "/" and headers.get("sec-fetch-mode") == ["navigate"] and scope["method"] in _READING


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.setdefault("Content-Security-Policy", POLICY)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sent
