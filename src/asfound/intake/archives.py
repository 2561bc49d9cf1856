"""Zip archives opened with care: nothing is written where a member's name says, nothing expands
without bound."""

from __future__ import annotations

import zipfile
from pathlib import Path, PurePosixPath
from typing import IO

from asfound.errors import InputError
from asfound.intake.limits import ARCHIVE_BYTES, ARCHIVE_MEMBERS, ARCHIVE_RATIO, MEBIBYTE
from asfound.intake.raw import Data, open_raw

_ASK_ANEW = "Pack the files anew, or give them unpacked."


class Archive:
    """A zip archive whose members were checked.

    Parameters
    ----------
    data : bytes or Path
    name : str

    Raises
    ------
    InputError
        If it is damaged, encrypted, has too many members, a member whose name points outside, or
        one that expands too far.
    """

    def __init__(self, data: Data, name: str) -> None:
        self._name = name
        self._stream = open_raw(data, where=name)
        try:
            self._zip = zipfile.ZipFile(self._stream)
            members = self._zip.infolist()
        except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, EOFError) as error:
            self._stream.close()
            raise InputError(
                f"the zip archive is damaged: {error}.", where=name, remedy="Fetch it again."
            ) from error
        try:
            self._check(members)
        except InputError:
            self.close()
            raise
        self._left = ARCHIVE_BYTES
        self.members = [info.filename for info in members if not info.is_dir()]

    def _check(self, members: list[zipfile.ZipInfo]) -> None:
        if len(members) > ARCHIVE_MEMBERS:
            self._refuse(f"it has {len(members)} members; at most {ARCHIVE_MEMBERS} are read.")
        if sum(info.file_size for info in members) > ARCHIVE_BYTES:
            self._refuse(f"it expands to more than {ARCHIVE_BYTES // MEBIBYTE} MiB.")
        for info in members:
            path = PurePosixPath(info.filename.replace("\\", "/"))
            if path.is_absolute() or ".." in path.parts or ":" in info.filename:
                self._refuse(f"a member's name points outside of it: {info.filename!r}.")
            if info.flag_bits & 1:
                self._refuse(f"member {info.filename!r} is encrypted.")
            ratio = info.file_size / max(info.compress_size, 1)
            if info.file_size > MEBIBYTE and ratio > ARCHIVE_RATIO:
                self._refuse(
                    f"member {info.filename!r} expands {ratio:.0f}-fold, as zip bombs do; at most "
                    f"{ARCHIVE_RATIO}-fold is read."
                )

    def _refuse(self, reason: str) -> None:
        raise InputError(f"the archive is refused: {reason}", where=self._name, remedy=_ASK_ANEW)

    def close(self) -> None:
        """Let go of the file."""
        self._zip.close()
        self._stream.close()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def with_suffix(self, suffix: str) -> list[str]:
        """Members with an ending, in lower case with the dot."""
        return sorted(m for m in self.members if m.lower().endswith(suffix))

    def read(self, member: str, limit: int) -> bytes:
        """Bytes of a member, never more than a limit."""
        pieces: list[bytes] = []
        self._copy(member, pieces.append, limit)
        return b"".join(pieces)

    def extract(self, member: str, target: Path) -> None:
        """Write a member to a place of our choosing."""
        with target.open("wb") as file:
            self._copy(member, file.write, ARCHIVE_BYTES)

    def _copy(self, member: str, write: object, limit: int) -> None:
        taken = 0
        try:
            with self._open(member) as source:
                while piece := source.read(MEBIBYTE):
                    taken += len(piece)
                    self._left -= len(piece)
                    # What the directory says of sizes may be a lie.
                    if taken > limit or self._left < 0:
                        self._refuse(f"member {member!r} expands to more than is read.")
                    write(piece)  # type: ignore[operator]
        except (zipfile.BadZipFile, EOFError, OSError, NotImplementedError, ValueError) as error:
            raise InputError(
                f"member {member!r} of the zip archive is damaged: {error}.",
                where=self._name,
                remedy="Fetch it again.",
            ) from error
        except (RuntimeError, zipfile.zlib.error) as error:  # type: ignore[attr-defined]
            raise InputError(
                f"member {member!r} of the zip archive can't be unpacked: {error}.",
                where=self._name,
                remedy=_ASK_ANEW,
            ) from error

    def _open(self, member: str) -> IO[bytes]:
        return self._zip.open(member)
