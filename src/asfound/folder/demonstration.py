"""The invented demonstration job, taken in as a user would take in their own files."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

from asfound.demo import RETURN_VISIT, generate
from asfound.errors import InputError
from asfound.files import write_whole
from asfound.folder.jobs import new_job
from asfound.folder.layout import JobFolder, open_job
from asfound.folder.stakeout import store_stakeout
from asfound.folder.uploads import add_upload

_MARK = Path("truth") / "INVENTED.txt"
_MADE = ("out", "asfound.sqlite")
"""What processing makes of a job: it can be made again."""


def build_demo(path: Path, seed: int, *, replace: bool = False) -> JobFolder:
    """Write the raw files to `incoming/`, the truth to `truth/`, and a job that holds them.

    An earlier demonstration job in the same folder is replaced if nobody worked on it.

    Parameters
    ----------
    path : Path
    seed : int
    replace : bool
        Replace a demonstration job with all the work that was done on it.

    Raises
    ------
    InputError
        If the folder holds something that is not a demonstration job, or one that was worked on.
    """
    if path.exists() and (not path.is_dir() or (any(path.iterdir()) and not _marked(path))):
        raise InputError(
            "there is something here that is not a demonstration job.",
            where=str(path),
            remedy="Choose a new folder.",
        )
    fresh = path.with_name(f".{path.name}.building")
    shutil.rmtree(fresh, ignore_errors=True)
    try:
        _build(fresh, seed)
        if not replace and (work := _work_on(path, fresh)):
            raise InputError(
                f"this demonstration job was worked on: {', '.join(work[:3])}"
                + (f" and {len(work) - 3} more files." if len(work) > 3 else "."),
                where=str(path),
                remedy=f"Process it as it is with 'asfound process {path}', choose another "
                "folder, or have it built anew with --replace.",
            )
        shutil.rmtree(path, ignore_errors=True)
        fresh.rename(path)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return open_job(path)


def _marked(path: Path) -> bool:
    return (path / _MARK).exists()


def _work_on(path: Path, fresh: Path) -> list[str]:
    """Files of a demonstration job that its making did not put there, or not like this."""
    if not path.is_dir():
        return []
    return [
        name.as_posix()
        for name in _files(path)
        if not (fresh / name).is_file() or _content(fresh / name) != _content(path / name)
    ]


def _files(path: Path) -> Iterator[Path]:
    for file in sorted(path.rglob("*")):
        name = file.relative_to(path)
        if file.is_file() and not name.parts[0].startswith(_MADE):
            yield name


def _content(file: Path) -> list[bytes]:
    """Lines of a file, without the time at which an upload was added."""
    lines = file.read_bytes().splitlines()
    if file.name == "upload.toml":
        lines = [line for line in lines if not line.startswith(b"added = ")]
    return lines


def _build(path: Path, seed: int) -> JobFolder:
    demo = generate(seed)
    folder = new_job(path, demo.settings)
    mark = path / _MARK
    write_whole(mark, b"Invented data for demonstration; no real place, person or company.\n")
    for name, data in demo.files.items():
        write_whole(path / "incoming" / name, data)
    for name, data in demo.truth_files().items():
        write_whole(path / "truth" / name, data)
    for upload in demo.uploads:
        add_upload(
            folder,
            path / "incoming" / upload.file,
            hints=upload.hints,
            track=path / "incoming" / upload.track if upload.track else None,
        )
    write_whole(folder.path / "digs.toml", demo.digs)
    store_stakeout(folder, RETURN_VISIT)
    return folder
