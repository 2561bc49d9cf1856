"""Bringing a database to the tables of this version."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path
from threading import Lock

from sqlalchemy import Connection, inspect, text

from asfound.store._errors import StoreError

HEAD_REVISION = "0001"
"""The newest migration; a database at it needs no alembic to be looked at."""

# Any number that no other program is likely to lock by.
_ADVISORY_LOCK = 0x6173666E
_ONE_THREAD = Lock()


def revision(connection: Connection) -> str | None:
    """The migration a database is at; None for an empty one.

    Raises
    ------
    StoreError
        If the database holds other tables than asfound's.
    """
    tables = inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        if tables:
            raise StoreError(
                f"the database holds something else: a table {sorted(tables)[0]!r}.",
                where=str(connection.engine.url.database),
                remedy="Give another database.",
            )
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def upgrade(connection: Connection) -> None:
    """Run all migrations that a database lacks, in the connection's transaction.

    Raises
    ------
    StoreError
        If a newer version of asfound has written the database.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text(f"SELECT pg_advisory_xact_lock({_ADVISORY_LOCK})"))
    at = revision(connection)
    if at == HEAD_REVISION:
        return
    # Only now: it takes a while to load, and most opens don't need it.
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory
    from alembic.util import CommandError

    with as_file(files("asfound.store") / "migrations") as folder:
        config = Config()
        config.set_main_option("script_location", str(Path(folder)).replace("%", "%%"))
        config.set_main_option("path_separator", "os")
        config.attributes["connection"] = connection
        try:
            # Alembic keeps what it works on in its module.
            with _ONE_THREAD:
                if at is not None:
                    ScriptDirectory.from_config(config).get_revision(at)
                command.upgrade(config, "head")
        except CommandError as error:
            raise StoreError(
                f"the database is of a version this one doesn't know ({at}).",
                where=str(connection.engine.url.database),
                remedy="Update asfound, or restore the backup that goes with this version.",
            ) from error
