"""People, crews, receivers and tokens, for the administrator."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import Path
from starlette.requests import Request
from starlette.responses import Response

from asfound.desk.guard import desk_of
from asfound.desk.pages.common import Context, Fields, again, go, new_router
from asfound.desk.receivers import receivers_overview
from asfound.desk.rendering import render
from asfound.errors import AsfoundError, InputError
from asfound.store import ROLES

router = new_router()

Id = Annotated[int, Path(ge=1, le=2**31 - 1)]


def _people(request: Request) -> Context:
    store = desk_of(request).store
    return {
        "here": "admin",
        "users": store.list_users(),
        "crews": store.list_crews(),
        "all_roles": ROLES,
    }


@router.get("/admin/users")
def users_page(request: Request, done: str = "") -> Response:
    """People and crews."""
    return render(request, "users.html", {**_people(request), "done": done})


def _crew(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


@router.post("/admin/users")
def create_user(request: Request, form: Fields) -> Response:
    """Make an account."""
    try:
        desk_of(request).store.create_user(
            form.get("name", ""),
            form.get("password", ""),
            form.get("role", ""),
            crew_id=_crew(form.get("crew", "")),
        )
    except AsfoundError as error:
        fields = ("name", "password", "role", "crew")
        return again(request, "users.html", {**_people(request), "done": ""}, form, error, fields)
    return go("/admin/users?done=made")


@router.post("/admin/users/{user}")
def change_user(request: Request, user: Id, form: Fields) -> Response:
    """Change role, crew, and whether the account is active."""
    try:
        desk_of(request).store.change_user(
            user,
            role=form.get("role") or None,
            active=form.get("active") == "yes",
            crew_id=_crew(form.get("crew", "")),
        )
    except AsfoundError as error:
        return again(request, "users.html", {**_people(request), "done": ""}, {}, error, ())
    return go("/admin/users?done=changed")


@router.post("/admin/users/{user}/password")
def set_password(request: Request, user: Id, form: Fields) -> Response:
    """Give someone a new password."""
    try:
        desk_of(request).store.set_password(user, form.get("password", ""))
    except AsfoundError as error:
        return again(request, "users.html", {**_people(request), "done": ""}, {}, error, ())
    return go("/admin/users?done=password")


@router.post("/admin/crews")
def create_crew(request: Request, form: Fields) -> Response:
    """Make a crew."""
    try:
        desk_of(request).store.create_crew(form.get("crew_name", ""))
    except AsfoundError as error:
        error.where = "crew_name"
        context = {**_people(request), "done": ""}
        return again(request, "users.html", context, form, error, ("crew_name",))
    return go("/admin/users?done=crew")


def _tokens(request: Request) -> Context:
    store = desk_of(request).store
    return {
        "here": "admin",
        "tokens": store.list_tokens(),
        "users": store.list_users(),
        "names": {user.id: user.name for user in store.list_users()},
        "receivers": store.list_receivers(),
        "all_roles": ROLES,
        "secret": "",
        "done": "",
    }


@router.get("/admin/tokens")
def tokens_page(request: Request, done: str = "") -> Response:
    """Tokens of programs and receivers."""
    return render(request, "tokens.html", {**_tokens(request), "done": done})


@router.post("/admin/tokens")
def create_token(request: Request, form: Fields) -> Response:
    """Make a token and show its secret this once."""
    store = desk_of(request).store
    try:
        kind, _, whose = form.get("whose", "").partition(":")
        if kind == "new":
            whose = store.put_receiver(form.get("serial", "")).serial
        elif kind not in ("user", "receiver"):
            raise InputError(
                "it is not said whose the token is.", where="whose", remedy="Choose one."
            )
        user_id = _crew(whose) if kind == "user" else None
        secret, _ = store.create_token(
            form.get("label", ""),
            form.get("role", ""),
            user_id=user_id,
            receiver=None if kind == "user" else whose,
        )
    except AsfoundError as error:
        fields = ("label", "role", "whose", "serial")
        return again(request, "tokens.html", _tokens(request), form, error, fields)
    return render(request, "tokens.html", {**_tokens(request), "secret": secret}, 201)


@router.post("/admin/tokens/{token}/revoke")
def revoke_token(request: Request, token: Id) -> Response:
    """End a token for good."""
    desk_of(request).store.revoke_token(token)
    return go("/admin/tokens?done=revoked")


def _receivers(request: Request) -> Context:
    desk = desk_of(request)
    return {
        "here": "receivers",
        "receivers": receivers_overview(desk),
        "crews": desk.store.list_crews(),
    }


@router.get("/receivers")
def receivers_page(request: Request, done: str = "") -> Response:
    """What was logged by which receiver, its last contact and verification."""
    return render(request, "receivers.html", {**_receivers(request), "done": done})


@router.post("/receivers")
def put_receiver(request: Request, form: Fields) -> Response:
    """Say what is known of a receiver."""
    try:
        day = form.get("verified", "").strip()
        try:
            verified = date.fromisoformat(day) if day else None
        except ValueError:
            raise InputError(
                f"'{day}' is no day.", where="verified", remedy="Write it as 2026-11-17."
            ) from None
        desk_of(request).store.put_receiver(
            form.get("serial", ""),
            note=form.get("note", ""),
            verified=verified,
            crew_id=_crew(form.get("crew", "")),
        )
    except AsfoundError as error:
        fields = ("serial", "note", "verified", "crew")
        context = {**_receivers(request), "done": ""}
        return again(request, "receivers.html", context, form, error, fields)
    return go("/receivers?done=kept")
