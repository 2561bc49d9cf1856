"""A whole desk checked: every job's ledger, the raw files it names, the releases it gave away."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from asfound.desk.blobs import Blobs
from asfound.desk.config import DeskConfig
from asfound.errors import AsfoundError, InputError
from asfound.store import Fault, Head, LedgerCheck, Store, open_store, read_key
from asfound.store.release_check import verify_release


@dataclass(frozen=True)
class JobCheck:
    """What a check of one job found.

    Parameters
    ----------
    job : str
    ledger : LedgerCheck
        Its faults are also those of raw files and releases.
    files, releases : int
        Raw files and releases that were looked at.
    """

    job: str
    ledger: LedgerCheck
    files: int
    releases: int


def is_desk(path: Path) -> bool:
    """Whether a folder is a desk's, not a job's."""
    return (path / "blobs").is_dir() and (path / "keys").is_dir()


def verify_desk(config: DeskConfig, *, heads: Sequence[Head] = ()) -> list[JobCheck]:
    """Check all jobs of a desk; it may run meanwhile.

    Parameters
    ----------
    config : DeskConfig
    heads : sequence of Head
        Heads kept elsewhere, such as those of releases.

    Raises
    ------
    AsfoundError
        If the folder is no desk's, or its database can't be read at all.
    """
    if not is_desk(config.data):
        raise InputError(
            "this is no folder of a desk.",
            where=str(config.data),
            remedy="Name the folder that the desk was started with (--data).",
        )
    key = read_key(config.signing_key)
    with closing(open_store(config.database_address, signing_key=key, migrate=False)) as store:
        jobs = [job.id for job in store.list_jobs()]
        lost = sorted({head.job for head in heads} - set(jobs))
        checks = [_verify_job(config, store, job, heads) for job in jobs]
        checks += [
            JobCheck(job, LedgerCheck(Head(job, 0, ""), (Fault(0, "this job is missing"),)), 0, 0)
            for job in lost
        ]
        return checks


def _verify_job(config: DeskConfig, store: Store, job: str, heads: Sequence[Head]) -> JobCheck:
    check = store.verify(job, heads=[head for head in heads if head.job == job])
    faults, files, releases = list(check.faults), 0, 0
    try:
        blobs, seen = Blobs(config.blobs), set()
        for entry in store.entries(job, actions=("upload-added", "batch-sealed")):
            for one in (entry.payload, entry.payload.get("track") or {}):
                sha256, name = str(one.get("sha256", "")), str(one.get("name", ""))
                if not sha256 or sha256 in seen:
                    continue
                seen.add(sha256)
                files += 1
                faults += [
                    Fault(entry.sequence, f"its raw file {name} {wrong}")
                    for wrong in _file_faults(blobs.path(sha256), sha256)
                ]
        for released in store.list_releases(job):
            releases += 1
            package = config.releases / Path(released.path).name
            if not package.is_file():
                faults.append(Fault(0, f"the package of release {released.name} is missing"))
                continue
            found = verify_release(package)
            faults += [Fault(0, f"release {released.name}: {wrong}") for wrong in found.faults]
            if found.files.get("manifest.json") not in (None, released.manifest_sha256):
                faults.append(Fault(0, f"release {released.name} is another than was signed"))
    except (AsfoundError, ValueError, KeyError, TypeError, AttributeError) as error:
        # What can't even be read is damaged; the ledger's own faults say where, if they can.
        faults.append(Fault(0, f"can't be read: {error}"))
    return JobCheck(job, LedgerCheck(check.head, tuple(faults)), files, releases)


def _file_faults(path: Path, sha256: str) -> list[str]:
    try:
        with path.open("rb") as stream:
            same = hashlib.file_digest(stream, "sha256").hexdigest() == sha256
    except FileNotFoundError:
        return ["is missing"]
    except OSError as error:
        return [f"can't be read: {error.strerror or error}"]
    return [] if same else ["was changed"]
