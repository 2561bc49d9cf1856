"""What the parts of the API share: parameters, bodies, paging."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Path, Query
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from asfound.desk.actions import Done
from asfound.desk.guard import GuardedRoute

Json = dict[str, Any]

RESPONSES: dict[int | str, dict[str, Any]] = {
    "default": {
        "description": "A problem: what is wrong, what to do about it, which field it is about.",
        "content": {
            "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}
        },
    }
}


def _no_half_characters(text: str) -> str:
    """Half of a pair of surrogates is no text; nothing could store or hash it."""
    if any("\ud800" <= character <= "\udfff" or character == "\0" for character in text):
        raise ValueError("the text holds a character that can't be stored")
    return text


Words = Annotated[str, Field(max_length=2000), AfterValidator(_no_half_characters)]
Short = Annotated[str, Field(max_length=200), AfterValidator(_no_half_characters)]
Text = Annotated[str, Field(max_length=1_000_000), AfterValidator(_no_half_characters)]
Sha256 = Annotated[str, Path(pattern="^[0-9a-f]{64}$", description="SHA-256 of the upload.")]
JobId = Annotated[str, Path(max_length=64, description="Id of the job.")]
Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=200,
        pattern=r"^[\x21-\x7e]+$",
        description="Chosen by the client; the same request sent again under it is done once.",
    ),
]
Limit = Annotated[int, Query(ge=1, le=1000, description="Entries of a page.")]
Cursor = Annotated[
    int, Query(ge=0, le=2**53, description="`next` of the page before; left out: from the start.")
]
Number = Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
Heights = Literal["ellipsoidal", "orthometric", "none"]


class Body(BaseModel):
    """A request's body; unknown members are refused, so that a slip is not silently lost."""

    model_config = ConfigDict(extra="forbid")


class Reason(Body):
    """Why something is done; kept in the ledger."""

    why: Words


def new_router(tag: str) -> APIRouter:
    """A router of guarded routes under `/api/v1`."""
    return APIRouter(
        prefix="/api/v1",
        route_class=GuardedRoute,
        tags=[tag],
        responses=RESPONSES,
        generate_unique_id_function=lambda route: route.name,
    )


def done_body(done: Done, **more: Any) -> Json:
    """What came of an action."""
    return {**done.body(), **more}


def page_of(name: str, items: list[Any], cursor: int, limit: int) -> Json:
    """One page of a list that is at hand."""
    part = items[cursor : cursor + limit]
    after = cursor + limit
    return {name: part, "count": len(items), "next": after if after < len(items) else None}
