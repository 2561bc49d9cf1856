"""The desk as an ASGI application."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import JSONResponse, Response

from asfound import __version__
from asfound.desk import api, pages, problems
from asfound.desk.api.common import RESPONSES
from asfound.desk.config import DeskConfig
from asfound.desk.context import Desk, open_desk
from asfound.desk.events import Watch
from asfound.desk.guard import GuardedRoute
from asfound.desk.middleware import BodyLimit, Compressed, SecurityHeaders
from asfound.desk.roles import TABLE
from asfound.errors import AsfoundError

DESCRIPTION = """\
Everything that can be done on the desk's pages can be done here.

- **Who asks**: a browser's login with the header `X-CSRF-Token`, or `Authorization: Bearer TOKEN`.
- **Sent twice, done once**: give a key of your own in `Idempotency-Key`; the same request under the
  same key returns what the first one did. Uploads are also told apart by their SHA-256.
- **Lists** come in pages: `next` is the `cursor` of the page after.
- **Problems** are `application/problem+json` (RFC 9457): a sentence, a remedy, the field's name.
- Lengths are metres, times ISO 8601 in UTC, missing values null.
- Positions are estimates with the uncertainty beside them; nothing here gives leave to dig.
"""

PROBLEM = {
    "type": "object",
    "required": ["type", "title", "status", "detail", "remedy"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "What is wrong."},
        "remedy": {"type": "string", "description": "What to do about it."},
        "field": {"type": "string", "description": "Which field it is about."},
    },
}


def create_app(config: DeskConfig, desk: Desk | None = None) -> FastAPI:
    """The application of a desk.

    Parameters
    ----------
    config : DeskConfig
    desk : Desk, optional
        Opened before; made from the settings where left out.

    Raises
    ------
    RuntimeError
        If a route has no entry in the table of roles.
    """
    opened = desk or open_desk(config)

    @asynccontextmanager
    async def living(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.stopping.set()

    app = bare_app(living)
    app.state.desk = opened
    app.state.watch = Watch(opened)
    app.state.stopping = threading.Event()

    app.add_exception_handler(AsfoundError, problems.on_asfound_error)
    app.add_exception_handler(HTTPException, problems.on_http_exception)
    app.add_exception_handler(RequestValidationError, problems.on_invalid_request)
    app.add_exception_handler(Exception, problems.on_fault)
    app.add_middleware(Compressed)
    app.add_middleware(BodyLimit, config=config)
    if config.hosts:
        app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(config.hosts))
    app.add_middleware(SecurityHeaders, config=config)
    return app


def bare_app(lifespan: Any = None) -> FastAPI:
    """All routes, checked against the table of roles, without a desk behind them."""
    app = FastAPI(
        title="asfound desk",
        version=__version__,
        description=DESCRIPTION,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    for router in (*api.ROUTERS, *pages.ROUTERS):
        app.router.routes.extend(router.routes)
    _describe(app)
    check_routes(app)
    return app


def _describe(app: FastAPI) -> None:
    """The API's description, for those who may use it."""

    def openapi() -> dict[str, Any]:
        if not app.openapi_schema:
            app.openapi_schema = described(app)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]

    def serve(request: Request) -> Response:
        return JSONResponse(app.openapi())

    app.router.routes.append(
        GuardedRoute("/api/v1/openapi.json", serve, methods=["GET"], include_in_schema=False)
    )


def described(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document: every route of the API with the least role that may use it."""
    document = get_openapi(
        title=app.title, version=app.version, description=DESCRIPTION, routes=app.routes
    )
    parts = document.setdefault("components", {})
    parts.setdefault("schemas", {})["Problem"] = PROBLEM
    for name in ("HTTPValidationError", "ValidationError"):
        parts["schemas"].pop(name, None)
    parts["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer"},
        "login": {"type": "apiKey", "in": "cookie", "name": "asfound"},
    }
    document["security"] = [{"token": []}, {"login": []}]
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            operation["responses"].pop("422", None)
            operation["responses"].setdefault("default", RESPONSES["default"])
            role = next(
                role
                for (verb, route), role in TABLE.items()
                if verb == method.upper() and route.replace(":path}", "}") == path
            )
            operation["x-least-role"] = role
            said = operation.get("description", "")
            operation["description"] = f"{said}\n\nLeast role: {role}.".strip()
    return document


def check_routes(app: FastAPI) -> None:
    """Make sure that every route goes through the guard and has an entry in the table.

    Raises
    ------
    RuntimeError
        If one doesn't, or the table names one that is not there.
    """
    served = set()
    for route in app.routes:
        if not isinstance(route, GuardedRoute):
            raise RuntimeError(f"the route {getattr(route, 'path', route)} is not guarded")
        served |= {(method, route.path) for method in route.methods or ()}
    missing, extra = served - TABLE.keys(), TABLE.keys() - served
    if missing or extra:
        raise RuntimeError(f"routes without a role: {missing}; roles without a route: {extra}")
