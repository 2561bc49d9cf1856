"""The store: everything a server or a job's folder keeps in its database."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from asfound.store._accounts import Accounts
from asfound.store._engine import Journal, database_url, make_engine, utc_now
from asfound.store._ledgers import Ledgers
from asfound.store._migrate import HEAD_REVISION, revision, upgrade
from asfound.store._work import Work
from asfound.store.signing import SigningKey


class Store(Ledgers, Accounts, Work):
    """One database. Every function is one transaction: done and on disk, or not at all.

    Made by `open_store`; may be used by many threads at once, and by many processes that each
    open their own. The parts: `Ledgers` (jobs, append, entries, verify), `Accounts` (users,
    browsers, tokens, crews, receivers), `Work` (tasks, releases).
    """

    def migrate(self) -> None:
        """Bring the tables to this version; quick where they are.

        Raises
        ------
        StoreError
            If the database is not ours or of a newer version.
        """
        with self.reading() as connection:
            if revision(connection) == HEAD_REVISION:
                return
        with self.writing() as connection:
            upgrade(connection)


def open_store(
    where: str | Path,
    *,
    journal: Journal = "wal",
    clock: Callable[[], datetime] = utc_now,
    signing_key: SigningKey | None = None,
    migrate: bool = True,
) -> Store:
    """Open a database, making its tables where it has none.

    Parameters
    ----------
    where : str or Path
        A SQLite file, ``sqlite:///FILE`` or ``postgresql://USER@HOST/NAME``.
    journal : "wal" or "delete"
        SQLite only: "wal" for a server; "delete" leaves one file that can be carried.
    clock : callable
        Gives the time in UTC.
    signing_key : SigningKey, optional
        Signs the head of a job's ledger with every append.
    migrate : bool
        Whether to bring the tables to this version.

    Raises
    ------
    StoreError
        If the database can't be reached or used.
    """
    store = Store(make_engine(database_url(where), journal), clock, signing_key)
    if migrate:
        try:
            store.migrate()
        except BaseException:
            store.close()
            raise
    return store
