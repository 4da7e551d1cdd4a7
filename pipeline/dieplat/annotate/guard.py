"""Who is let in: this machine only, with the key of the link, from our own page, within bounds.

The page and its server run on the user's machine beside a browser that also shows strangers' pages. So the server
listens on the loopback address alone; every request must name that address as its host (else a stranger's domain
that resolves to it would pass: DNS rebinding) and carry the key, from the link or the cookie that the link sets
(HttpOnly, SameSite=Strict, RFC 6265bis); what changes anything must besides come from our own origin and repeat the
key in a header, which no form of another site can send.
"""

from __future__ import annotations

import hmac
import http.cookies
import secrets

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "dieplat_key"
HEADER = "x-dieplat-key"
MAX_BODY_BYTES = 64 * 1024 * 1024
"""The largest drawing that annotations may be (see `annotations.load.MAX_BYTES`)."""
TOO_LARGE = f"more than {MAX_BODY_BYTES // 2**20} MiB is not taken"

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "font-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


def new_key() -> str:
    """A key that cannot be guessed: 24 random bytes."""
    return secrets.token_urlsafe(24)


class Guard:
    """ASGI middleware that turns away what is not our own page. `hosts`: what a request may call this server."""

    def __init__(self, app: ASGIApp, *, key: str, hosts: tuple[str, ...]) -> None:
        self.app = app
        self.key = key
        self.hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        taken = 0

        async def bounded() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > MAX_BODY_BYTES:
                raise HTTPException(413, f"dieplat: {TOO_LARGE}")
            return message

        async def with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message["headers"],
                    (b"content-security-policy", CONTENT_POLICY.encode()),
                    (b"x-content-type-options", b"nosniff"),
                    (b"referrer-policy", b"no-referrer"),
                    (b"cross-origin-resource-policy", b"same-origin"),
                ]
            await send(message)

        await self.app(scope, bounded, with_policy)

    def _refusal(self, scope: Scope) -> ASGIApp | None:
        headers = Headers(scope=scope)
        if headers.get("host", "") not in self.hosts:
            return _refuse(400, "this server is called by its own address only")
        if _length(headers) > MAX_BODY_BYTES:
            return _refuse(413, TOO_LARGE)
        origin = headers.get("origin")
        own = origin is None or origin in {f"http://{host}" for host in self.hosts}
        if not own or headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return _refuse(403, "asked for by another site")
        given = _query_key(scope)
        if given is not None:
            return self._entry(given)
        if not self._is_key(_cookie(headers)):
            return _refuse(403, "open the link that dieplat printed")
        changes = scope["method"] not in ("GET", "HEAD")
        if changes and not self._is_key(headers.get(HEADER, "")):
            return _refuse(403, "asked for without the page's key")
        return None

    def _entry(self, given: str) -> ASGIApp:
        """The link's key becomes a cookie and leaves the address bar."""
        if not self._is_key(given):
            return _refuse(403, "open the link that dieplat printed")
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(COOKIE, self.key, httponly=True, samesite="strict", path="/")
        return answer

    def _is_key(self, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.key.encode())


def _refuse(status: int, reason: str) -> ASGIApp:
    return PlainTextResponse(f"dieplat: {reason}\n", status_code=status)


def _length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isdigit() and len(text) < 20 else MAX_BODY_BYTES + 1


def _query_key(scope: Scope) -> str | None:
    text = scope.get("query_string", b"").decode("latin-1")
    return text[4:] if scope["path"] == "/" and text.startswith("key=") else None


def _cookie(headers: Headers) -> str:
    try:
        jar = http.cookies.SimpleCookie(headers.get("cookie", ""))
    except http.cookies.CookieError:
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""
