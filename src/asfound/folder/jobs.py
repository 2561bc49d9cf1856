"""Starting, reading and processing a job on disk."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from asfound.deliver import write_outputs
from asfound.deliver.stakeout_files import list_endings
from asfound.errors import AsfoundError, InputError
from asfound.files import write_whole
from asfound.folder.layout import JobFolder, open_job
from asfound.folder.plan import read_plan
from asfound.folder.settings import read_settings, settings_text
from asfound.folder.uploads import list_uploads, read_record
from asfound.geodesy import job_grid, to_ground
from asfound.intake import Upload, join_uploads
from asfound.job import process
from asfound.model import Intake, JobSettings, Plan, Results

_GITIGNORE = b"out/\n"
_SAMPLE = 200


def _silent(step: str) -> None:
    """No one is watching."""


def new_job(path: Path, settings: JobSettings) -> JobFolder:
    """Start a job: a folder with `job.toml`, `raw/` and `grids/`.

    Raises
    ------
    InputError
        If the folder already holds a job, or something else.
    FrameError
        If the job's frame is unknown or can't be drawn in.
    """
    # The geoid's grid can only be put into the folder once there is one.
    flat = replace(settings.frame, geoid="", height_kind="ellipsoidal")
    job_grid(flat, None, (), where="the job's frame")
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(
            "there is something here already; a job wants a new or empty folder.",
            where=str(path),
            remedy="Choose another name.",
        )
    folder = JobFolder(path)
    try:
        folder.raw.mkdir(parents=True)
        folder.grids.mkdir()
    except OSError as error:
        raise InputError(
            f"can't make the folder: {error.strerror or error}.",
            where=str(path),
            remedy="Check the name and the permissions.",
        ) from error
    write_whole(path / ".gitignore", _GITIGNORE)
    write_whole(folder.settings_file, settings_text(settings).encode())
    return folder


class NoShotsError(InputError):
    """Not one row of a job is a shot; `intake` says why of each."""

    def __init__(self, where: str, intake: Intake) -> None:
        reported = sum(account.reported for account in intake.accounts)
        super().__init__(
            f"no row of the uploads is a shot; {reported} rows were reported.",
            where=where,
            remedy="Mend what the reports name, in the mapping or in the receiver's export.",
        )
        self.intake = intake


def frame_trouble(folder: JobFolder, upload: Upload) -> AsfoundError | None:
    """What would keep an upload's positions from the job's frame, found out when it is added.

    Returns
    -------
    trouble : AsfoundError or None
    """
    sample = np.arange(0, len(upload.shots), max(1, len(upload.shots) // _SAMPLE))
    shots = upload.shots.take(sample)
    shots = replace(shots, source=np.zeros(len(shots), np.int16))
    try:
        if len(shots):
            to_ground(shots, (upload.source,), read_settings(folder))
    except AsfoundError as trouble:
        return trouble
    return None


def read_intake(folder: JobFolder, *, progress: Callable[[str], None] = _silent) -> Intake:
    """All uploads of a job, read by their mappings.

    Raises
    ------
    InputError
        If there is no upload, or one can't be read.
    """
    records = list_uploads(folder)
    if not records:
        raise InputError(
            "the job has no uploads yet.",
            where=str(folder.path),
            remedy=f"Add the receiver's files: asfound add {folder.path} FILE",
        )
    uploads = []
    for index, record in enumerate(records):
        progress(f"Reading upload {record.tag}, {record.name}")
        uploads.append(read_record(folder, record, index))
    return join_uploads(uploads)


def run_job(
    path: Path,
    *,
    progress: Callable[[str], None] = _silent,
    change: Callable[[Plan], Plan] | None = None,
) -> Results:
    """Process a job's raw files without writing anything.

    Parameters
    ----------
    path : Path
    progress : callable
        Told the name of each step as it starts.
    change : callable, optional
        What to make of the job's plan this once, such as other digs; nothing is stored.

    Raises
    ------
    AsfoundError
        Whatever keeps the job from being processed.
    """
    folder = open_job(path)
    settings = read_settings(folder)
    intake = read_intake(folder, progress=progress)
    if not len(intake.shots) and not intake.sweeps:
        raise NoShotsError(str(path), intake)
    plan = read_plan(folder)
    return process(intake, settings, change(plan) if change else plan, progress=progress)


def process_job(
    path: Path, *, progress: Callable[[str], None] = _silent
) -> tuple[Results, tuple[Path, ...]]:
    """Process a job and write its results to `out/`.

    Returns
    -------
    results : Results
    files : tuple of Path
    """
    results = run_job(path, progress=progress)
    files = write_outputs(results, JobFolder(path).out, progress=progress)
    _drop_stale_lists(results, JobFolder(path).out)
    return results, files


def _drop_stale_lists(results: Results, out: Path) -> None:
    """Take away the files of lists that can't be made any more: nobody may walk an old one."""
    for made in results.stakeouts:
        if made.targets is None:
            for ending in list_endings():
                (out / "stakeout" / f"{made.request.name}.{ending}").unlink(missing_ok=True)
