"""Files as they were received, by the hash of their bytes."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from asfound.errors import InputError

_SHA256 = re.compile(r"[0-9a-f]{64}")


class TooLargeError(InputError):
    """More bytes came than are taken."""


class DiskError(InputError):
    """The server's disk is full, read-only or damaged; nothing was kept."""


@dataclass(frozen=True)
class Kept:
    """A file that is on disk."""

    sha256: str
    size: int
    path: Path


class Blobs:
    """A folder of files named by their SHA-256: written once, never changed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Where a file lies, whether it is there or not.

        Raises
        ------
        InputError
            If the text is no SHA-256.
        """
        if not _SHA256.fullmatch(sha256):
            raise InputError(
                "that is no SHA-256.", where="sha256", remedy="Give its 64 hexadecimal digits."
            )
        return self.folder / sha256[:2] / sha256

    def has(self, sha256: str) -> bool:
        """Whether a file is there."""
        return self.path(sha256).is_file()

    def keep(self, chunks: Iterable[bytes], *, most: int | None = None) -> Kept:
        """Write a file and make sure that it is on disk before its name is.

        Parameters
        ----------
        chunks : iterable of bytes
        most : int, optional
            Bytes that are taken.

        Raises
        ------
        TooLargeError
            If there are more; nothing is kept.
        DiskError
            If it can't be written; nothing is kept.
        """
        handle = -1
        temporary = Path()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.folder, prefix=".part-")
            temporary = Path(name)
            digest, size = hashlib.sha256(), 0
            with os.fdopen(handle, "wb") as stream:
                for chunk in chunks:
                    size += len(chunk)
                    if most is not None and size > most:
                        raise TooLargeError(
                            f"the file is larger than {most // 1_000_000} MB.",
                            where="file",
                            remedy="Split it, or ask the administrator for a higher limit.",
                        )
                    digest.update(chunk)
                    stream.write(chunk)
                stream.flush()
                os.fsync(stream.fileno())
            temporary.chmod(0o444)
            sha256 = digest.hexdigest()
            path = self.path(sha256)
            path.parent.mkdir(exist_ok=True)
            temporary.replace(path)
            _sync_folder(path.parent)
            _sync_folder(self.folder)
        except BaseException as error:
            if handle >= 0:
                temporary.unlink(missing_ok=True)
            if isinstance(error, OSError):
                what, remedy = disk_words(error)
                raise DiskError(
                    f"the file was not kept: {what}",
                    where="file",
                    remedy=f"{remedy} Send it again.",
                ) from error
            raise
        return Kept(sha256, size, path)


_OUT_OF_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_NOT_OURS = (errno.EROFS, errno.EACCES, errno.EPERM)


def disk_words(error: OSError) -> tuple[str, str]:
    """What is wrong with the server's disk, and what to do about it."""
    if error.errno in _OUT_OF_ROOM:
        return "the server's disk is full.", "Ask the administrator to make room on it."
    if error.errno in _NOT_OURS:
        return (
            "the server's folder can't be written to.",
            "Ask the administrator to check its permissions, and that its disk is not read-only.",
        )
    return (
        f"the server's disk failed: {error.strerror or type(error).__name__}.",
        "Ask the administrator to look at it.",
    )


def is_disk_fault(error: BaseException | None) -> bool:
    """Whether an error, or what caused it, is that nothing can be written."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in (*_OUT_OF_ROOM, *_NOT_OURS, errno.EIO):
            return True
        error = error.__cause__ or error.__context__
    return False


def _sync_folder(folder: Path) -> None:
    """Make sure that a rename in a folder outlives a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
