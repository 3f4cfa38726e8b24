"""Who may ask the desk for anything: this machine, with the secret, from the desk's own pages, and in bounded size."""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_FORM_BYTES = 2 * 1024**2
"""Largest form taken [bytes]."""
MOST_UPLOAD_BYTES = 256 * 1024**2
"""Largest set of files taken at once [bytes]."""
UPLOAD_END = "/files"
KEY = "key"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self' data:; "
    "connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'self'"
)
"""What the desk's own pages may do: no script or style but the desk's files, nothing from elsewhere."""
PAGE_POLICY = "sandbox allow-scripts allow-popups allow-downloads; frame-ancestors 'self'"
"""For pages of a plan, which carry a policy of their own: a world apart, that reads nothing of the desk."""
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "cache-control": "no-store",
}


class TooLargeError(HTTPException):
    """More was sent than is taken."""

    def __init__(self, most: int):
        super().__init__(413, f"That is too large: at most {most // 1024**2} MB at once are taken.")


@dataclass(frozen=True)
class Gate:
    """Lets a request through to `app`, or answers it itself."""

    app: App
    secret: str
    hosts: frozenset[str]
    """Values of the Host header that are the desk's own, such as '127.0.0.1:8765'."""
    cookie: str = "desk"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        asked = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        named = [v for k, v in scope["headers"] if k.lower() == b"host"]
        if len(named) != 1 or asked.get("host", "") not in self.hosts:
            return await _say(send, 421, "This address is not the desk's. Open the address that the command shows.")
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        if scope["path"] == "/" and scope["method"] == "GET" and KEY in query:
            return await self._enter(send, query[KEY][0])
        if not self._known(asked.get("cookie", "")):
            return await _say(
                send, 403, "The desk opens only by the whole address that the command shows in its window."
            )
        if told := _from_elsewhere(scope["method"], asked):
            return await _say(send, 403, told)
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return await _say(send, 405, "That is not possible here.")
        most = MOST_UPLOAD_BYTES if scope["path"].endswith(UPLOAD_END) else MOST_FORM_BYTES
        length = asked.get("content-length", "0")
        if not length.isdecimal() or int(length) > most:
            return await _say(send, 413, TooLargeError(most).detail)
        await self.app(scope, _bounded(receive, most), _with_headers(send))

    async def _enter(self, send: Send, given: str) -> None:
        """The address with the secret: leaves a cookie, and goes on to the desk by a page of the desk's own.

        A redirect would carry the cookie's first use across sites where the address was clicked in another page.
        """
        if not secrets.compare_digest(given.encode(), self.secret.encode()):
            return await _say(send, 403, "This is not the address of the desk that is running now.")
        body = '<!doctype html><html lang="en"><meta http-equiv="refresh" content="0;url=/"><title>Desk</title>'
        cookie = f"{self.cookie}={self.secret}; HttpOnly; SameSite=Strict; Path=/"
        await _answer(send, 200, body + '<p><a href="/">Open the desk</a></p></html>', {"set-cookie": cookie})

    def _known(self, cookies: str) -> bool:
        given = [c.strip().partition("=") for c in cookies.split(";")]
        mine = [value for name, _, value in given if name == self.cookie]
        return any(secrets.compare_digest(value.encode(), self.secret.encode()) for value in mine)


def _from_elsewhere(method: str, asked: MutableMapping[str, str]) -> str:
    """Why a request does not come from the desk's own pages; '' where it does, or where reading does no harm."""
    site, origin, own = asked.get("sec-fetch-site"), asked.get("origin"), f"http://{asked['host']}"
    if method in ("GET", "HEAD"):
        alone = site in (None, "same-origin", "none")
        return "" if alone else "Another site may not read the desk."
    if origin is not None and origin != own:
        return "A change was asked for from another page than the desk's. It was not made."
    if site not in (None, "same-origin") or (origin is None and site is None):
        return "A change was asked for, but not from the desk's own page. It was not made."
    return ""


def _bounded(receive: Receive, most: int) -> Receive:
    taken = 0

    async def bounded() -> MutableMapping[str, Any]:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > most:
            raise TooLargeError(most)
        return message

    return bounded


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            given = {k.lower() for k, _ in message["headers"]}
            more = {**HEADERS, "content-security-policy": POLICY, "x-frame-options": "SAMEORIGIN"}
            own = [(k.encode(), v.encode()) for k, v in more.items() if k.encode() not in given]
            message = {**message, "headers": [*message["headers"], *own]}
        await send(message)

    return sending


async def _say(send: Send, status: int, told: str) -> None:
    await _answer(send, status, f'<!doctype html><html lang="en"><title>Desk</title><h1>Desk</h1><p>{told}</p></html>')


async def _answer(send: Send, status: int, body: str, more: dict[str, str] | None = None) -> None:
    data = body.encode()
    headers = {**HEADERS, "content-type": "text/html; charset=utf-8", "content-length": str(len(data)),
               "content-security-policy": "default-src 'none'; frame-ancestors 'none'", "connection": "close",
               **(more or {})}  # fmt: skip
    sent = [(k.encode(), v.encode()) for k, v in headers.items()]
    await send({"type": "http.response.start", "status": status, "headers": sent})
    await send({"type": "http.response.body", "body": data})
