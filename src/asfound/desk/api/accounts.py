"""People, crews, receivers and tokens over the API."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from fastapi import Path, Request
from pydantic import Field

from asfound.desk.api.common import Body, Cursor, Json, Limit, Short, Words, new_router, page_of
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.problems import Refused
from asfound.desk.receivers import receivers_overview
from asfound.store import Crew, Token, User

router = new_router("accounts")

Role = Literal["reader", "technician", "reviewer", "administrator"]
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]
CrewId = Annotated[int, Field(ge=1, le=2**31 - 1)]


def user_body(user: User) -> Json:
    """A user as the API says it."""
    return {
        "id": user.id,
        "name": user.name,
        "role": user.role,
        "crew": user.crew_id,
        "active": user.active,
        "metric": user.metric,
        "created": user.created.isoformat(),
    }


def token_body(token: Token) -> Json:
    """A token as the API says it, without its secret."""
    return {
        "id": token.id,
        "label": token.label,
        "user": token.user_id,
        "receiver": token.receiver,
        "role": token.role,
        "created": token.created.isoformat(),
        "last_used": token.last_used.isoformat() if token.last_used else None,
        "revoked": token.revoked.isoformat() if token.revoked else None,
    }


class NewUser(Body):
    """An account to make."""

    name: Annotated[Short, Field(max_length=80)]
    password: Annotated[str, Field(max_length=1000)]
    role: Role = "reader"
    crew: CrewId | None = None
    metric: bool = False


class ChangedUser(Body):
    """What changes of an account; what is left out stays."""

    role: Role | None = None
    active: bool | None = None
    crew: CrewId | None = None
    password: Annotated[str, Field(max_length=1000)] | None = None


class ChangedMe(Body):
    """What one may change of one's own account."""

    metric: bool


class NewCrew(Body):
    """A crew to make."""

    name: Short


class NewToken(Body):
    """A token for a person or a receiver."""

    label: Short
    role: Role = "technician"
    user: CrewId | None = None
    receiver: Annotated[Short, Field(max_length=80)] | None = None


class ReceiverFacts(Body):
    """What is known of a receiver; what is left out stays."""

    note: Words | None = None
    verified: date | None = None
    crew: CrewId | None = None


@router.get("/me", summary="Who asks")
def show_me(request: Request) -> Json:
    """Name and role."""
    identity = identity_of(request)
    return {
        "who": identity.who,
        "role": identity.role,
        "receiver": identity.receiver or None,
        "user": user_body(identity.user) if identity.user else None,
    }


@router.patch("/me", summary="Change one's own settings")
def change_me(request: Request, body: ChangedMe) -> Json:
    """Metres, or the job's own unit."""
    identity = identity_of(request)
    if identity.user is None:
        raise Refused(403, "A receiver's token has no settings of its own.")
    return user_body(desk_of(request).store.change_user(identity.user.id, metric=body.metric))


@router.get("/users", summary="People")
def list_users(request: Request, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """By name."""
    users = [user_body(user) for user in desk_of(request).store.list_users()]
    return page_of("users", users, cursor, limit)


@router.post("/users", status_code=201, summary="Make an account")
def create_user(request: Request, body: NewUser) -> Json:
    """The password is told to its owner by the administrator."""
    return user_body(
        desk_of(request).store.create_user(
            body.name, body.password, body.role, crew_id=body.crew, metric=body.metric
        )
    )


@router.patch("/users/{user}", summary="Change an account")
def change_user(request: Request, user: Id, body: ChangedUser) -> Json:
    """One that is no longer active is logged out everywhere."""
    store = desk_of(request).store
    store.user(user)
    if body.password is not None:
        store.set_password(user, body.password)
    given = body.model_fields_set
    return user_body(
        store.change_user(
            user,
            role=body.role,
            active=body.active,
            crew_id=body.crew if "crew" in given else "same",
        )
    )


@router.get("/crews", summary="Crews")
def list_crews(request: Request) -> Json:
    """By name."""
    return {"crews": [_crew(crew) for crew in desk_of(request).store.list_crews()]}


def _crew(crew: Crew) -> Json:
    return {"id": crew.id, "name": crew.name}


@router.post("/crews", status_code=201, summary="Make a crew")
def create_crew(request: Request, body: NewCrew) -> Json:
    """People and receivers can belong to it."""
    return _crew(desk_of(request).store.create_crew(body.name))


@router.get("/receivers", summary="Receivers: what was logged by which, last contact, verified")
def list_receivers(request: Request, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """By serial."""
    return page_of("receivers", receivers_overview(desk_of(request)), cursor, limit)


@router.put("/receivers/{serial}", summary="Say what is known of a receiver")
def put_receiver(
    request: Request,
    serial: Annotated[str, Path(min_length=1, max_length=80)],
    body: ReceiverFacts,
) -> Json:
    """One that was not known becomes so."""
    crew = body.crew if "crew" in body.model_fields_set else "same"
    found = desk_of(request).store.put_receiver(
        serial, note=body.note, verified=body.verified, crew_id=crew
    )
    return {
        "serial": found.serial,
        "note": found.note,
        "verified": found.verified.isoformat() if found.verified else None,
        "last_contact": found.last_contact.isoformat() if found.last_contact else None,
        "crew": found.crew_id,
    }


@router.get("/tokens", summary="Tokens")
def list_tokens(request: Request, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """The newest first, those revoked too; no secrets."""
    tokens = [token_body(token) for token in desk_of(request).store.list_tokens()]
    return page_of("tokens", tokens, cursor, limit)


@router.post("/tokens", status_code=201, summary="Make a token")
def create_token(request: Request, body: NewToken) -> Json:
    """Its secret is shown this once."""
    store = desk_of(request).store
    if body.receiver is not None and body.user is None:
        store.put_receiver(body.receiver)
    secret, token = store.create_token(
        body.label, body.role, user_id=body.user, receiver=body.receiver
    )
    return {"secret": secret, **token_body(token)}


@router.delete("/tokens/{token}", status_code=204, summary="End a token for good")
def revoke_token(request: Request, token: Id) -> None:
    """It stays listed as revoked."""
    desk_of(request).store.revoke_token(token)
