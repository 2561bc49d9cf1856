"""What goes around every request: size limits, security headers, compression."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asfound.desk.config import DeskConfig
from asfound.desk.problems import TooLargeBody, problem_body

CONTENT_SECURITY_POLICY = "; ".join(
    [
        "default-src 'self'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "worker-src 'self' blob:",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    ]
)
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_UPLOADS = re.compile(r"(/api/v1)?/jobs/[^/]+/uploads(/guess)?")
_MAP = re.compile(r"/jobs/[^/]+")
_ROOM_FOR_FIELDS = 1_000_000


class SecurityHeaders:
    """Headers that browsers protect users by, on every answer."""

    def __init__(self, app: ASGIApp, config: DeskConfig) -> None:
        self.app, self.config = app, config

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault(
                    "Content-Security-Policy", policy(scope["path"], self.config.map_hosts)
                )
                headers.setdefault("Cache-Control", "no-store")
                if self.config.https:
                    headers.setdefault(
                        "Strict-Transport-Security", "max-age=31536000; includeSubDomains"
                    )
            await send(message)

        await self.app(scope, receive, with_headers)


def policy(path: str, map_hosts: Sequence[str] = ()) -> str:
    """Where a page may load from; the map also from the hosts that the administrator names."""
    if not map_hosts or not _MAP.fullmatch(path):
        return CONTENT_SECURITY_POLICY
    extra = " ".join(map_hosts)
    return CONTENT_SECURITY_POLICY.replace("img-src 'self'", f"img-src 'self' {extra}").replace(
        "connect-src 'self'", f"connect-src 'self' {extra}"
    )


class BodyLimit:
    """Refuses bodies that are too long, by what they say and by what comes."""

    def __init__(self, app: ASGIApp, config: DeskConfig) -> None:
        self.app, self.config = app, config

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        most = self.most(scope["path"], scope["method"])
        said = Headers(scope=scope).get("content-length", "")
        if said.isascii() and said.isdigit() and int(said) > most:
            await _too_large(scope, send, most)
            return
        came, started = 0, False

        async def limited() -> Message:
            nonlocal came
            message = await receive()
            if message["type"] == "http.request":
                came += len(message.get("body", b""))
                if came > most:
                    raise TooLargeBody(most)
            return message

        async def watched(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, limited, watched)
        except TooLargeBody:
            if started:
                raise
            await _too_large(scope, send, most)

    def most(self, path: str, method: str) -> int:
        """Bytes that a path takes."""
        if method == "POST" and _UPLOADS.fullmatch(path):
            return self.config.most_upload + _ROOM_FOR_FIELDS
        return self.config.most_body


async def _too_large(scope: Scope, send: Send, most: int) -> None:
    body = problem_body(413, f"The request is larger than {most / 1e6:.0f} MB.")
    if scope["path"].startswith("/api/"):
        kind, data = "application/problem+json", json.dumps(body).encode()
    else:
        kind, data = "text/plain; charset=utf-8", f"{body['detail']} {body['remedy']}\n".encode()
    headers = [(b"content-type", kind.encode()), (b"content-length", str(len(data)).encode())]
    # The rest of the body is not read: the connection can't be used again.
    headers.append((b"connection", b"close"))
    await send({"type": "http.response.start", "status": 413, "headers": headers})
    await send({"type": "http.response.body", "body": data})


class Compressed:
    """Compresses data and static files; pages not, since they hold secrets beside other text."""

    def __init__(self, app: ASGIApp) -> None:
        self.plain = app
        self.packed = GZipMiddleware(app, minimum_size=1000, compresslevel=5)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        packed = scope["type"] == "http" and (
            scope["path"].startswith(("/static/", "/api/")) or "/view/" in scope["path"]
        )
        await (self.packed if packed else self.plain)(scope, receive, send)
