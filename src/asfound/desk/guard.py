"""Who asks, and whether they may: one place that every route goes through.

A route is served only if `asfound.desk.roles.TABLE` names it, to an identity whose role is at
least the one named there. Whatever changes something on behalf of a cookie must carry the
session's CSRF token, in the header ``X-CSRF-Token`` or the form field ``csrf``.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from asfound.desk.context import Desk
from asfound.desk.problems import Refused, is_api
from asfound.desk.roles import PUBLIC, least_role, may
from asfound.store import TOKEN_START, User

SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
MOST_FIELDS = 2000
MOST_FILES = 50
_FOR_ANYONE = ("/static/{name:path}", "/health")
"""The same for everyone, so that no one need be looked up."""

Handler = Callable[[Request], Coroutine[Any, Any, Response]]


@dataclass(frozen=True)
class Identity:
    """Who asks.

    Parameters
    ----------
    who : str
        As the ledger names them.
    role : str
        What they may do now.
    user : User or None
        The account; None for a receiver's token.
    csrf : str
        Token that forms carry; empty for tokens, which need none.
    secret : str
        Of the cookie; empty for tokens.
    receiver : str
        Serial, for a receiver's token.
    """

    who: str
    role: str
    user: User | None = None
    csrf: str = ""
    secret: str = ""
    receiver: str = ""


def desk_of(request: Request) -> Desk:
    """The desk that a request came to."""
    desk: Desk = request.app.state.desk
    return desk


def identity_of(request: Request) -> Identity:
    """Who asks; only for routes that need a login."""
    identity: Identity = request.state.identity
    return identity


def cookie_name(desk: Desk) -> str:
    """Of the login; bound to host and https where there is https."""
    return "__Host-asfound" if desk.config.https else "asfound"


def form_cookie_name(desk: Desk) -> str:
    """Of what forms carry before anyone is logged in."""
    return "__Host-asfound-form" if desk.config.https else "asfound-form"


def set_cookie(desk: Desk, response: Response, name: str, value: str, lasts: int | None) -> None:
    """Set a cookie that scripts can't read and other sites can't send along."""
    response.set_cookie(
        name,
        value,
        max_age=lasts,
        path="/",
        secure=desk.config.https,
        httponly=True,
        samesite="lax",
    )


class GuardedRoute(APIRoute):
    """A route whose role, login and CSRF token are checked before anything of it runs."""

    def get_route_handler(self) -> Handler:
        handler = super().get_route_handler()
        path = self.path

        async def guarded(request: Request) -> Response:
            try:
                await admit(request, path)
                return await handler(request)
            finally:
                await request.close()  # temporary files of a form

        return guarded


async def admit(request: Request, path: str) -> None:
    """Let a request through to a route, or raise.

    Raises
    ------
    HTTPException
        401 (a redirect to the login for pages), 403, or 500 for a route without an entry.
    """
    least = least_role(request.method, path)
    if least is None:
        raise Refused(500, "This route has no entry in the table of roles.")
    if least == PUBLIC and request.method in SAFE_METHODS and path in _FOR_ANYONE:
        request.state.identity = None
        return
    desk = desk_of(request)
    identity = await run_in_threadpool(identify, desk, request)
    request.state.identity = identity
    if least == PUBLIC:
        await _check_public_form(desk, request)
        return
    if identity is None:
        if not is_api(request) and request.method in SAFE_METHODS:
            address = request.url.path
            if request.url.query:
                address += f"?{request.url.query}"
            raise HTTPException(303, headers={"Location": f"/login?next={quote(address)}"})
        raise Refused(401, "You are not logged in, or your login is over.")
    if not identity.secret and not is_api(request) and not path.endswith("/events"):
        raise Refused(403, "A token serves the API; pages need a login.", "Use /api/v1/...")
    if not may(identity.role, least):
        raise Refused(403, f"A {identity.role} may not do this; it needs a {least}.")
    if request.method not in SAFE_METHODS and identity.csrf:
        _same_site(request)
        await _check_token(request, identity.csrf)


def identify(desk: Desk, request: Request) -> Identity | None:
    """Who a request comes from, by its token or its cookie; None for no one."""
    authorization = request.headers.get("authorization", "")
    if authorization:
        kind, _, secret = authorization.partition(" ")
        if kind.lower() != "bearer" or not secret.startswith(TOKEN_START):
            return None
        token = desk.store.token(secret.strip())
        if token is None:
            return None
        user = desk.store.user(token.user_id) if token.user_id is not None else None
        name = user.name if user else (token.receiver or "")
        return Identity(
            f"{name} ({token.label})"[:200], token.role, user, receiver=token.receiver or ""
        )
    secret = request.cookies.get(cookie_name(desk), "")
    if not secret:
        return None
    session = desk.store.web_session(secret, idle=desk.config.login_idle)
    if session is None:
        return None
    user = session.user
    return Identity(user.name, user.role, user, session.csrf, secret)


def _same_site(request: Request) -> None:
    """Browsers say where a request comes from; another site's is refused at once."""
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        raise Refused(403, "This request comes from another site.")


async def _check_token(request: Request, wanted: str) -> None:
    given = request.headers.get("x-csrf-token", "")
    if not given and is_form(request):
        form = await request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS)
        value = form.get("csrf", "")
        given = value if isinstance(value, str) else ""
    if not hmac.compare_digest(given.encode("utf-8", "replace"), wanted.encode()):
        raise Refused(
            403,
            "The form is out of date: it lacks its token, or was made for another login.",
            "Load the page again, then repeat what you did.",
            "csrf",
        )


def is_form(request: Request) -> bool:
    """Whether the body is a form."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    return kind in ("application/x-www-form-urlencoded", "multipart/form-data")


async def _check_public_form(desk: Desk, request: Request) -> None:
    """Before a login, the form's token stands in a cookie of its own."""
    known = request.cookies.get(form_cookie_name(desk), "")
    if request.method in SAFE_METHODS:
        request.state.form_token = known or secrets.token_urlsafe(24)
        return
    request.state.form_token = known
    _same_site(request)
    if not known:
        raise Refused(
            403,
            "The browser sent no cookie with this form.",
            "Allow cookies for this site, load the page again, then repeat.",
            "csrf",
        )
    await _check_token(request, known)
