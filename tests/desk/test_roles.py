"""Every route with every role: the table is complete, and it is what is enforced."""

from __future__ import annotations

import pytest
from fastapi import FastAPI

from asfound.desk.app import check_routes, create_app
from asfound.desk.guard import GuardedRoute
from asfound.desk.roles import PUBLIC, TABLE, may
from asfound.store import ROLES

SHA256 = "0" * 64
_PARTS = {
    "{sha256}": SHA256, "{shot}": "A-17", "{line}": "none", "{sweep}": "S1", "{decision}": "d99",
    "{kind}": "trench", "{name}": "none", "{name:path}": "view.json", "{task}": "1",
    "{release}": "none", "{serial}": "R-1", "{user}": "999", "{token}": "999",
}  # fmt: skip


def address(path: str, job: str) -> str:
    path = path.replace("{job}", job)
    for part, value in _PARTS.items():
        path = path.replace(part, value)
    return path


def let_in(status: int) -> bool:
    """Whether an answer is that of the route, not of the guard."""
    return status not in (401, 403)


@pytest.mark.parametrize(("method", "path"), sorted(TABLE))
def test_a_route_lets_in_who_the_table_says_and_no_one_else(demo_to_read, method, path):
    site, least = demo_to_read, TABLE[method, path]
    where = address(path, site.job)
    answer = site.browser().request(method, where)
    if least == PUBLIC:
        # A form without its cookie is refused for that, not for the lack of a login.
        assert answer.status_code != 401
        if method == "GET":
            assert let_in(answer.status_code)
    elif method == "GET" and not path.startswith("/api/") and "/view/" not in path:
        login = answer.headers.get("location", "").startswith("/login?next=")
        assert (answer.status_code, login) == (303, True)
    else:
        assert answer.status_code == 401
    if least == PUBLIC or path.endswith("/events"):
        return  # a stream does not end; test_events looks at it
    for role in ROLES:
        answer = site.as_role(role).request(method, where, json=None)
        assert let_in(answer.status_code) == may(role, least), f"{role}: {answer.status_code}"
        assert answer.status_code < 500


@pytest.mark.parametrize(
    ("method", "path"), sorted(key for key in TABLE if key[0] != "GET" and TABLE[key] != PUBLIC)
)
def test_nothing_changes_by_cookie_without_the_token_of_the_form(demo_to_read, method, path):
    site = demo_to_read
    browser = site.as_role("administrator")
    for token in ("", "wrong", browser.headers["X-CSRF-Token"][:-1]):
        browser.headers["X-CSRF-Token"] = token
        answer = browser.request(method, address(path, site.job))
        assert answer.status_code == 403
        assert "form" in answer.text


def test_a_browser_of_another_site_is_refused_even_with_the_token(demo_to_read):
    browser = demo_to_read.as_role("administrator")
    answer = browser.post("/admin/crews", headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403


def test_the_token_of_one_login_does_not_serve_another(demo_to_read):
    one, other = demo_to_read.as_role("administrator"), demo_to_read.as_role("administrator")
    one.headers["X-CSRF-Token"] = other.headers["X-CSRF-Token"]
    assert one.post("/admin/crews").status_code == 403


def test_a_desk_with_a_route_that_lacks_an_entry_does_not_start(site):
    app = create_app(site.desk.config, site.desk)

    def forgotten() -> dict[str, str]:
        return {}

    app.router.routes.append(GuardedRoute("/forgotten", forgotten, methods=["GET"]))
    with pytest.raises(RuntimeError, match="forgotten"):
        check_routes(app)


def test_a_desk_with_a_route_outside_the_guard_does_not_start(site):
    app = create_app(site.desk.config, site.desk)

    @app.get("/loose")
    def loose() -> dict[str, str]:
        return {}

    with pytest.raises(RuntimeError, match="not guarded"):
        check_routes(app)


def test_a_route_without_an_entry_is_served_to_no_one_even_if_a_desk_has_one(site):
    app = create_app(site.desk.config, site.desk)
    assert isinstance(app, FastAPI)

    def forgotten() -> dict[str, str]:
        return {"secret": "yes"}

    app.router.routes.insert(0, GuardedRoute("/forgotten", forgotten, methods=["GET"]))
    site.app = app
    answer = site.as_role("administrator").get("/forgotten")
    assert answer.status_code == 500
    assert "secret" not in answer.text


def test_a_technician_may_not_accept_or_reject_but_may_say_what_a_log_left_out(small):
    demo = small
    shots = [[demo.desk.state(demo.job).uploads[0].main.sha256, 3]]
    technician = demo.as_role("technician")
    where = f"/api/v1/jobs/{demo.job}/decisions"
    refused = technician.post(where, json={"kind": "accept", "shots": shots, "why": "seen"})
    assert refused.status_code == 403
    assert refused.json()["field"] == "kind"
    body = {"kind": "set-utility", "value": "gas", "shots": shots, "why": "marker post"}
    taken = technician.post(where, json=body)
    assert taken.status_code == 201
    rejected = demo.as_role("reviewer").post(
        where, json={"kind": "reject", "shots": shots, "why": "tilted"}
    )
    undo = f"{where}/{rejected.json()['id']}/undo"
    assert technician.post(undo, json={"why": "no"}).status_code == 403


def test_a_token_does_what_its_role_may_without_a_csrf_token_and_nothing_once_ended(small):
    demo = small
    store = demo.desk.store
    secret, token = store.create_token("logger", "technician", user_id=demo.user("reviewer"))
    program = demo.browser()
    program.headers["Authorization"] = f"Bearer {secret}"
    assert program.get("/api/v1/me").json()["role"] == "technician"
    assert program.post(f"/api/v1/jobs/{demo.job}/process").status_code == 202
    assert program.get("/api/v1/users").status_code == 403
    for page in ("/jobs", f"/jobs/{demo.job}", "/account"):
        assert program.get(page).status_code == 403
    assert program.get(f"/jobs/{demo.job}/view/view.json").status_code == 200
    store.revoke_token(token.id)
    assert program.get("/api/v1/me").status_code == 401


@pytest.mark.parametrize(
    "value", ["Bearer", "Bearer asf_", "Bearer asf_nonsense", "Basic YTpi", "asf_x", "Bearer  x"]
)
def test_a_bad_authorization_is_no_one_even_beside_a_good_cookie(demo_to_read, value):
    browser = demo_to_read.as_role("administrator")
    assert browser.get("/api/v1/me", headers={"Authorization": value}).status_code == 401
