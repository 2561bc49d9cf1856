"""A release as a zip or as a folder: what is read of it, and how the zip is written."""

from __future__ import annotations

import os
import re
import stat
import struct
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from asfound.errors import InputError

MOST_FILES = 100_000
CHUNK = 2**20

_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
_SEGMENT = re.compile(r"[^/\\\x00-\x1f\x7f:*?\"<>|]{1,200}")


class RefusedError(Exception):
    """A package that is not looked into any further."""


# All that Python's reader of zips raises when bytes are not what they should be.
DAMAGE = (
    RefusedError,
    zipfile.BadZipFile,
    struct.error,
    EOFError,
    IndexError,
    KeyError,
    NotImplementedError,
    OSError,
    OverflowError,
    RuntimeError,
    ValueError,
)


class Package(Protocol):
    """What a check needs of a zip or a folder."""

    def names(self) -> list[str]:
        """Names of all files, sorted."""

    def open(self, name: str) -> BinaryIO:
        """A file to read from."""

    def faults(self) -> list[str]:
        """What is wrong beside the files themselves."""


class _Folder:
    def __init__(self, root: Path) -> None:
        self._root = root
        self._names: list[str] = []
        for place, folders, files in os.walk(root):
            for short in [*folders, *files]:
                full = Path(place, short)
                kind = full.lstat().st_mode
                if stat.S_ISREG(kind):
                    self._names.append(full.relative_to(root).as_posix())
                elif not stat.S_ISDIR(kind):
                    raise RefusedError(f"{full.relative_to(root)} is no plain file")
                if len(self._names) > MOST_FILES:
                    raise RefusedError("too many files")

    def names(self) -> list[str]:
        return sorted(self._names)

    def open(self, name: str) -> BinaryIO:
        return (self._root / name).open("rb")

    def faults(self) -> list[str]:
        return []


class _Zip:
    def __init__(self, path: Path, package: zipfile.ZipFile) -> None:
        self._path = path
        self._zip = package
        total = 0
        seen: set[str] = set()
        members = self._zip.infolist()
        if len(members) > MOST_FILES:
            raise RefusedError("too many files")
        for member in members:
            total += member.file_size
            if member.compress_type != zipfile.ZIP_STORED or (
                member.file_size != member.compress_size
            ):
                raise RefusedError(f"{member.filename!r} is compressed; a release never is")
            if member.flag_bits & 0x1:
                raise RefusedError(f"{member.filename!r} is encrypted")
            if member.filename.casefold() in seen:
                raise RefusedError(f"{member.filename!r} is there twice")
            seen.add(member.filename.casefold())
            if not _is_plain(member.filename):
                raise RefusedError(f"{member.filename!r} is no name of a release's file")
        if total > path.stat().st_size:
            raise RefusedError("its files would be larger than the zip")

    def names(self) -> list[str]:
        return sorted(self._zip.namelist())

    def open(self, name: str) -> BinaryIO:
        return self._zip.open(name)  # type: ignore[return-value]

    def faults(self) -> list[str]:
        """Written again from its files, the zip must be the same bytes."""

        def chunks(name: str) -> Iterator[bytes]:
            with self._zip.open(name) as source:
                while chunk := source.read(CHUNK):
                    yield chunk

        sizes = {member.filename: member.file_size for member in self._zip.infolist()}
        with tempfile.TemporaryFile() as again, self._path.open("rb") as original:
            write_zip(again, {name: (size, chunks(name)) for name, size in sizes.items()})
            again.seek(0)
            while True:
                one, other = again.read(CHUNK), original.read(CHUNK)
                if one != other:
                    return ["the zip itself was changed, beside the files in it"]
                if not one:
                    return []


@contextmanager
def opened(path: Path) -> Iterator[Package]:
    if path.is_dir():
        yield _Folder(path)
        return
    with zipfile.ZipFile(path) as package:
        yield _Zip(path, package)


def _is_plain(name: str) -> bool:
    segments = name.split("/")
    return len(name) <= 1000 and all(
        _SEGMENT.fullmatch(part) and part not in (".", "..") and part == part.strip()
        for part in segments
    )


def plain_member(name: str) -> str:
    if not _is_plain(name):
        raise InputError(
            f"a file named {name!r} can't go into a release.",
            where=name,
            remedy="Rename it: no slashes backwards, colons or control characters.",
        )
    return name


def write_zip(stream: Any, files: Mapping[str, tuple[int, Iterator[bytes]]]) -> None:
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as package:
        for name in sorted(files):
            size, chunks = files[name]
            member = zipfile.ZipInfo(name, _ZIP_TIME)
            member.create_system = 3
            member.external_attr = (stat.S_IFREG | 0o644) << 16
            member.file_size = size
            with package.open(member, "w") as out:
                for chunk in chunks:
                    out.write(chunk)
