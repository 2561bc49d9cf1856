"""What the desk answers when something is wrong: a sentence, a remedy, the field's name.

Under `/api` as ``application/problem+json`` (RFC 9457), elsewhere as a plain page. No answer
ever shows a traceback or where things lie on the server.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Sequence
from typing import Any

from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from asfound.desk.blobs import DiskError, TooLargeError, disk_words, is_disk_fault
from asfound.desk.desk_words import in_desk_words
from asfound.errors import AsfoundError, SettingsError
from asfound.store import BusyError, ConflictError, FullError, StoreError, UnknownError

LOG = logging.getLogger("asfound.desk")

_WORDS = {
    400: ("The request can't be understood.", "Send it again; if it stays so, reload the page."),
    401: ("You are not logged in.", "Log in, or send a token: Authorization: Bearer TOKEN."),
    403: ("Your role may not do this.", "Ask someone whose role may, or the administrator."),
    404: ("There is nothing here.", "Check the address."),
    405: ("This can't be done here.", "Use another method; the API's description lists them."),
    408: ("The request took too long.", "Send it again."),
    409: ("This does not fit what is there.", "Load it again and look what changed."),
    413: ("The request is too large.", "Send less at once, or ask for a higher limit."),
    415: ("The body's type can't be read here.", "Send it as the API's description says."),
    422: ("Something in the request can't be used.", "Correct what is named, and send it again."),
    429: ("Too many tries.", "Wait some minutes, then try again."),
    500: ("The desk has a fault of its own.", "Nothing was lost; tell the administrator."),
    503: ("The desk can't do this now.", "Try again in a minute."),
    507: ("The desk can't keep anything now.", "Nothing was written; tell the administrator."),
}
_KEY = re.compile(r"(?:unknown key )?'?([a-z_]+)'?(?: = | is missing|\.$)")


class Refused(HTTPException):
    """A refusal with its own words."""

    def __init__(self, status: int, detail: str, remedy: str = "", field: str = "") -> None:
        super().__init__(status, detail)
        self.remedy = remedy or _WORDS.get(status, ("", ""))[1]
        self.field = field


class TooLargeBody(HTTPException):
    """A body that is longer than taken here; raised while it is read."""

    def __init__(self, most: int) -> None:
        super().__init__(413, f"The request is larger than {most / 1e6:.0f} MB.")


def status_of(error: AsfoundError) -> int:
    """HTTP status for an error."""
    kinds: Sequence[tuple[type[AsfoundError], int]] = (
        (UnknownError, 404),
        (ConflictError, 409),
        (TooLargeError, 413),
        (DiskError, 507),
        (FullError, 507),
        (BusyError, 503),
        (StoreError, 503),
    )
    return next((status for kind, status in kinds if isinstance(error, kind)), 422)


def sentence(text: str) -> str:
    """Text that starts with a capital and ends."""
    text = text.strip()
    if not text:
        return ""
    if not _KEY.match(text):
        text = text[0].upper() + text[1:]
    return text if text[-1] in ".!?)" else f"{text}."


def desk_words(request: Request | None, text: str) -> str:
    """An error's words for a browser: without server folders, options as names of fields."""
    desk = getattr(request.app.state, "desk", None) if request is not None else None
    if desk is not None:
        for prefix in {str(desk.config.data), str(desk.config.data.resolve())}:
            text = text.replace(f"{prefix}/", "").replace(prefix, "")
    text = re.sub(r"/(?:tmp|var/tmp)/[^\s:,]*/", "", text)
    return in_desk_words(text)


def problem_body(
    status: int, detail: str = "", remedy: str = "", field: str = "", slug: str = "", **more: Any
) -> dict[str, Any]:
    """The members of a problem."""
    title, usual = _WORDS.get(status, ("This can't be done.", ""))
    body: dict[str, Any] = {
        "type": f"urn:asfound:problem:{slug}" if slug else "about:blank",
        "title": title,
        "status": status,
        "detail": sentence(detail) or title,
        "remedy": sentence(remedy) or usual,
    }
    if field:
        body["field"] = field
    return {**body, **more}


