"""A job's state written out as the folder that the command line works on."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import tomli_w

from asfound.desk.blobs import Blobs
from asfound.desk.state import JobState, UploadState, dig_tree, with_dates
from asfound.errors import InputError
from asfound.files import write_whole
from asfound.folder import JobFolder, decisions_text, plain_name

_DIGS_HEAD = "# What will be dug and what was seen; lengths in metres in the job's frame.\n"
_STAKEOUT_HEAD = "# Stakeout lists: what to find again, for which correction service, when.\n"


def materialise(
    state: JobState, blobs: Blobs, path: Path, *, grids: Path | None = None
) -> JobFolder:
    """Write a state as a job's folder; what an earlier state left there is brought in line.

    Parameters
    ----------
    state : JobState
    blobs : Blobs
    path : Path
        Of the folder.
    grids : Path, optional
        Folder of geoid and shift grids that all jobs may use.

    Raises
    ------
    InputError
        If a raw file is missing, or the folder can't be written.
    """
    folder = JobFolder(path)
    for needed in (folder.raw, folder.grids, path / "mappings"):
        needed.mkdir(parents=True, exist_ok=True)
    write_whole(folder.settings_file, state.settings.encode())
    current = state.current
    wanted = {upload.tag for upload in current}
    for old in folder.raw.iterdir():
        if old.name not in wanted:
            shutil.rmtree(old)
    for upload in current:
        _write_upload(upload, blobs, folder)
        write_whole(path / "mappings" / f"{upload.tag}.toml", upload.mapping.encode())
    _write_or_remove(path / "digs.toml", _DIGS_HEAD, dig_tree(state.digs))
    _write_or_remove(
        path / "stakeout.toml",
        _STAKEOUT_HEAD,
        {"list": [with_dates(table) for table in state.stakeouts]} if state.stakeouts else {},
    )
    decisions = path / "decisions.toml"
    if state.decided:
        write_whole(decisions, decisions_text(state.decided).encode())
    else:
        decisions.unlink(missing_ok=True)
    if grids is not None and grids.is_dir():
        for grid in sorted(grids.iterdir()):
            if grid.is_file() and not (folder.grids / grid.name).exists():
                _link(grid, folder.grids / grid.name)
    return folder


def _write_or_remove(path: Path, head: str, tree: dict[str, Any]) -> None:
    if tree:
        write_whole(path, (head + tomli_w.dumps(tree)).encode())
    else:
        path.unlink(missing_ok=True)


def _write_upload(upload: UploadState, blobs: Blobs, folder: JobFolder) -> None:
    place = folder.raw / upload.tag
    place.mkdir(exist_ok=True)
    entries = []
    roles = [("main", upload.main)] + ([("track", upload.track)] if upload.track else [])
    for role, blob in roles:
        stored = plain_name(blob.name)
        if role == "track":
            stored = f"track-{stored}"
        if stored == "upload.toml":
            stored = "upload-file.toml"
        if not (place / stored).exists():
            source = blobs.path(blob.sha256)
            if not source.is_file():
                raise InputError(
                    f"the raw file of upload {upload.tag} is not on the server any more.",
                    where=blob.name,
                    remedy="Restore the folder 'blobs' from a backup.",
                )
            _link(source, place / stored)
        entries.append(
            {
                "role": role,
                "name": blob.name,
                "stored": stored,
                "sha256": blob.sha256,
                "size": blob.size,
            }
        )
    facts = {"tag": upload.tag, "added": f"{upload.added[:19]}Z", "file": entries}
    write_whole(place / "upload.toml", tomli_w.dumps(facts).encode())


def _link(source: Path, target: Path) -> None:
    """One more name for a file that never changes, or a copy where disks differ."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
