"""The gate in front of the pages: who may come in, from where, and how much they may bring.

- A name check: on loopback the Host must be a loopback name, so that no foreign site can point a
  name of its own at this machine and read along (DNS rebinding).
- A token beyond loopback, compared in constant time, then kept in a cookie that scripts cannot
  read and that other sites' forms do not carry.
- Writing only from our own pages: the browser's own words (Sec-Fetch-Site, Origin) and a form
  token bound to the session must agree.
- Bodies are cut off by size, by silence and by time.
- Headers that forbid everything from elsewhere.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import secrets
import time
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "xrdfilm_session"
FORM_FIELD = "form_token"
SAFE_METHODS = ("GET", "HEAD")
_SESSION_BYTES = 24
POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=()",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """How much one request may bring: bytes in all and of one file, files, and seconds."""

    body_bytes: int = 256 * 1024 * 1024
    file_bytes: int = 32 * 1024 * 1024
    files: int = 500
    silence_s: float = 20.0
    body_s: float = 600.0


@dataclass(frozen=True, slots=True)
class Gate:
    """Who may come in. ``token`` None: anyone on this machine, under a loopback name only.

    ``secret`` makes the form tokens; ``allowed`` are the sessions' proof of the token.
    """

    token: str | None = None
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    def form_token(self, session: str) -> str:
        """The token that forms of a session carry."""
        return hmac.new(self.secret, f"form {session}".encode(), hashlib.sha256).hexdigest()

    def form_token_holds(self, session: str, given: str) -> bool:
        """Whether a form came from a page of this session."""
        return hmac.compare_digest(self.form_token(session).encode(), given.encode())

    def token_holds(self, given: str) -> bool:
        """Whether this is the token, told in constant time."""
        wanted = hashlib.sha256((self.token or "").encode()).digest()
        return hmac.compare_digest(wanted, hashlib.sha256(given.encode()).digest())

    def new_session(self, *, entered: bool) -> str:
        """A session; ``entered`` marks one that knew the token."""
        nonce = secrets.token_hex(_SESSION_BYTES)
        return f"{nonce}.{self._mark(nonce, entered)}"

    def session_holds(self, session: str) -> bool:
        """Whether a cookie is a session that may come in."""
        nonce, _, mark = session.partition(".")
        return hmac.compare_digest(self._mark(nonce, entered=True).encode(), mark.encode()) or (
            self.token is None
            and hmac.compare_digest(self._mark(nonce, entered=False).encode(), mark.encode())
        )

    def _mark(self, nonce: str, entered: bool) -> str:
        text = f"session {nonce} {'entered' if entered else 'open'}"
        return hmac.new(self.secret, text.encode(), hashlib.sha256).hexdigest()


class GateMiddleware:
    """Checks every request before any page sees it, and puts the headers on every answer.

    ``setup`` is what the application was made with.
    """

    setup: Any

    def __init__(self, app: ASGIApp, gate: Gate, limits: Limits) -> None:
        self.app = app
        self.gate = gate
        self.limits = limits

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # there is no other way in
            return
        headers = Headers(scope=scope)
        cookie = _cookie(headers)
        session = cookie if cookie and self.gate.session_holds(cookie) else None
        refused = self._refusal(scope, headers, session)
        fresh: str | None = None
        if refused is None and session is None:
            fresh = session = self.gate.new_session(entered=self.gate.token is not None)
        scope["session"] = session or ""

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    found.setdefault(name, value)
                if fresh is not None:
                    found.append("Set-Cookie", _set_cookie(fresh))
            await send(message)

        if refused is not None:
            await refused(scope, receive, sending)
            return
        if fresh is not None and self.gate.token is not None:
            # the token leaves the address bar at once
            await RedirectResponse(_without_token(scope), 303)(scope, receive, sending)
            return
        await self.app(scope, self._limited(scope, headers, receive), sending)

    def _refusal(self, scope: Scope, headers: Headers, session: str | None) -> Response | None:
        host = headers.get("host", "")
        if self.gate.token is None and not is_loopback_name(host_name(host)):
            return _plain("This page answers under the name of this machine alone.", 421)
        if scope["method"] not in (*SAFE_METHODS, "POST"):
            return _plain("This page knows GET, HEAD and POST.", 405)
        if scope["method"] not in SAFE_METHODS and not _from_our_pages(headers, host):
            return _plain("This form did not come from a page of this server; refused.", 403)
        if self.gate.token is not None and session is None:
            given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[-1]
            if scope["method"] not in SAFE_METHODS or not self.gate.token_holds(given):
                wrong = bool(given)
                return _token_page(wrong, 401)
        length = headers.get("content-length")
        if length is not None and (not length.isdigit() or int(length) > self.limits.body_bytes):
            return _plain(self._too_large(), 413)
        return None

    def _too_large(self) -> str:
        size = self.limits.body_bytes // (1024 * 1024)
        return f"That is more than {size} MB at once; drop fewer files at a time."

    def _limited(self, scope: Scope, headers: Headers, receive: Receive) -> Receive:
        """The body, cut off where it is too large, falls silent or never ends."""
        if scope["method"] in SAFE_METHODS:
            return receive
        seen = 0
        deadline = time.monotonic() + self.limits.body_s
        whole = False

        async def receiving() -> Message:
            nonlocal seen, whole
            if whole:
                return await receive()
            patience = min(self.limits.silence_s, deadline - time.monotonic())
            try:
                message = await asyncio.wait_for(receive(), max(patience, 0.01))
            except TimeoutError:
                raise HTTPException(
                    408, "The upload fell silent or took too long; nothing was kept."
                ) from None
            if message["type"] == "http.request":
                seen += len(message.get("body", b""))
                whole = not message.get("more_body", False)
                if seen > self.limits.body_bytes:
                    raise HTTPException(413, self._too_large())
            return message

        return receiving


def host_name(host: str) -> str:
    """The name in a Host header, without the port."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def is_loopback_name(name: str) -> bool:
    """Whether a name means this machine alone."""
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _from_our_pages(headers: Headers, host: str) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or (urlsplit(origin).netloc == host and origin != "null")


def _cookie(headers: Headers) -> str | None:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if found is None else found.value


def _set_cookie(session: str) -> str:
    return f"{COOKIE}={session}; Path=/; HttpOnly; SameSite=Lax"


def _without_token(scope: Scope) -> str:
    """The same page again, without the token; never another server."""
    return "/" + str(scope["path"]).lstrip("/\\")


def _plain(text: str, status: int) -> Response:
    return Response(
        text + "\n", status, {"Connection": "close"}, media_type="text/plain; charset=utf-8"
    )


_TOKEN_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>xrdfilm</title></head><body><main><h1>xrdfilm</h1>
<p>{told}</p>
<form method="get" action="/"><label>Token <input name="token" type="password"
autocomplete="off" required></label> <button>Enter</button></form></main></body></html>
"""


def _token_page(wrong: bool, status: int) -> Response:
    told = (
        "That is not the token."
        if wrong
        else "This page is open to the network and asks for the token that was set when it was "
        "started."
    )
    return HTMLResponse(_TOKEN_PAGE.format(told=told), status)
