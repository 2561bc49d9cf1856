"""What pages share: forms, what was wrong with them, and where to go next."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from asfound.desk.guard import MOST_FIELDS, MOST_FILES, GuardedRoute
from asfound.desk.problems import Refused, desk_words, sentence, status_of
from asfound.desk.rendering import render
from asfound.errors import AsfoundError

JobId = Annotated[str, Path(max_length=64)]
Context = dict[str, Any]


def new_router() -> APIRouter:
    """A router of guarded pages; they are no part of the API's description."""
    return APIRouter(route_class=GuardedRoute, include_in_schema=False)


async def read_fields(request: Request) -> dict[str, str]:
    """A form's text fields; of several of one name the last."""
    form = await request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS)
    return {
        name: value.encode("utf-8", "replace").decode().replace("\0", "")
        for name, value in form.multi_items()
        if isinstance(value, str)
    }


async def read_files(request: Request) -> list[UploadFile]:
    """A form's files, without empty ones."""
    form = await request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS)
    return [
        value
        for _, value in form.multi_items()
        if isinstance(value, UploadFile) and (value.filename or value.size)
    ]


Fields = Annotated[dict[str, str], Depends(read_fields)]
Files = Annotated[list[UploadFile], Depends(read_files)]


def wrong_of(
    request: Request, error: AsfoundError | Refused, fields: Sequence[str]
) -> dict[str, str]:
    """What is wrong in a form, under the name of the field it is about; '' for the whole."""
    if isinstance(error, Refused):
        what, remedy, where = str(error.detail), error.remedy, error.field
    else:
        what, remedy, where = error.what, error.remedy, error.where
    words = f"{sentence(desk_words(request, what))} {sentence(desk_words(request, remedy))}"
    parts = [where.lower(), *reversed(re.split(r"[^a-z0-9_]+", where.lower()))]
    field = next((part for part in parts if part in fields), "")
    if not field and where and re.search(r"line \d", where):
        words = f"{desk_words(request, where)}: {words}"
    return {field: words.strip()}


def again(
    request: Request,
    template: str,
    context: Context,
    form: dict[str, str],
    error: AsfoundError | Refused,
    fields: Sequence[str],
) -> Response:
    """The same page with what was typed, and what is wrong beside its field."""
    status = error.status_code if isinstance(error, Refused) else status_of(error)
    shown = {name: value for name, value in form.items() if "password" not in name}
    wrong = wrong_of(request, error, fields)
    return render(request, template, {**context, "form": shown, "wrong": wrong}, status)


def go(address: str) -> Response:
    """Go to another page after something was done."""
    return RedirectResponse(address, 303)
