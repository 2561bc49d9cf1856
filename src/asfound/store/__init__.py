"""What is kept: people, jobs with their ledgers, tasks, releases; in SQLite or PostgreSQL.

    >>> from tempfile import TemporaryDirectory
    >>> from asfound.store import open_store
    >>> with TemporaryDirectory() as folder:
    ...     store = open_store(f"{folder}/asfound.sqlite")
    ...     _ = store.create_job("elm-street", "Elm Street", "ana", {"settings": ""})
    ...     entry = store.append("elm-street", "ana", "processed", {"head": 1}, key="k1")
    ...     again = store.append("elm-street", "ana", "processed", {"head": 1}, key="k1")
    ...     entry.sequence, again == entry, store.verify("elm-street").sound
    ...     store.close()
    (2, True, True)

The ledger of a job is the truth about it; everything else can be derived. `ledger` and `merkle`
hold its arithmetic without a database, `release` and `release_check` the signed packages.

Names are loaded when they are first used: SQLAlchemy takes a while.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from asfound.store._accounts import LONGEST_PASSWORD, SHORTEST_PASSWORD, TOKEN_START
    from asfound.store._errors import (
        BusyError,
        ConflictError,
        FullError,
        HeadMovedError,
        KeyReusedError,
        StoreError,
        UnknownError,
    )
    from asfound.store._ledgers import NewEntry
    from asfound.store._store import Store, open_store
    from asfound.store._text import job_slug
    from asfound.store.ledger import Entry, Fault, Head, LedgerCheck
    from asfound.store.records import (
        Crew,
        Job,
        Receiver,
        Released,
        Task,
        Token,
        User,
        WebSession,
    )
    from asfound.store.release import BuiltRelease, build_release
    from asfound.store.release_check import ReleaseCheck, unpack_release, verify_release
    from asfound.store.schema import ROLES
    from asfound.store.signing import SigningKey, new_key, read_key

_PLACES = {
    "_accounts": ("LONGEST_PASSWORD", "SHORTEST_PASSWORD", "TOKEN_START"),
    "_errors": (
        "BusyError",
        "ConflictError",
        "FullError",
        "HeadMovedError",
        "KeyReusedError",
        "StoreError",
        "UnknownError",
    ),
    "_ledgers": ("NewEntry",),
    "_store": ("Store", "open_store"),
    "_text": ("job_slug",),
    "ledger": ("Entry", "Fault", "Head", "LedgerCheck"),
    "records": ("Crew", "Job", "Receiver", "Released", "Task", "Token", "User", "WebSession"),
    "release": ("BuiltRelease", "build_release"),
    "release_check": ("ReleaseCheck", "unpack_release", "verify_release"),
    "schema": ("ROLES",),
    "signing": ("SigningKey", "new_key", "read_key"),
}
_PLACE_OF = {name: place for place, names in _PLACES.items() for name in names}

__all__ = [
    "LONGEST_PASSWORD",
    "ROLES",
    "SHORTEST_PASSWORD",
    "TOKEN_START",
    "BuiltRelease",
    "BusyError",
    "ConflictError",
    "Crew",
    "Entry",
    "Fault",
    "FullError",
    "Head",
    "HeadMovedError",
    "Job",
    "KeyReusedError",
    "LedgerCheck",
    "NewEntry",
    "Receiver",
    "ReleaseCheck",
    "Released",
    "SigningKey",
    "Store",
    "StoreError",
    "Task",
    "Token",
    "UnknownError",
    "User",
    "WebSession",
    "build_release",
    "job_slug",
    "new_key",
    "open_store",
    "read_key",
    "unpack_release",
    "verify_release",
]


def __getattr__(name: str) -> Any:
    if name not in _PLACE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_PLACE_OF[name]}"), name)
