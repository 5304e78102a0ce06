"""Who may talk to the desk: this machine's browser, by name, from the desk's own page, with this start's token.

A page of any other site can send requests to ``127.0.0.1``, and can make its own name point there. So every request
must name the desk's own address as host, must not come from another origin, and must carry the cookie that only the
address printed at the start gives.
"""

from __future__ import annotations

import hmac
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from partsong.desk.answers import refusal

ENTRANCE = "/enter"
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "media-src 'self' blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
}
_SAFE = ("GET", "HEAD")


class Guard:
    """Refuses what does not come from the desk's own page; every answer gets the headers that keep it so."""

    def __init__(self, app: ASGIApp, *, port: int, token: str) -> None:
        self._app = app
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._token = token
        self._cookie = f"partsong-desk-{port}"  # cookies know no ports, and two desks may be open

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with a refusal."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing here speaks anything else; the server closes it

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)  # a page to print brings its own, under which nothing runs
            await send(message)

        await self._answer(scope)(scope, receive, guarded)

    def _answer(self, scope: Scope) -> ASGIApp:
        headers = Headers(scope=scope)
        if headers.get("host") not in self._hosts:
            return refusal(403, "This desk answers only under the address that it printed when it was started.")
        origin = headers.get("origin")
        here = f"http://{headers['host']}"
        if origin is not None and origin != here:
            return refusal(403, "This desk answers only to its own page.")
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return refusal(403, "This desk answers only to its own page.")
        if scope["method"] not in _SAFE and origin is None:
            return refusal(403, "A change must come from the desk's own page, which says its origin.")
        if scope["path"] == ENTRANCE:
            return self._enter(scope)
        if not self._same(self._carried(headers)):
            return refusal(403, "This desk needs the address that it printed when it was started: open that one.")
        if any(step in ("..", ".") for step in scope["path"].replace("\\", "/").split("/")):
            return refusal(404, "There is nothing under this address.")
        return self._app

    def _enter(self, scope: Scope) -> ASGIApp:
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if not self._same(given):
            return refusal(403, "This is not the address of this desk: it gets a new one each time it is started.")
        inside = RedirectResponse("/", status_code=303)
        inside.set_cookie(self._cookie, self._token, httponly=True, samesite="strict", path="/")
        return inside

    def _carried(self, headers: Headers) -> str:
        try:
            found = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return ""
        return found.value if found else ""

    def _same(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self._token.encode())
