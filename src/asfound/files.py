"""Files read and written whole, with errors that name the file and the remedy."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from asfound.errors import InputError


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A stream to a file that appears under its name only once it is complete.

    It is written under a temporary name beside it, brought to the disk, then renamed.

    Raises
    ------
    InputError
        If the folder can't be written to; nothing is left behind then.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        try:
            with os.fdopen(handle, "wb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            Path(temporary).chmod(0o644)
            Path(temporary).replace(path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(
            f"Can't write: {error.strerror or error}.",
            where=str(path),
            remedy="Check the folder's permissions and the free space.",
        ) from error


def write_whole(path: Path, data: bytes) -> None:
    """Write a file completely or not at all.

    Raises
    ------
    InputError
        If the folder can't be written to.
    """
    with whole_file(path) as stream:
        stream.write(data)


def read_bytes(path: Path) -> bytes:
    """Whole content of a file.

    Raises
    ------
    InputError
        If it can't be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise _unreadable(path, error) from error


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal.

    Raises
    ------
    InputError
        If it can't be read.
    """
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> InputError:
    return InputError(
        f"can't be read: {error.strerror or error}.",
        where=str(path),
        remedy="Check the name and the permissions.",
    )
