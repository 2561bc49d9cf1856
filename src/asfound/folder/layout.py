"""Where things lie in a job's folder."""

from __future__ import annotations

import re
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
