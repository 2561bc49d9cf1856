"""Connections: SQLite in one file, or PostgreSQL by URL; what each needs to keep its word."""

from __future__ import annotations

import os
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any, Literal

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import (
    ArgumentError,
    DataError,
    DBAPIError,
    IntegrityError,
    OperationalError,
    SQLAlchemyError,
)

from asfound.errors import InputError
from asfound.store._errors import BusyError, DamagedError, FullError, StoreError

Journal = Literal["wal", "delete"]

WAIT = 60.0
"""How long a writer waits for others before it gives up [s]."""


def database_url(where: str | Path) -> URL:
    """A URL from a path to a SQLite file, ``sqlite:///...`` or ``postgresql://...``.

    Raises
    ------
    StoreError
        If it is none of these.
    """
    if isinstance(where, Path) or "://" not in where:
        return URL.create("sqlite+pysqlite", database=str(Path(where).absolute()))
    try:
        url = make_url(where)
    except ArgumentError as error:
        raise StoreError(
            "the database's address can't be read.",
            where="--database",
            remedy="Write sqlite:///FILE or postgresql://USER@HOST/NAME.",
        ) from error
    backend = url.get_backend_name()
    if backend == "sqlite" and url.database not in (None, "", ":memory:"):
        return url.set(drivername="sqlite+pysqlite")
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    raise StoreError(
        f"a database of the kind {url.drivername} can't be used.",
        where="--database",
        remedy="Write sqlite:///FILE or postgresql://USER@HOST/NAME.",
    )


def make_engine(url: URL, journal: Journal = "wal") -> Engine:
    """An engine whose commits last: a committed row is there after the power went.

    Parameters
    ----------
    url : URL
        From `database_url`.
    journal : "wal" or "delete"
        SQLite only: many readers beside a writer, or one file that can be copied and carried.

    Raises
    ------
    StoreError
        If PostgreSQL's driver is not installed.
    """
    if url.get_backend_name() == "sqlite":
        Path(str(url.database)).parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(
            url,
            connect_args={"timeout": WAIT, "isolation_level": None, "check_same_thread": False},
            pool_size=8,
            max_overflow=56,
            pool_timeout=WAIT,
        )
        event.listen(engine, "connect", _sqlite_connect(journal))
        event.listen(engine, "begin", _sqlite_begin)
        return engine
    try:
        return create_engine(
            url,
            # A server may be set to answer before the disk has; ours must not.
            connect_args={
                "options": f"-c synchronous_commit=on -c lock_timeout={int(WAIT * 1000)}"
                " -c timezone=UTC",
                "connect_timeout": 10,
            },
            pool_size=8,
            max_overflow=56,
            pool_timeout=WAIT,
            pool_pre_ping=True,
        )
    except ModuleNotFoundError as error:
        raise StoreError(
            "PostgreSQL's driver is not installed.",
            where="--database",
            remedy="Install it with: pip install 'asfound[desk]'",
        ) from error


def _sqlite_connect(journal: Journal) -> Callable[[Any, Any], None]:
    def prepare(connection: sqlite3.Connection, _record: Any) -> None:
        cursor = connection.cursor()
        cursor.execute("PRAGMA foreign_keys = ON")
        (current,) = cursor.execute("PRAGMA journal_mode").fetchone()
        if current != journal:
            # Changing it needs the file alone; whoever comes second finds it changed.
            try:
                cursor.execute(f"PRAGMA journal_mode = {journal}")
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) and "readonly" not in str(error):
                    raise
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.close()

    return prepare


