"""What can go wrong in the database, beside wrong input."""

from __future__ import annotations

from asfound.errors import AsfoundError, InputError


class StoreError(AsfoundError):
    """The database can't be reached, is full, is not ours or is of another version."""


class BusyError(StoreError):
    """The database was locked for longer than a writer waits; nothing was written."""


class DamagedError(StoreError):
    """The database holds bytes that no one can have written into it."""


class FullError(StoreError):
    """The disk is full; nothing was written."""


class UnknownError(InputError):
    """There is no such job, user, crew, receiver, task or release."""


class ConflictError(InputError):
    """Something of this name is there already, or the state doesn't allow the change."""


class KeyReusedError(ConflictError):
    """A client's key came again with something else under it; nothing was written."""


class HeadMovedError(ConflictError):
    """The ledger has grown since the caller read it; nothing was written."""
