"""Who may ask, and how: read only, from this computer, or with the token.

Stands before everything else. Whoever is refused learns nothing of what there is.
"""

from __future__ import annotations

import hmac
import secrets
from typing import Any, Final

from attrs import frozen
from starlette.requests import Request

_NAMES_OF_THIS_COMPUTER: Final = ("localhost", "127.0.0.1", "::1")
#: A day: a night's run can be followed without a second look at the terminal. [s]
_KEPT_S: Final = 24 * 3600
#: Nothing from elsewhere is loaded, run, sent to, or framed around a page of ours.
_PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' "
    "data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
#: A report may look as it likes, but runs nothing.
REPORT_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; sandbox "
    "allow-same-origin allow-popups allow-top-navigation-by-user-activation"
)
_HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)


def new_token() -> str:
    """Return a token that nobody guesses."""
    return secrets.token_urlsafe(24)


@frozen
class Gate:
    """Stands before an ASGI application.

    Parameters
    ----------
    app : ASGI application
    token : str
        What has to be shown; empty where only this computer can reach us.
    """

    app: Any
    token: str = ""

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Let a request through, or answer it."""
        if scope["type"] != "http":
            return  # uvicorn closes what is no HTTP
        if scope["method"] not in ("GET", "HEAD"):
            await _answer(send, 405, "This page can be looked at; nothing can be sent to it.")
            return
        request = Request(scope)
        if self.token:
            if self._is_right(request.cookies.get("evenfall", "")):
                await self.app(scope, receive, _guarded(send))
            elif self._is_right(request.query_params.get("token", "")):
                # The token leaves the address at once, so that no history or log keeps it.
                await _answer(send, 303, "", ((b"location", _place(scope)), self._cookie()))
            else:
                await _answer(
                    send,
                    401,
                    "This page needs its token. Open the whole address that 'evenfall watch' "
                    "printed; each start has a new one.",
                )
        elif not _is_this_computer(request.headers.get("host", "")):
            await _answer(
                send, 421, "This page answers to localhost only. Use --host for other computers."
            )
        else:
            await self.app(scope, receive, _guarded(send))

    def _is_right(self, given: str) -> bool:
        return hmac.compare_digest(
            given.encode("utf-8", "surrogateescape"), self.token.encode("ascii")
        )

    def _cookie(self) -> tuple[bytes, bytes]:
        value = f"evenfall={self.token}; Path=/; Max-Age={_KEPT_S}; HttpOnly; SameSite=Lax"
        return b"set-cookie", value.encode("ascii")


def _place(scope: Any) -> bytes:
    """Return the path that was asked for; a second slash would lead to another host."""
    raw = bytes(scope.get("raw_path") or b"/").split(b"?", 1)[0]
    return b"/" + raw.lstrip(b"/\\") if raw.isascii() else b"/"


def _is_this_computer(host: str) -> bool:
    if host.startswith("["):
        return host[1:].split("]", 1)[0] in _NAMES_OF_THIS_COMPUTER
    return host.rsplit(":", 1)[0] in _NAMES_OF_THIS_COMPUTER


def _guarded(send: Any) -> Any:
    async def with_headers(message: Any) -> None:
        if message["type"] == "http.response.start":
            own = list(message["headers"])
            if not any(name == b"content-security-policy" for name, _ in own):
                own.append((b"content-security-policy", _PAGE_POLICY.encode()))
            message = {**message, "headers": [*own, *_HEADERS]}
        await send(message)

    return with_headers


async def _answer(
    send: Any, status: int, text: str, more: tuple[tuple[bytes, bytes], ...] = ()
) -> None:
    body = (text + "\n").encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        *more,
    ]
    if status == 405:
        headers.append((b"allow", b"GET, HEAD"))
    send = _guarded(send)
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
