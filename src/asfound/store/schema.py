"""The tables. Times are text of fixed width in UTC, so that they read the same everywhere."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Date,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

from asfound.store._errors import StoreError

ROLES = ("reader", "technician", "reviewer", "administrator")
TASK_STATES = ("waiting", "running", "done", "failed")
JOB_STATES = ("open", "archived")

_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"


class Moment(TypeDecorator[datetime]):
    """A time in UTC to the microsecond."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """As stored."""
        return None if value is None else value.astimezone(UTC).strftime(_FORMAT)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        """As read."""
        if value is None:
            return None
        try:
            return datetime.strptime(value, _FORMAT).replace(tzinfo=UTC)
        except (TypeError, ValueError) as error:
            raise StoreError(
                f"a time in the database is damaged: {value!r}.",
                remedy="Restore the database from a backup.",
            ) from error


metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    }
)


def _one_of(column: str, values: tuple[str, ...]) -> CheckConstraint:
    words = ", ".join(f"'{value}'" for value in values)
    return CheckConstraint(f"{column} in ({words})", name=column)


crews = Table(
    "crews",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
)

users = Table(
    "users",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    # What names are compared by: "Ana" and "ana" are one person.
    Column("name_key", Text, nullable=False, unique=True),
    Column("password_hash", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("crew_id", ForeignKey("crews.id")),
    Column("active", Boolean, nullable=False, default=True),
    Column("metric", Boolean, nullable=False, default=True),
    Column("created", Moment, nullable=False),
    _one_of("role", ROLES),
)

web_sessions = Table(
    "web_sessions",
    metadata,
    Column("token_hash", String(64), primary_key=True),
    Column("user_id", ForeignKey("users.id"), nullable=False, index=True),
    Column("csrf", String(64), nullable=False),
    Column("created", Moment, nullable=False),
    Column("seen", Moment, nullable=False),
    Column("expires", Moment, nullable=False),
)

login_failures = Table(
    "login_failures",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name_key", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("time", Moment, nullable=False, index=True),
)

receivers = Table(
    "receivers",
    metadata,
    Column("serial", Text, primary_key=True),
    Column("note", Text, nullable=False, default=""),
    Column("verified", Date),
    Column("last_contact", Moment),
    Column("crew_id", ForeignKey("crews.id")),
)

tokens = Table(
    "tokens",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("token_hash", String(64), nullable=False, unique=True),
    Column("label", Text, nullable=False),
    Column("user_id", ForeignKey("users.id")),
    Column("receiver", ForeignKey("receivers.serial")),
    Column("role", Text, nullable=False),
    Column("created", Moment, nullable=False),
    Column("last_used", Moment),
    Column("revoked", Moment),
    _one_of("role", ROLES),
)

jobs = Table(
    "jobs",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("title", Text, nullable=False),
    Column("created", Moment, nullable=False),
    Column("state", Text, nullable=False, default="open"),
    # The ledger's size, its root, and the roots of its full trees (space between), largest first.
    Column("head", Integer, nullable=False, default=0),
    Column("root", String(64), nullable=False),
    Column("peaks", Text, nullable=False, default=""),
    Column("last_hash", String(64), nullable=False),
    # Ed25519 over the head, where the server has a key; base64.
    Column("head_signature", Text),
    Column("head_key", Text),
    _one_of("state", JOB_STATES),
)

ledger = Table(
    "ledger",
    metadata,
    Column("job", ForeignKey("jobs.id"), primary_key=True),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("time", String(27), nullable=False),
    Column("who", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    Column("key", Text),
    UniqueConstraint("job", "who", "key"),
)

tasks = Table(
    "tasks",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("job", ForeignKey("jobs.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("state", Text, nullable=False, default="waiting"),
    Column("step", Text, nullable=False, default=""),
    Column("progress", Float, nullable=False, default=0.0),
    Column("head", Integer, nullable=False),
    Column("attempts", Integer, nullable=False, default=0),
    Column("created", Moment, nullable=False),
    Column("started", Moment),
    Column("heartbeat", Moment),
    Column("finished", Moment),
    Column("message", Text, nullable=False, default=""),
    _one_of("state", TASK_STATES),
    Index(None, "job", "state"),
    Index(None, "state", "id"),
)

releases = Table(
    "releases",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("job", ForeignKey("jobs.id"), nullable=False, index=True),
    Column("head", Integer, nullable=False),
    Column("root", String(64), nullable=False),
    Column("name", Text, nullable=False),
    Column("manifest_sha256", String(64), nullable=False),
    Column("path", Text, nullable=False),
    Column("created", Moment, nullable=False),
    UniqueConstraint("job", "name"),
)