def field_of(error: AsfoundError) -> str:
    """The key of a table that an error of settings is about; empty for others."""
    found = _KEY.match(error.what) if isinstance(error, SettingsError) else None
    return found[1] if found else ""


def problem_of(request: Request | None, error: AsfoundError) -> dict[str, Any]:
    """The problem that an error of ours is."""
    return problem_body(
        status_of(error),
        desk_words(request, error.what),
        desk_words(request, error.remedy),
        field_of(error) or desk_words(request, error.where),
        type(error).__name__.removesuffix("Error").lower(),
    )


def is_api(request: Request) -> bool:
    """Whether an answer is to be JSON."""
    return request.url.path.startswith("/api/") or "/view/" in request.url.path


def answer(
    request: Request, body: dict[str, Any], headers: dict[str, str] | None = None
) -> Response:
    """A problem as JSON or as a page."""
    if is_api(request):
        return JSONResponse(
            body, body["status"], headers=headers, media_type="application/problem+json"
        )
    from asfound.desk.rendering import render

    return render(request, "problem.html", {"problem": body}, body["status"], headers)


async def on_asfound_error(request: Request, error: Exception) -> Response:
    """An error that a user can cause and mend."""
    assert isinstance(error, AsfoundError)
    return answer(request, problem_of(request, error))


async def on_http_exception(request: Request, error: Exception) -> Response:
    """A refusal."""
    assert isinstance(error, HTTPException)
    if error.status_code == 400 and is_disk_fault(error.__cause__):
        # A form's files are put aside while they come; see `on_fault`.
        return await on_fault(request, error)
    if error.status_code in (302, 303, 307) and error.headers:
        return RedirectResponse(error.headers["Location"], error.status_code)
    if not is_api(request) and not hasattr(request.state, "identity"):
        # No route was found, so that no one has asked yet who this is.
        from asfound.desk.guard import desk_of, identify

        request.state.identity = await run_in_threadpool(identify, desk_of(request), request)
    usual = _WORDS.get(error.status_code, ("", ""))[0]
    said = error.detail if isinstance(error, Refused | TooLargeBody) else usual
    body = problem_body(
        error.status_code,
        said or str(error.detail),
        getattr(error, "remedy", ""),
        getattr(error, "field", ""),
    )
    headers = dict(error.headers or {})
    if error.status_code == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="asfound"'
    return answer(request, body, headers)


async def on_invalid_request(request: Request, error: Exception) -> Response:
    """A request that its route's description doesn't allow."""
    assert isinstance(error, RequestValidationError)
    faults = [
        {"field": _field(fault["loc"]), "detail": sentence(str(fault["msg"]))}
        for fault in error.errors()[:20]
    ]
    if any(fault["type"] == "json_invalid" for fault in error.errors()):
        body = problem_body(422, "The body is no JSON.", "Send JSON in UTF-8.")
    else:
        first = faults[0] if faults else {"field": "", "detail": ""}
        named = f"{first['field']}: " if first["field"] else ""
        body = problem_body(
            422,
            f"{named}{first['detail']}",
            "Correct the field; the API's description says what it takes.",
            first["field"],
            errors=faults,
        )
    return answer(request, body)


def _field(place: Sequence[Any]) -> str:
    parts = [str(part) for part in place]
    return ".".join(parts[1:] if parts and parts[0] in ("body", "query", "path") else parts)


async def on_fault(request: Request, error: Exception) -> Response:
    """A fault of ours: to the log with its traceback, to the user without."""
    if is_disk_fault(error):
        LOG.error("%s %s: %s", request.method, request.url.path, error.__cause__ or error)
        return answer(request, _disk_problem(error))
    LOG.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return answer(request, problem_body(500))


def _disk_problem(error: BaseException | None) -> dict[str, Any]:
    """That nothing can be written now, as a problem."""
    while error is not None and not isinstance(error, OSError):
        error = error.__cause__ or error.__context__
    what, remedy = disk_words(error) if error is not None else ("", "")
    return problem_body(507, f"nothing was written: {what}", remedy, "", "disk")
