"""The invented demonstration job, taken in as a user would take in their own files."""

from __future__ import annotations

import shutil
from pathlib import Path

from asfound.demo import RETURN_VISIT, generate
from asfound.errors import InputError
from asfound.folder.jobs import new_job
from asfound.folder.layout import JobFolder, write_whole
from asfound.folder.stakeout import store_stakeout
from asfound.folder.uploads import add_upload


def build_demo(path: Path, seed: int) -> JobFolder:
    """Write the raw files to `incoming/`, the truth to `truth/`, and a job that holds them.

    An earlier demonstration job in the same folder is replaced; anything else is left alone.

    Raises
    ------
    InputError
        If the folder holds something that is not a demonstration job.
    """
    mark = path / "truth" / "INVENTED.txt"
    if path.exists() and (not path.is_dir() or (any(path.iterdir()) and not mark.exists())):
        raise InputError(
            "there is something here that is not a demonstration job.",
            where=str(path),
            remedy="Choose a new folder.",
        )
    shutil.rmtree(path, ignore_errors=True)
    demo = generate(seed)
    folder = new_job(path, demo.settings)
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
