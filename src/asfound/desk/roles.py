"""Who may do what: every route of the desk with the least role that may use it.

A route that is not in the table is served to no one, and a desk does not start with one.
"""

from __future__ import annotations

from asfound.store import ROLES

PUBLIC = "public"
"""Served to anyone, logged in or not."""

READER, TECHNICIAN, REVIEWER, ADMINISTRATOR = ROLES

TABLE: dict[tuple[str, str], str] = {
    # Without a login.
    ("GET", "/login"): PUBLIC,
    ("POST", "/login"): PUBLIC,
    ("GET", "/first-run"): PUBLIC,
    ("POST", "/first-run"): PUBLIC,
    ("GET", "/check/{release}"): PUBLIC,
    ("GET", "/static/{name:path}"): PUBLIC,
    ("GET", "/health"): PUBLIC,
    # Pages.
    ("GET", "/"): READER,
    ("POST", "/logout"): READER,
    ("GET", "/account"): READER,
    ("POST", "/account"): READER,
    ("POST", "/account/password"): READER,
    ("GET", "/jobs"): READER,
    ("GET", "/jobs/new"): TECHNICIAN,
    ("POST", "/jobs/new"): TECHNICIAN,
    ("GET", "/jobs/{job}"): READER,
    ("GET", "/jobs/{job}/events"): READER,
    ("GET", "/jobs/{job}/view/{name:path}"): READER,
    ("GET", "/jobs/{job}/uploads"): READER,
    ("POST", "/jobs/{job}/uploads"): TECHNICIAN,
    ("GET", "/jobs/{job}/uploads/confirm"): TECHNICIAN,
    ("POST", "/jobs/{job}/uploads/confirm"): TECHNICIAN,
    ("GET", "/jobs/{job}/uploads/{sha256}"): READER,
    ("POST", "/jobs/{job}/uploads/{sha256}"): TECHNICIAN,
    ("POST", "/jobs/{job}/uploads/{sha256}/remove"): REVIEWER,
    ("GET", "/jobs/{job}/uploads/{sha256}/raw"): READER,
    ("POST", "/jobs/{job}/process"): TECHNICIAN,
    ("GET", "/jobs/{job}/settings"): READER,
    ("POST", "/jobs/{job}/settings"): TECHNICIAN,
    ("GET", "/jobs/{job}/entered"): READER,
    ("POST", "/jobs/{job}/entered/undo"): TECHNICIAN,
    ("POST", "/jobs/{job}/entered/remove"): TECHNICIAN,
    ("GET", "/jobs/{job}/compare"): READER,
    ("GET", "/jobs/{job}/ledger"): READER,
    ("GET", "/jobs/{job}/releases"): READER,
    ("POST", "/jobs/{job}/releases"): REVIEWER,
    ("GET", "/jobs/{job}/outputs/{name:path}"): READER,
    ("GET", "/receivers"): READER,
    ("POST", "/receivers"): REVIEWER,
    ("GET", "/admin/users"): ADMINISTRATOR,
    ("POST", "/admin/users"): ADMINISTRATOR,
    ("POST", "/admin/users/{user}"): ADMINISTRATOR,
    ("POST", "/admin/users/{user}/password"): ADMINISTRATOR,
    ("POST", "/admin/crews"): ADMINISTRATOR,
    ("GET", "/admin/tokens"): ADMINISTRATOR,
    ("POST", "/admin/tokens"): ADMINISTRATOR,
    ("POST", "/admin/tokens/{token}/revoke"): ADMINISTRATOR,
    # API.
    ("GET", "/api/v1/openapi.json"): READER,
    ("GET", "/api/v1/me"): READER,
    ("PATCH", "/api/v1/me"): READER,
    ("GET", "/api/v1/jobs"): READER,
    ("POST", "/api/v1/jobs"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}"): READER,
    ("PATCH", "/api/v1/jobs/{job}"): REVIEWER,
    ("GET", "/api/v1/jobs/{job}/settings"): READER,
    ("PUT", "/api/v1/jobs/{job}/settings"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/uploads"): READER,
    ("POST", "/api/v1/jobs/{job}/uploads"): TECHNICIAN,
    ("POST", "/api/v1/jobs/{job}/uploads/guess"): TECHNICIAN,
    ("DELETE", "/api/v1/jobs/{job}/uploads/{sha256}"): REVIEWER,
    ("GET", "/api/v1/jobs/{job}/uploads/{sha256}/mapping"): READER,
    ("PUT", "/api/v1/jobs/{job}/uploads/{sha256}/mapping"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/uploads/{sha256}/raw"): READER,
    ("POST", "/api/v1/jobs/{job}/shots"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/shots"): READER,
    ("GET", "/api/v1/jobs/{job}/shots/{shot}"): READER,
    ("GET", "/api/v1/jobs/{job}/lines"): READER,
    ("GET", "/api/v1/jobs/{job}/lines/{line}"): READER,
    ("GET", "/api/v1/jobs/{job}/sweeps"): READER,
    ("POST", "/api/v1/jobs/{job}/sweeps"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/sweeps/{sweep}"): READER,
    ("GET", "/api/v1/jobs/{job}/findings"): READER,
    ("GET", "/api/v1/jobs/{job}/decisions"): READER,
    # Accepting and rejecting need a reviewer; setting what a log left out doesn't.
    ("POST", "/api/v1/jobs/{job}/decisions"): TECHNICIAN,
    ("POST", "/api/v1/jobs/{job}/decisions/{decision}/undo"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/digs"): READER,
    ("POST", "/api/v1/jobs/{job}/digs"): TECHNICIAN,
    ("DELETE", "/api/v1/jobs/{job}/digs/{kind}/{name}"): TECHNICIAN,
    ("POST", "/api/v1/jobs/{job}/control"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/stakeouts"): READER,
    ("POST", "/api/v1/jobs/{job}/stakeouts"): TECHNICIAN,
    ("PUT", "/api/v1/jobs/{job}/stakeouts/{name}"): TECHNICIAN,
    ("DELETE", "/api/v1/jobs/{job}/stakeouts/{name}"): TECHNICIAN,
    ("POST", "/api/v1/jobs/{job}/process"): TECHNICIAN,
    ("GET", "/api/v1/jobs/{job}/tasks"): READER,
    ("GET", "/api/v1/jobs/{job}/tasks/{task}"): READER,
    ("GET", "/api/v1/jobs/{job}/ledger"): READER,
    ("GET", "/api/v1/jobs/{job}/ledger/verify"): READER,
    ("GET", "/api/v1/jobs/{job}/releases"): READER,
    ("POST", "/api/v1/jobs/{job}/releases"): REVIEWER,
    ("GET", "/api/v1/jobs/{job}/releases/{release}/package"): READER,
    ("GET", "/api/v1/jobs/{job}/outputs"): READER,
    ("GET", "/api/v1/jobs/{job}/outputs/{name:path}"): READER,
    ("GET", "/api/v1/jobs/{job}/compare"): READER,
    ("GET", "/api/v1/receivers"): READER,
    ("PUT", "/api/v1/receivers/{serial}"): REVIEWER,
    ("GET", "/api/v1/crews"): READER,
    ("POST", "/api/v1/crews"): ADMINISTRATOR,
    ("GET", "/api/v1/users"): ADMINISTRATOR,
    ("POST", "/api/v1/users"): ADMINISTRATOR,
    ("PATCH", "/api/v1/users/{user}"): ADMINISTRATOR,
    ("GET", "/api/v1/tokens"): ADMINISTRATOR,
    ("POST", "/api/v1/tokens"): ADMINISTRATOR,
    ("DELETE", "/api/v1/tokens/{token}"): ADMINISTRATOR,
}


def may(role: str, least: str) -> bool:
    """Whether a role is at least another."""
    return least == PUBLIC or (role in ROLES and ROLES.index(role) >= ROLES.index(least))


def least_role(method: str, path: str) -> str | None:
    """The least role for a route, None where the table says nothing."""
    return TABLE.get(("GET" if method == "HEAD" else method, path))
