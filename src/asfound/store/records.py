"""Rows as records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True)
class Crew:
    """People who go out together."""

    id: int
    name: str


@dataclass(frozen=True)
class User:
    """Someone with an account; `role` is one of `schema.ROLES`."""

    id: int
    name: str
    role: str
    crew_id: int | None
    active: bool
    metric: bool
    created: datetime


@dataclass(frozen=True)
class WebSession:
    """A browser that is logged in; `csrf` goes into its forms."""

    user: User
    csrf: str
    created: datetime
    seen: datetime
    expires: datetime


@dataclass(frozen=True)
class Token:
    """A program that may act for a person (`user_id`) or a receiver (`receiver`)."""

    id: int
    label: str
    user_id: int | None
    receiver: str | None
    role: str
    created: datetime
    last_used: datetime | None
    revoked: datetime | None


@dataclass(frozen=True)
class Receiver:
    """A receiver by its serial."""

    serial: str
    note: str
    verified: date | None
    last_contact: datetime | None
    crew_id: int | None


@dataclass(frozen=True)
class Job:
    """A job and how far its ledger goes: `head` entries under `root`."""

    id: str
    title: str
    created: datetime
    state: str
    head: int
    root: str
    head_signature: str | None
    head_key: str | None


@dataclass(frozen=True)
class Task:
    """Work for the worker; `progress` 0 to 1, `state` one of `schema.TASK_STATES`."""

    id: int
    job: str
    kind: str
    state: str
    step: str
    progress: float
    head: int
    attempts: int
    created: datetime
    started: datetime | None
    heartbeat: datetime | None
    finished: datetime | None
    message: str


@dataclass(frozen=True)
class Released:
    """A release on file; `id` is what its public page is found by."""

    id: str
    job: str
    head: int
    root: str
    name: str
    manifest_sha256: str
    path: str
    created: datetime
