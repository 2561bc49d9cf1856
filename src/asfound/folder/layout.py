"""Where things lie in a job's folder."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

from asfound.errors import InputError

_NOT_PLAIN = re.compile(r"[^A-Za-z0-9._-]+")


@dataclass(frozen=True)
class JobFolder:
    """A job on disk: `job.toml`, `raw/` (files as received), `grids/`, `out/` (results)."""

    path: Path

    @property
    def settings_file(self) -> Path:
        return self.path / "job.toml"

    @property
    def raw(self) -> Path:
        return self.path / "raw"

    @property
    def grids(self) -> Path:
        return self.path / "grids"

    @property
    def out(self) -> Path:
        return self.path / "out"


def open_job(path: Path) -> JobFolder:
    """The job in a folder.

    Raises
    ------
    InputError
        If there is no `job.toml` in it.
    """
    folder = JobFolder(path)
    if not folder.settings_file.is_file():
        raise InputError(
            "This folder holds no job: it has no job.toml.",
            where=str(path),
            remedy=f"Give the job's folder, or start one with: asfound new {path}",
        )
    return folder


def plain_name(name: str) -> str:
    """A file name that is safe on any disk: letters, digits, dot, dash, underscore.

    Whatever stands before the last slash or backslash is dropped, so that no name can point
    outside the folder it is written to.
    """
    last = re.split(r"[/\\]", name)[-1]
    plain = _NOT_PLAIN.sub("_", last).strip("._")
    return plain[-80:] or "unnamed"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file completely or not at all: to a temporary name beside it, then rename.

    Raises
    ------
    InputError
        If the folder can't be written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
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
        raise InputError(
            f"can't be read: {error.strerror or error}.",
            where=str(path),
            remedy="Check the name and the permissions.",
        ) from error
