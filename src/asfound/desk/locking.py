"""Locks between processes that die with their holder, so that a crash leaves none behind."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from asfound.errors import InputError

SERVER_LOCK = ".server.lock"
WORKER_LOCK = ".worker.lock"


@contextmanager
def only_server(data: Path) -> Iterator[None]:
    """Be the only server of a desk's folder.

    Raises
    ------
    InputError
        If there is another, or the folder can't be written to.
    """
    try:
        data.mkdir(parents=True, exist_ok=True, mode=0o750)
        handle = os.open(data / SERVER_LOCK, os.O_RDWR | os.O_CREAT, 0o640)
    except OSError as error:
        raise InputError(
            f"the desk's folder can't be written to: {error.strerror or error}.",
            where=str(data),
            remedy="Check its owner and permissions, and that its disk is not read-only or full; "
            "or name another folder with --data.",
        ) from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(handle, 32, 0).decode("ascii", "replace").strip()
            raise InputError(
                "another desk is at work in this folder"
                + (f" (process {holder})." if holder.isdigit() else "."),
                where=str(data),
                remedy="Use that one, or stop it first; or name another folder with --data.",
            ) from error
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(handle)


def try_lock(path: Path) -> int | None:
    """A lock held until its handle is closed or the process ends; None if another has it."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o640)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle
