"""Who may come in: this machine's own browser, on our own pages, with no more than it needs.

The pages hold no inline script or style and fetch nothing from outside; the policy sent with each answer makes that a
fact. What another site sends here (its Host, Origin or Sec-Fetch-Site is not ours) is refused before anything is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

OUR_NAMES = ("127.0.0.1", "localhost", "[::1]")
LARGEST_FORM = 4 * 1024 * 1024  # a page of readings, pasted columns
LARGEST_UPLOAD = 64 * 1024 * 1024  # a whole job with its photographs
MOST_FIELDS = 6_000

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class Doors:
    """ASGI middleware: refuses foreign requests and too large ones, and puts the policy on every answer.

    `large` are the paths that take files, as routes name them: a part in braces stands for anything.
    """

    def __init__(self, app: ASGIApp, names: Iterable[str] = OUR_NAMES, large: Iterable[str] = ()) -> None:
        self.app, self.names, self.large = app, frozenset(names), [_pattern(path) for path in large]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        refused = self._refusal(scope)
        limit = LARGEST_UPLOAD if any(path.fullmatch(scope["path"]) for path in self.large) else LARGEST_FORM
        length = Headers(scope=scope).get("content-length", "0")
        if refused is None and (not length.isdigit() or int(length) > limit):
            refused = PlainTextResponse(f"This is more than {limit // 1024**2} MB; send less at once.", 413)
        encoded = Headers(scope=scope).get("content-type", "").startswith("application/x-www-form-urlencoded")
        taken = parted = 0

        async def counted() -> Message:
            nonlocal taken, parted
            message = await receive()
            body = message.get("body", b"")
            taken += len(body)
            # Fields that are empty take the parser as long as others, and it does not count them.
            parted += body.count(b"&") + body.count(b";") if encoded else 0
            if taken > limit or parted > MOST_FIELDS:  # a body without a stated length: cut off here
                return {"type": "http.disconnect"}
            return message

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await (refused or self.app)(scope, counted, guarded)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if _name(host) not in self.names:
            return PlainTextResponse("The bench answers on 127.0.0.1 alone; open that address.", 421)
        if scope["method"] in ("GET", "HEAD"):
            # Following a link from elsewhere is fine; being loaded into a foreign page is not.
            if headers.get("sec-fetch-site") == "cross-site" and headers.get("sec-fetch-mode") != "navigate":
                return PlainTextResponse("Another site may not read the bench.", 403)
            return None
        if scope["method"] != "POST":
            return None
        origin = headers.get("origin")
        if origin is not None and origin.lower() != f"{scope['scheme']}://{host}".lower():
            return PlainTextResponse("Another site may not send anything to the bench.", 403)
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return PlainTextResponse("Another site may not send anything to the bench.", 403)
        return None


def _pattern(path: str) -> re.Pattern[str]:
    """What a route's path matches."""
    return re.compile("[^/]+".join(re.escape(part) for part in re.split(r"\{[^}]*\}", path)))


def _name(host: str) -> str:
    """The host without its port."""
    head, colon, port = host.rpartition(":")
    return head if colon and port.isdigit() else host
