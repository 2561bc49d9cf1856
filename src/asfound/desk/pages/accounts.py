"""Logging in and out, the first administrator, and one's own account."""

from __future__ import annotations

import hmac
import threading

from starlette.requests import Request
from starlette.responses import Response

from asfound.desk.context import Desk
from asfound.desk.guard import (
    cookie_name,
    desk_of,
    form_cookie_name,
    identity_of,
    set_cookie,
)
from asfound.desk.pages.common import Fields, again, go, new_router
from asfound.desk.problems import Refused
from asfound.desk.rendering import render
from asfound.errors import AsfoundError, InputError
from asfound.store import User

router = new_router()

_MANY = 10
# Each password check takes tens of megabytes on purpose.
_CHECKING = threading.BoundedSemaphore(4)
_FIRST_RUN = "the first run"


@router.get("/login")
def login_page(request: Request, next: str = "") -> Response:
    """The login form."""
    desk = desk_of(request)
    if not desk.store.has_users():
        return go("/first-run")
    if request.state.identity is not None:
        return go(safe_next(next))
    return _with_form_cookie(desk, request, render(request, "login.html", {"next": next}))


@router.post("/login")
def login(request: Request, form: Fields) -> Response:
    """Log in: a new session with a new secret, whatever the browser had before."""
    desk = desk_of(request)
    name, password = form.get("name", ""), form.get("password", "")
    wanted = form.get("next", "")
    address = address_of(desk, request)
    try:
        _check_rate(desk, name, address)
        with _CHECKING:
            user = desk.store.authenticate(name, password)
        if user is None:
            desk.store.note_login_failure(name, address)
            raise InputError(
                "name and password don't belong together.",
                where="password",
                remedy="Type them again; the administrator can set a new password.",
            )
    except (AsfoundError, Refused) as error:
        return again(request, "login.html", {"next": wanted}, form, error, ("password",))
    desk.store.forget_login_failures(name)
    return _logged_in(desk, request, user, safe_next(wanted))


def _logged_in(desk: Desk, request: Request, user: User, address: str) -> Response:
    old = request.cookies.get(cookie_name(desk), "")
    if old:
        desk.store.close_web_session(old)
    secret, _ = desk.store.open_web_session(user.id, lasts=desk.config.login_lasts)
    answer = go(address)
    set_cookie(
        desk, answer, cookie_name(desk), secret, int(desk.config.login_lasts.total_seconds())
    )
    answer.delete_cookie(form_cookie_name(desk), path="/", secure=desk.config.https)
    return answer


def _with_form_cookie(desk: Desk, request: Request, answer: Response) -> Response:
    set_cookie(desk, answer, form_cookie_name(desk), request.state.form_token, 3600)
    return answer


def safe_next(address: str) -> str:
    """Where to go after the login: only within the desk."""
    plain = address.isprintable() and "\\" not in address
    return address if plain and address.startswith("/") and address[1:2] != "/" else "/jobs"


def address_of(desk: Desk, request: Request) -> str:
    """Where a request comes from, by the proxy's word only if the proxy is trusted."""
    address = request.client.host if request.client else "local"
    trusted = desk.config.trusted_proxies
    if address in trusted:
        for one in reversed(request.headers.get("x-forwarded-for", "").split(",")):
            if one.strip() and one.strip() not in trusted:
                return one.strip()
    return address


def _check_rate(desk: Desk, name: str, address: str) -> None:
    """Refuse when there were too many failures: for the name from here, the name, or from here."""
    most, window = desk.config.login_tries, desk.config.login_window
    failures = desk.store.login_failures
    if (
        failures(window, name=name, address=address) >= most
        or failures(window, name=name) >= most * _MANY
        or failures(window, address=address) >= most * _MANY
    ):
        minutes = int(window.total_seconds() // 60)
        raise Refused(
            429,
            "Too many logins failed.",
            f"Wait {minutes} minutes, then try again.",
            "password",
        )


@router.get("/first-run")
def first_run_page(request: Request) -> Response:
    """The form for the first administrator; nothing once there is one."""
    desk = desk_of(request)
    if desk.store.has_users():
        raise Refused(404, "The desk has its administrator.", "Log in.")
    return _with_form_cookie(desk, request, render(request, "first-run.html"))


@router.post("/first-run")
def first_run(request: Request, form: Fields) -> Response:
    """Make the first administrator, for whoever can read the code on the console."""
    desk = desk_of(request)
    if desk.store.has_users():
        raise Refused(404, "The desk has its administrator.", "Log in.")
    address = address_of(desk, request)
    code = form.get("code", "").strip()
    wanted = desk.config.first_run_code
    try:
        _check_rate(desk, _FIRST_RUN, address)
        if not wanted or not hmac.compare_digest(code.encode(), wanted.encode()):
            desk.store.note_login_failure(_FIRST_RUN, address)
            raise InputError(
                "this is not the code.",
                where="code",
                remedy="It was printed where the desk was started.",
            )
        if form.get("password", "") != form.get("again", ""):
            raise InputError(
                "the two passwords differ.", where="again", remedy="Type the same one twice."
            )
        user = desk.store.create_first_administrator(form.get("name", ""), form.get("password", ""))
    except (AsfoundError, Refused) as error:
        fields = ("code", "name", "password", "again")
        return again(request, "first-run.html", {}, form, error, fields)
    return _logged_in(desk, request, user, "/jobs")


@router.post("/logout")
def logout(request: Request) -> Response:
    """Log this browser out."""
    desk = desk_of(request)
    desk.store.close_web_session(identity_of(request).secret)
    answer = go("/login")
    answer.delete_cookie(cookie_name(desk), path="/", secure=desk.config.https)
    return answer


def _account(request: Request) -> dict[str, object]:
    desk, user = desk_of(request), identity_of(request).user
    crews = {crew.id: crew.name for crew in desk.store.list_crews()}
    return {
        "here": "account",
        "crew": crews.get(user.crew_id) if user and user.crew_id is not None else None,
    }


@router.get("/account")
def account_page(request: Request, done: str = "") -> Response:
    """One's own account."""
    _own(request)
    return render(request, "account.html", {**_account(request), "done": done})


def _own(request: Request) -> User:
    user = identity_of(request).user
    if user is None:
        raise Refused(403, "A receiver's token has no account.")
    return user


@router.post("/account")
def change_account(request: Request, form: Fields) -> Response:
    """Metres, or the job's own unit."""
    user = _own(request)
    desk_of(request).store.change_user(user.id, metric=form.get("metric") == "yes")
    return go("/account?done=units")


@router.post("/account/password")
def change_password(request: Request, form: Fields) -> Response:
    """A new password; all other browsers are logged out."""
    desk, user = desk_of(request), _own(request)
    address = address_of(desk, request)
    try:
        _check_rate(desk, user.name, address)
        with _CHECKING:
            right = desk.store.authenticate(user.name, form.get("old_password", ""))
        if right is None:
            desk.store.note_login_failure(user.name, address)
            raise InputError(
                "this is not your present password.",
                where="old_password",
                remedy="Type it again, or ask the administrator for a new one.",
            )
        if form.get("password", "") != form.get("again", ""):
            raise InputError(
                "the two passwords differ.", where="again", remedy="Type the same one twice."
            )
        desk.store.set_password(user.id, form.get("password", ""))
    except (AsfoundError, Refused) as error:
        fields = ("old_password", "password", "again")
        context = {**_account(request), "done": ""}
        return again(request, "account.html", context, form, error, fields)
    return _logged_in(desk, request, user, "/account?done=password")
