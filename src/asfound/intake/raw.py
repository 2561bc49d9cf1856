"""Raw data of an upload, in memory or on disk: size, hash, beginning, stream."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import BinaryIO

from asfound.errors import InputError
from asfound.intake.limits import FILE_BYTES, MEBIBYTE

Data = bytes | Path


def open_raw(data: Data, *, where: str) -> BinaryIO:
    """A binary stream over the data.

    Raises
    ------
    InputError
        If the file can't be opened or is larger than `FILE_BYTES`.
    """
    if isinstance(data, bytes):
        return io.BytesIO(data)
    try:
        size = data.stat().st_size
        stream = data.open("rb")
    except OSError as error:
        raise InputError(
            f"can't be read: {error.strerror or error}.",
            where=where,
            remedy="Check the name and the permissions.",
        ) from error
    if size > FILE_BYTES:
        stream.close()
        raise InputError(
            f"the file has {size} bytes; at most {FILE_BYTES} are read.",
            where=where,
            remedy="Split it.",
        )
    return stream


def digest(data: Data, *, where: str) -> tuple[str, int]:
    """SHA-256 and number of bytes."""
    if isinstance(data, bytes):
        return hashlib.sha256(data).hexdigest(), len(data)
    with open_raw(data, where=where) as stream:
        total, state = 0, hashlib.sha256()
        while chunk := stream.read(MEBIBYTE):
            state.update(chunk)
            total += len(chunk)
    return state.hexdigest(), total


def raw_size(data: Data, *, where: str) -> int:
    """Number of bytes.

    Raises
    ------
    InputError
        As `open_raw`.
    """
    if isinstance(data, bytes):
        return len(data)
    with open_raw(data, where=where) as stream:
        return stream.seek(0, io.SEEK_END)


def head(data: Data, size: int, *, where: str) -> bytes:
    """The first bytes."""
    with open_raw(data, where=where) as stream:
        return stream.read(size)


def whole(data: Data, limit: int, *, where: str) -> bytes:
    """All bytes, if they are not more than a limit.

    Raises
    ------
    InputError
        If there are more.
    """
    with open_raw(data, where=where) as stream:
        content = stream.read(limit + 1)
    if len(content) > limit:
        raise InputError(
            f"larger than {limit // MEBIBYTE} MiB, too large to be read whole.",
            where=where,
            remedy="Split it, or export it as CSV or GeoPackage.",
        )
    return content
