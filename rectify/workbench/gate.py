"""Who may speak to the workbench: this machine only, with the token of the address, from its own page only.

Every request is looked at before anything else is done with it: the host it names (a page elsewhere cannot reach in by
a name that points here), its origin, its size, and, for all that tells of the case or changes it, the token.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

__all__ = ["LARGEST_BODY", "TOKEN_HEADER", "Gate"]

TOKEN_HEADER = "x-bench-token"
LARGEST_BODY = 256 * 1024  # bytes: an outline drawn by hand is under 4 KB
_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        b"connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
)
Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class Gate:
    """Stands before an ASGI application.

    Parameters
    ----------
    app : the application
    token : str
    port : int
        Where the server listens.
    open_paths : prefixes that tell nothing of the case and need no token
    """

    def __init__(self, app: App, *, token: str, port: int, open_paths: tuple[str, ...]) -> None:
        self._app = app
        self._token = token
        self._open = open_paths
        self._hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]")}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with why not."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        await self._app(scope, _bounded(receive), _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        if headers.get("host", "") not in self._hosts:
            return 421, "this address is not the workbench's"
        origin = headers.get("origin")
        if origin is not None and origin.removeprefix("http://") not in self._hosts:
            return 403, "another page may not use the workbench"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return 403, "another page may not use the workbench"
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return 413, f"more than {LARGEST_BODY // 1024} KB were sent"
        if not scope["path"].startswith(self._open) and not self._knows(scope, headers):
            return 401, "the token of the address is missing or wrong: open the address that the terminal shows"
        return None

    def _knows(self, scope: Scope, headers: dict[str, str]) -> bool:
        given = headers.get(TOKEN_HEADER, "")
        if not given and scope["path"] == "/" and scope["method"] == "GET":
            query = scope["query_string"].decode("latin-1")
            given = next((part[6:] for part in query.split("&") if part.startswith("token=")), "")
        return secrets.compare_digest(given.encode(), self._token.encode())


def _bounded(receive: Receive) -> Receive:
    taken = 0

    async def bounded() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > LARGEST_BODY:
            return {"type": "http.disconnect"}
        return message

    return bounded


def _with_headers(send: Send) -> Send:
    async def more(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", []), *_HEADERS]
        await send(message)

    return more


async def _answer(send: Send, status: int, text: str) -> None:
    body = text.encode("utf-8")
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()), *_HEADERS]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
