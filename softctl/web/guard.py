"""What every request has to pass, and every answer carries.

1. A Host that is neither an address nor one of our names is refused: a page of somebody
   else whose name leads to this address must not reach us (DNS rebinding).
2. A WebSocket and a POST must come from our own page: Origin has the Host's name and port.
3. Answers forbid what the page never needs: other origins, inline scripts and styles,
   frames, guessing of types, caching.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_POLICY = (
    "default-src 'self'; img-src 'self' blob: data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Guard:
    """Around an application; `names` are the host names it may be called by."""

    def __init__(self, app: ASGIApp, names: Collection[str]) -> None:
        self._app = app
        self._names = {name.lower() for name in names} | {"localhost"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal:
            answer = PlainTextResponse(f"{refusal}\n", 403, HEADERS)
            await answer(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        await self._app(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> str:
        """Why a request is refused, or nothing."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._is_ours(host):
            return f"expected an address or a name of this server as Host, got {host or 'none'}"
        if scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD"):
            origin = headers.get("origin", "")
            schemes = ("https",) if scope["scheme"] in ("https", "wss") else ("http",)
            found = urlsplit(origin)
            if found.scheme not in schemes or found.netloc.lower() != host.lower():
                return f"expected the Origin of this page, got {origin or 'none'}"
        return ""

    def _is_ours(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name in self._names
        return True
