"""Databases for the tests: SQLite always, a throw-away PostgreSQL where it is installed."""

from __future__ import annotations

import getpass
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

_MISSING = "PostgreSQL is not installed; as root: sh requirements/system.sh"


def postgresql_programs() -> Path | None:
    """Where initdb and pg_ctl lie; Debian keeps them out of the PATH."""
    versions = Path("/usr/lib/postgresql").glob("*/bin")
    for folder in sorted(versions, key=lambda one: float(one.parent.name), reverse=True):
        if (folder / "initdb").exists():
            return folder
    found = shutil.which("initdb")
    return Path(found).resolve().parent if found else None


def _as_owner(*command: str) -> None:
    # PostgreSQL refuses to run as root.
    front = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    done = subprocess.run([*front, *command], capture_output=True, text=True, cwd="/")
    assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"


@contextmanager
def throwaway_postgresql(programs: Path, *, lasting: bool = False) -> Iterator[str]:
    """A PostgreSQL of our own: unix socket only, no password, gone afterwards.

    Parameters
    ----------
    lasting : bool
        Whether a commit reaches the disk. No test takes the power away; a bench counts it.

    Yields the address of its first database.
    """
    # A socket's path may have 107 characters, so not pytest's own long folder.
    place = Path(tempfile.mkdtemp(prefix="asfound-pg-"))
    data = place / "data"
    owner = "postgres" if os.geteuid() == 0 else getpass.getuser()
    try:
        if os.geteuid() == 0:
            shutil.chown(place, "postgres")
        _as_owner(
            str(programs / "initdb"), "-D", str(data), "-A", "trust", "-U", owner, "-E", "UTF8",
            "--no-sync", "--locale=C",
        )  # fmt: skip
        options = f"-c listen_addresses='' -c unix_socket_directories='{place}'"
        options += " -c max_connections=200"
        if not lasting:
            options += " -c fsync=off -c full_page_writes=off"
        _as_owner(
            str(programs / "pg_ctl"), "-D", str(data), "-w", "-t", "60", "-l", str(place / "log"),
            "-o", options, "start",
        )  # fmt: skip
        try:
            yield f"postgresql://{owner}@/postgres?host={place}"
        finally:
            _as_owner(str(programs / "pg_ctl"), "-D", str(data), "-m", "immediate", "stop")
    finally:
        shutil.rmtree(place, ignore_errors=True)


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """The address of a throw-away PostgreSQL's first database."""
    programs = postgresql_programs()
    if programs is None:
        pytest.skip(_MISSING)
    with throwaway_postgresql(programs) as address:
        yield address


@pytest.fixture(scope="session")
def shared_postgresql(postgresql: str) -> str:
    """The address of a database that is used again and again."""
    import psycopg

    with psycopg.connect(postgresql, autocommit=True) as connection:
        connection.execute("CREATE DATABASE asfound")
    return postgresql.replace("@/postgres?", "@/asfound?")


@pytest.fixture
def new_postgresql(shared_postgresql: str) -> Iterator[str]:
    """The address of a PostgreSQL database without a row."""
    yield shared_postgresql
    # Emptied, since making a new one takes longer than most tests.
    import psycopg

    from asfound.store._migrate import HEAD_REVISION

    with psycopg.connect(shared_postgresql, autocommit=True) as connection:
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        tables = connection.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
        ).fetchall()
        names = {str(name) for (name,) in tables}
        current = "alembic_version" in names and connection.execute(
            "SELECT version_num FROM alembic_version"
        ).fetchone() == (HEAD_REVISION,)
        if current:
            listed = ", ".join(sorted(names - {"alembic_version"}))
            connection.execute(f"TRUNCATE {listed} RESTART IDENTITY CASCADE")
        else:
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database; each test runs on both kinds."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'asfound.sqlite'}"
    return str(request.getfixturevalue("new_postgresql"))