def _sqlite_begin(connection: Connection) -> None:
    # A reader that turns writer can't wait for its turn in SQLite, so writers say so at once.
    immediate = connection.get_execution_options().get("immediate", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")


class _Turns:
    """Threads that write take turns: SQLite itself would let them sleep and try again."""

    def __init__(self) -> None:
        self._lock = Lock()

    def __enter__(self) -> None:
        if not self._lock.acquire(timeout=WAIT):
            raise BusyError(
                "others kept the database busy for too long.",
                remedy="Nothing was written. Try again.",
            )

    def __exit__(self, *_: object) -> None:
        self._lock.release()


def utc_now() -> datetime:
    """The time."""
    return datetime.now(UTC)


class Transactions:
    """Reading and writing in transactions; what every part of the store is built on.

    Parameters
    ----------
    engine : Engine
    clock : callable
        Gives the time in UTC.
    """

    def __init__(self, engine: Engine, clock: Callable[[], datetime] = utc_now) -> None:
        self.engine = engine
        self.clock = clock
        self._turn: AbstractContextManager[None] = _Turns() if self.is_sqlite else nullcontext()

    @property
    def is_sqlite(self) -> bool:
        """Whether the database is a SQLite file."""
        return self.engine.dialect.name == "sqlite"

    @property
    def shown_url(self) -> str:
        """The address without its password."""
        url = self.engine.url
        return str(url.database) if self.is_sqlite else url.render_as_string(hide_password=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the database."""
        with self._translated(), self.engine.connect() as connection:
            if not self.is_sqlite:
                # Else each statement sees what was committed meanwhile.
                connection.execution_options(isolation_level="REPEATABLE READ")
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that commits at its end, or leaves nothing behind."""
        with (
            self._translated(),
            self._turn,
            self.engine.connect().execution_options(immediate=True) as connection,
            connection.begin(),
        ):
            yield connection

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except IntegrityError:
            raise  # Callers know which rule of theirs it broke.
        except (DataError, UnicodeEncodeError, OverflowError) as error:
            raise InputError(
                "a text or a number holds what can't be stored.",
                remedy="Leave out control characters; numbers have at most nine digits.",
            ) from error
        except (OperationalError, UnicodeDecodeError, sqlite3.Error) as error:
            raise _said(error, self.shown_url) from error
        except SQLAlchemyError as error:
            said = _said(error, self.shown_url)
            if isinstance(said, DamagedError):
                raise said from error
            raise StoreError(
                f"the database refuses: {_first_line(error)}.",
                where=self.shown_url,
                remedy="Nothing was written. Check that it is a database of this version.",
            ) from error

    @contextmanager
    def only_one(self, name: str, wait: float = 0.0) -> Iterator[bool]:
        """Be the only one of a name that works on this database, whichever machine it is on.

        Held until the end of the block, or until the process dies. A connection that breaks
        loses PostgreSQL's lock too.

        Parameters
        ----------
        name : str
        wait : float
            How long to try [s].

        Returns
        -------
        held : bool
            False if another is at work.
        """
        take = self._lock_beside_file if self.is_sqlite else self._lock_in_server
        limit = time.monotonic() + wait
        while True:
            with take(name) as held:
                if held or time.monotonic() >= limit:
                    yield held
                    return
            time.sleep(0.1)

    @contextmanager
    def _lock_beside_file(self, name: str) -> Iterator[bool]:
        # only here: the desk's need, and not to be had on every system
        import fcntl

        # By its real name: a link to the file is the same database.
        file = Path(str(self.engine.url.database)).resolve()
        try:
            handle = os.open(f"{file}.{name}.lock", os.O_RDWR | os.O_CREAT, 0o640)
        except OSError as error:
            raise StoreError(
                f"the folder of the database can't be written to: {error.strerror or error}.",
                where=str(file.parent),
                remedy="Check its owner and permissions, and that its disk is not full.",
            ) from error
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                yield False
            else:
                yield True
        finally:
            os.close(handle)

    @contextmanager
    def _lock_in_server(self, name: str) -> Iterator[bool]:
        number = zlib.crc32(f"asfound {name}".encode())
        with self._translated():
            connection = self.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        try:
            with self._translated():
                held = connection.execute(text("SELECT pg_try_advisory_lock(:n)"), {"n": number})
                free = bool(held.scalar())
            yield free
        finally:
            # Not back to the pool: the lock ends with its connection.
            connection.invalidate()
            connection.close()

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def _first_line(error: Exception) -> str:
    said = str(error.orig if isinstance(error, DBAPIError) and error.orig else error)
    return (said.strip().splitlines() or [type(error).__name__])[0].rstrip(".")


def _said(error: Exception, where: str) -> StoreError:
    text = _first_line(error)
    if any(word in text for word in ("malformed", "not a database", "invalid page", "corrupt")):
        return DamagedError(
            f"the database is damaged: {text}.",
            where=where,
            remedy="Stop what works on it, and restore a backup.",
        )
    if "locked" in text or "busy" in text or "lock timeout" in text:
        return BusyError(
            "another program kept the database locked for too long.",
            where=where,
            remedy="Nothing was written. Try again; close the program that holds it.",
        )
    if "full" in text:
        return FullError(
            "the disk is full.", where=where, remedy="Nothing was written. Make room, try again."
        )
    if "No space left" in text or "disk I/O error" in text:
        return FullError(
            "the disk can't be written to; it is full, or damaged.",
            where=where,
            remedy="Nothing was written. Make room, look at the system's log, try again.",
        )
    if "readonly" in text or "read-only" in text or "unable to open" in text:
        return StoreError(
            "the database can't be written to."
            if "read" in text
            else "the database's file can't be opened.",
            where=where,
            remedy="Check the permissions of the file and its folder, and that the disk is not "
            "read-only.",
        )
    return StoreError(
        f"the database can't be used: {text}.",
        where=where,
        remedy="Check that it runs, its address and its permissions.",
    )
