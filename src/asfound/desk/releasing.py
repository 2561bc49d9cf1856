"""Releases: the results as they stand, frozen with all they were made from, and signed."""

from __future__ import annotations

import importlib.metadata
import re
import secrets
from pathlib import Path
from typing import Any

from starlette.responses import FileResponse, Response

from asfound import __version__
from asfound.desk.context import Desk, not_processed
from asfound.desk.guard import Identity
from asfound.desk.materialise import materialise
from asfound.desk.state import fold
from asfound.errors import InputError
from asfound.store import ConflictError, Released, UnknownError
from asfound.store.release import build_release, head_at

MADE_WITH = ("numpy", "scipy", "pyproj", "shapely")


def release_job(desk: Desk, identity: Identity, job: str, name: str) -> Released:
    """Make a release of a job.

    Raises
    ------
    ConflictError
        If something is not processed yet, or the name is taken.
    InputError
        If the name can't be used.
    """
    name = " ".join(name.split())
    if not name:
        raise InputError("the release has no name.", where="name", remedy="Give it one.")
    found, state = desk.store.job(job), desk.state(job)
    if state.processed is None:
        raise not_processed()
    places = desk.places(job)
    if not state.up_to_date or state.batches() or not places.out.is_dir():
        raise ConflictError(
            "something was changed since the job was processed last.",
            where="job",
            remedy="Process the job, look at the results, then release them.",
        )
    if any(one.name == name for one in desk.store.list_releases(job)):
        raise ConflictError(
            f"the job has a release '{name}' already.",
            where="name",
            remedy="Choose another name; a release never changes.",
        )
    head = state.processed_at
    entries = desk.store.entries(job, before=head + 1)
    inputs_folder = places.folder / f"release-{secrets.token_hex(6)}"
    try:
        materialise(fold(entries), desk.blobs, inputs_folder, grids=desk.config.grids)
        key = desk.store.signing_key
        if key is None:
            raise InputError("the desk has no key to sign with.", remedy="Tell the administrator.")
        built = build_release(
            desk.config.releases / f"{job}-{head}-{secrets.token_hex(6)}.zip",
            name=name,
            title=found.title,
            version=__version__,
            made_with={one: importlib.metadata.version(one) for one in MADE_WITH},
            inputs=_files(inputs_folder),
            outputs={short: places.out / short for short in state.processed["files"]},
            entries=entries,
            key=key,
        )
    finally:
        _remove(inputs_folder)
    # The ledger first: broken off here, the same release is found again and put on file.
    desk.store.append(
        job,
        identity.who,
        "released",
        {
            "name": name,
            "head": head,
            "manifest_sha256": built.manifest_sha256,
            "public_key": built.public_key,
            "signature": built.signature,
        },
        key=f"released-{built.manifest_sha256}",
    )
    return desk.store.add_release(
        job, head_at(entries, head), name, built.manifest_sha256, built.path.name
    )


def _files(folder: Path) -> dict[str, Path]:
    return {
        path.relative_to(folder).as_posix(): path
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _remove(folder: Path) -> None:
    import shutil

    shutil.rmtree(folder, ignore_errors=True)


def release_body(desk: Desk, released: Released) -> dict[str, Any]:
    """A release as the API says it."""
    return {
        "id": released.id,
        "name": released.name,
        "head": released.head,
        "root": released.root,
        "manifest_sha256": released.manifest_sha256,
        "created": released.created.isoformat(),
        "check": f"{desk.config.public_address}/check/{released.id}",
        "package": f"/api/v1/jobs/{released.job}/releases/{released.id}/package",
    }


def package_path(desk: Desk, released: Released) -> Path:
    """Where a release's zip lies.

    Raises
    ------
    UnknownError
        If it is gone.
    """
    path = desk.config.releases / Path(released.path).name
    if not path.is_file():
        raise UnknownError(
            "the package of this release is not on the server any more.",
            where="release",
            remedy="Ask for it to be restored from a backup.",
        )
    return path


def package_of(desk: Desk, released: Released) -> Response:
    """A release's zip as a download."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", f"{released.job}-{released.name}").strip("-.")
    return FileResponse(
        package_path(desk, released),
        media_type="application/zip",
        filename=f"{plain or 'release'}.zip",
        headers={"ETag": f'"{released.manifest_sha256}"'},
    )
