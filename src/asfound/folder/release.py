"""Releases of a job's folder: made, and made again to see that they come out the same."""

from __future__ import annotations

import hashlib
import platform
import tempfile
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from asfound import __version__
from asfound.errors import InputError
from asfound.folder.jobs import process_job
from asfound.folder.layout import JobFolder, open_job, plain_name
from asfound.folder.ledger import inputs_of, ledger_file, ledger_job, note, user_name
from asfound.folder.settings import read_settings
from asfound.store import Entry, SigningKey, open_store

if TYPE_CHECKING:
    from asfound.store.release import BuiltRelease

_LIBRARIES = ("numpy", "scipy", "pyproj", "shapely", "pyogrio", "ezdxf", "typst", "rasterio")


@dataclass(frozen=True)
class Reproduction:
    """A release's deliverables made again from what lies in it.

    Parameters
    ----------
    same, different, missing, extra : tuple of str
        Names under ``out/``: equal byte for byte; not equal; not made again; only made again.
    libraries : dict
        Libraries of another version than the release was made with: (then, now).
    """

    same: tuple[str, ...]
    different: tuple[str, ...]
    missing: tuple[str, ...]
    extra: tuple[str, ...]
    libraries: dict[str, tuple[str, str]]

    @property
    def complete(self) -> bool:
        """Whether every deliverable came out the same."""
        return not (self.different or self.missing or self.extra)


def _silent(step: str) -> None:
    """No one is watching."""


def release_job(
    path: Path,
    name: str,
    key: SigningKey,
    *,
    target: Path | None = None,
    who: str = "",
    progress: Callable[[str], None] = _silent,
) -> BuiltRelease:
    """Process a job as it stands, freeze it into a release, and note that in its ledger.

    Parameters
    ----------
    name : str
        Of the release, such as ``Issue A``.
    target : Path, optional
        The zip to write; left out: in the job's folder `releases/`.

    Raises
    ------
    InputError
        If there is a release of this name, or the job can't be processed or frozen.
    """
    folder = open_job(path)
    chosen = target or folder.path / "releases" / f"{plain_name(name)}.zip"
    if chosen.exists():
        raise InputError(
            "there is a release here already; a release never changes.",
            where=str(chosen),
            remedy="Choose another name: --name",
        )
    _, files = process_job(path, progress=progress)
    note(folder, who=who, processed=files)
    person = who.strip() or user_name()
    with closing(open_store(ledger_file(folder), journal="delete")) as store:
        job = ledger_job(store)
        progress("Freezing the release")
        built = freeze(folder, name, files, store.entries(job), key, chosen)
        try:
            inside = chosen.resolve().is_relative_to(folder.path.resolve())
            where = chosen.resolve().relative_to(folder.path.resolve()) if inside else chosen
            store.add_release(job, built.head, name, built.manifest_sha256, where.as_posix())
            store.append(job, person, "released", released_payload(built, name))
        except BaseException:
            # A release that the ledger doesn't know would be worse than none.
            chosen.unlink(missing_ok=True)
            raise
    return built


def freeze(
    folder: JobFolder,
    name: str,
    files: Sequence[Path],
    entries: Sequence[Entry],
    key: SigningKey,
    target: Path,
) -> BuiltRelease:
    """Write a release of a folder that has just been processed.

    Parameters
    ----------
    files : sequence of Path
        The deliverables under `out/`.
    entries : sequence of Entry
        The ledger up to the release's head.
    target : Path
        The zip to write.
    """
    from asfound.store.release import build_release

    settings = read_settings(folder)
    return build_release(
        target,
        name=name,
        title=settings.name + (" (invented demonstration data)" if settings.invented else ""),
        version=__version__,
        made_with=libraries(),
        inputs=inputs_of(folder),
        outputs={path.relative_to(folder.out).as_posix(): path for path in files},
        entries=entries,
        key=key,
    )


def released_payload(built: BuiltRelease, name: str) -> dict[str, object]:
    """What the ledger says of a release."""
    return {
        "name": name,
        "head": built.head.size,
        "manifest_sha256": built.manifest_sha256,
        "public_key": built.public_key,
        "signature": built.signature,
    }


def libraries() -> dict[str, str]:
    """Versions of what the deliverables' bytes depend on."""
    import pyogrio
    import pyproj

    found = {name: version(name) for name in _LIBRARIES}
    found["PROJ"] = pyproj.proj_version_str
    found["GDAL"] = pyogrio.__gdal_version_string__
    found["python"] = ".".join(platform.python_version_tuple()[:2])
    return found


def reproduce_release(path: Path, *, progress: Callable[[str], None] = _silent) -> Reproduction:
    """Make a release's deliverables again from the raw files and settings in it, and compare.

    Raises
    ------
    InputError
        If the release does not hold, or was made by another version of asfound.
    """
    from asfound.store.release_check import unpack_release, verify_release

    progress("Checking the release")
    check = verify_release(path)
    if not check.sound:
        raise InputError(
            f"the release does not hold: {check.faults[0]}.",
            where=str(path),
            remedy="Get it again from whoever made it.",
        )
    made_by = str(check.manifest["version"])
    if made_by != __version__:
        raise InputError(
            f"the release was made by asfound {made_by}, this is {__version__}.",
            where=str(path),
            remedy=f"Install that version to make it again: pip install asfound=={made_by}",
        )
    with tempfile.TemporaryDirectory(prefix="asfound-") as temporary:
        unpack_release(path, Path(temporary), only="job/")
        folder = JobFolder(Path(temporary) / "job")
        folder.grids.mkdir(exist_ok=True)
        _, files = process_job(folder.path, progress=progress)
        made = {
            f"out/{file.relative_to(folder.out).as_posix()}": hashlib.sha256(
                file.read_bytes()
            ).hexdigest()
            for file in files
        }
    released = {name: sha for name, sha in check.files.items() if name.startswith("out/")}
    both = sorted(released.keys() & made.keys())
    now = libraries()
    then = {str(k): str(v) for k, v in check.manifest.get("made_with", {}).items()}
    return Reproduction(
        same=tuple(name for name in both if released[name] == made[name]),
        different=tuple(name for name in both if released[name] != made[name]),
        missing=tuple(sorted(released.keys() - made.keys())),
        extra=tuple(sorted(made.keys() - released.keys())),
        libraries={
            name: (then.get(name, "none"), now.get(name, "none"))
            for name in sorted(then.keys() | now.keys())
            if then.get(name) != now.get(name)
        },
    )
