"""Pages from templates; everything put into one is escaped."""

from __future__ import annotations

import hashlib
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from asfound.store import ROLES

HERE = Path(__file__).parent
STATIC = HERE / "static"


@cache
def environment() -> Environment:
    """Templates, with every value escaped unless it is marked as markup by us."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["static"] = static_address
    made.filters["moment"] = moment
    made.filters["size"] = size
    made.filters["dictvalues"] = lambda row: list(row.values())
    made.filters["short"] = lambda text: str(text)[:12]
    return made


def static_address(name: str) -> str:
    """Address of a static file that changes with its content."""
    path = STATIC / name
    if not path.is_file():
        return f"/static/{name}"
    stat = path.stat()
    return f"/static/{name}?v={_digest(path, stat.st_mtime_ns)}"


@cache
def _digest(path: Path, stamp: int) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


def moment(value: datetime | str | None) -> str:
    """A time as people read it, in UTC."""
    if value is None:
        return "never"
    if isinstance(value, str):
        return value[:16].replace("T", " ") + " UTC"
    return value.strftime("%Y-%m-%d %H:%M UTC")


def size(value: int) -> str:
    """Bytes as people read them."""
    if value < 1000:
        return f"{value} bytes"
    if value < 1_000_000:
        return f"{value / 1000:.0f} kB"
    return f"{value / 1_000_000:.1f} MB"


def render(
    request: Request,
    name: str,
    context: dict[str, Any] | None = None,
    status: int = 200,
    headers: dict[str, str] | None = None,
) -> Response:
    """A page.

    Every template knows ``user``, ``csrf``, ``roles`` (what the user's role includes), ``here``
    and ``form`` (what was typed, to be shown again beside what was wrong).
    """
    identity = getattr(request.state, "identity", None)
    role = identity.role if identity else ""
    held = ROLES[: ROLES.index(role) + 1] if role in ROLES else ()
    values: dict[str, Any] = {
        "user": identity.user if identity else None,
        "csrf": identity.csrf if identity else getattr(request.state, "form_token", ""),
        "role": role,
        "roles": {one: one in held for one in ROLES},
        "here": "",
        "form": {},
        "wrong": {},
        **(context or {}),
    }
    page = environment().get_template(name).render(values)
    return HTMLResponse(page, status, headers=headers)
