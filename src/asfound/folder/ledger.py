"""The ledger in a job's folder, `asfound.sqlite`: what was done, when and by whom.

The folder's files are what a user works on, by commands or with a text editor. `note` compares
them with what the ledger last said and appends an entry for every difference. So a change by hand
is noted by the next command, and a ledger that could not be written for once catches up: nothing
depends on each command getting through.
"""

from __future__ import annotations

import getpass
import os
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

from asfound import __version__
from asfound.errors import InputError
from asfound.files import read_bytes, sha256_of
from asfound.folder.decisions import Decided, list_decisions
from asfound.folder.layout import JobFolder
from asfound.folder.settings import read_settings
from asfound.folder.uploads import UploadRecord, list_uploads, mapping_file
from asfound.store import (
    BusyError,
    ConflictError,
    Entry,
    Fault,
    Head,
    LedgerCheck,
    NewEntry,
    Store,
    UnknownError,
    job_slug,
    open_store,
)

INPUT_FOLDERS = ("raw", "mappings", "grids", "digs", "records", "terrain")
"""What a job is made from, beside the TOML files in its folder."""

_LONGEST_TEXT = 2**20
_TRIES = 8


@dataclass
class _Known:
    """What a ledger says of a folder."""

    settings: str | None = None
    uploads: dict[str, str] = field(default_factory=dict)
    mappings: dict[str, str] = field(default_factory=dict)
    decisions: dict[str, dict[str, Any]] = field(default_factory=dict)
    undone: set[str] = field(default_factory=set)
    files: dict[str, str] = field(default_factory=dict)
    processed: dict[str, Any] | None = None
    changed: int = 0


def ledger_file(folder: JobFolder) -> Path:
    """Where the ledger lies."""
    return folder.path / "asfound.sqlite"


def note(
    folder: JobFolder,
    *,
    who: str = "",
    created: bool = False,
    processed: Sequence[Path] | None = None,
) -> list[Entry]:
    """Append to the ledger what has changed in a job's folder since its last entry.

    A folder without a ledger gets one, which begins with the hashes of all that is there.

    Parameters
    ----------
    who : str
        Who did it; the login's name if left out.
    created : bool
        The job was started just now.
    processed : sequence of Path, optional
        Files that processing has just written to `out/`.

    Returns
    -------
    entries : list of Entry
        What was appended; empty where nothing has changed.

    Raises
    ------
    AsfoundError
        If the ledger can't be written, or a file of the folder can't be read. The folder's
        files are as they were.
    """
    person = who.strip() or user_name()
    noted: list[Entry] = []
    with closing(_open(folder)) as store:
        for _ in range(_TRIES):
            try:
                _note(folder, store, person, created, processed, noted)
            except ConflictError:
                continue  # Someone else noted something meanwhile: look again.
            return noted
    raise BusyError(
        "others keep writing to the ledger.",
        where=str(ledger_file(folder)),
        remedy="The next command notes what is missing.",
    )


def read_ledger(folder: JobFolder) -> list[Entry]:
    """All entries of a job's ledger.

    Raises
    ------
    InputError
        If the folder has none yet.
    """
    with closing(_open_known(folder)) as store:
        return store.entries(ledger_job(store))


def verify_ledger(folder: JobFolder, *, heads: Sequence[Head] = ()) -> LedgerCheck:
    """Check a job's ledger, and the raw files that it names.

    Parameters
    ----------
    heads : sequence of Head
        Heads kept elsewhere, such as those of releases.

    Raises
    ------
    InputError
        If the folder has no ledger yet.
    """
    with closing(_open_known(folder)) as store:
        job = ledger_job(store)
        check = store.verify(job, heads=[head for head in heads if head.job == job])
        faults = list(check.faults)
        faults += [
            Fault(0, f"a release is of another ledger: {head.job!r}")
            for head in heads
            if head.job != job
        ]
        if not faults:
            faults += _raw_faults(folder, store.entries(job))
    return LedgerCheck(check.head, tuple(faults))


def inputs_of(folder: JobFolder) -> dict[str, Path]:
    """All files that a job's results are made from, by their names in its folder.

    These are the TOML files in it, what lies in `INPUT_FOLDERS`, and every other file in the
    job's folder that one of the TOML files names.
    """
    plans = [path for path in sorted(folder.path.glob("*.toml")) if path.is_file()]
    found = {path.name: path for path in plans}
    for name in INPUT_FOLDERS:
        for place, folders, files in os.walk(folder.path / name):
            folders[:] = [short for short in folders if not short.startswith(".")]
            for short in files:
                if not short.startswith(".") and not short.endswith(".draft.toml"):
                    path = Path(place, short)
                    found[path.relative_to(folder.path).as_posix()] = path
    for plan in plans:
        for word in _words_in(plan):
            path = folder.path / word
            if path.is_file() and path.resolve().is_relative_to(folder.path.resolve()):
                found[path.relative_to(folder.path).as_posix()] = path
    return dict(sorted(found.items()))


def _words_in(plan: Path) -> Iterator[str]:
    """Texts in a TOML file that may name a file of the job; none of one that can't be read."""
    try:
        waiting: list[Any] = [tomllib.loads(read_bytes(plan).decode("utf-8-sig"))]
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        return
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting += value.values()
        elif isinstance(value, list):
            waiting += value
        elif isinstance(value, str) and 0 < len(value) < 300 and "\0" not in value:
            plain = value.replace("\\", "/")
            parts = plain.split("/")
            # Nothing above the folder, and none of the files that stay at home.
            hidden = any(part.startswith(".") or not part for part in parts)
            if not hidden and not plain.endswith((".sqlite", ".pem")) and ":" not in plain:
                yield plain


def user_name() -> str:
    """The login's name."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def ledger_job(store: Store) -> str:
    """The id of the one job in a folder's ledger.

    Raises
    ------
    UnknownError
        If there is none.
    """
    jobs = store.list_jobs()
    if not jobs:
        raise UnknownError("the ledger is empty.", where=store.shown_url)
    return jobs[0].id


def _open(folder: JobFolder) -> Store:
    # One file and no companions, so that the folder can be copied at any time.
    return open_store(ledger_file(folder), journal="delete")


def _open_known(folder: JobFolder) -> Store:
    if not ledger_file(folder).is_file():
        raise InputError(
            "the job has no ledger yet.",
            where=str(folder.path),
            remedy=f"The next command that changes something starts it: "
            f"asfound process {folder.path}",
        )
    return _open(folder)


def _note(
    folder: JobFolder,
    store: Store,
    who: str,
    created: bool,
    processed: Sequence[Path] | None,
    noted: list[Entry],
) -> None:
    """Append what is missing, and put it into `noted` too."""
    settings = _text(folder.settings_file)
    jobs = store.list_jobs()
    if jobs:
        job = jobs[0].id
    else:
        title = read_settings(folder).name
        job = job_slug(title)
        action = "job-created" if created else "ledger-started"
        payload = {"settings": settings} if created else {"files": _hashes(folder)}
        noted.append(store.create_job(job, title, who, payload, action=action))
    entries = store.entries(job)
    known = _known(entries)
    size, changed = len(entries), known.changed
    for person, group in groupby(_changes(folder, known, settings), key=itemgetter(0)):
        new = [item for _, item in group]
        noted += store.append_many(job, person.strip() or who, new, expected_head=size)
        size += len(new)
        changed = size
    if processed is not None:
        payload = _processed_payload(folder, changed, processed)
        if payload != known.processed:  # The same again says nothing new.
            new = [NewEntry("processed", payload)]
            noted += store.append_many(job, who, new, expected_head=size)


def _processed_payload(folder: JobFolder, head: int, files: Sequence[Path]) -> dict[str, Any]:
    return {
        "head": head,
        "files": {path.relative_to(folder.out).as_posix(): sha256_of(path) for path in files},
        "version": __version__,
    }


def _known(entries: Sequence[Entry]) -> _Known:
    known = _Known()
    for entry in entries:
        body = entry.payload
        if entry.action not in ("processed", "released"):
            known.changed = entry.sequence
        match entry.action:
            case "job-created" | "settings-changed":
                known.settings = body["settings"]
            case "upload-added":
                known.uploads[body["sha256"]] = body["name"]
                known.mappings[body["sha256"]] = body["mapping"]
            case "upload-removed":
                known.uploads.pop(body["sha256"], None)
                known.mappings.pop(body["sha256"], None)
            case "mapping-changed":
                known.mappings[body["sha256"]] = body["mapping"]
            case "decision":
                known.decisions[body["id"]] = body
                known.undone.discard(body["id"])
            case "decision-undone":
                known.undone.add(body["id"])
            case "file-changed":
                known.files[body["path"]] = body["sha256"]
            case "file-removed":
                known.files.pop(body["path"], None)
            case "processed":
                known.processed = body
    return known


def _changes(folder: JobFolder, known: _Known, settings: str) -> Iterator[tuple[str, NewEntry]]:
    """Entries that bring what is known in line with the folder; who, where a file says so."""
    if settings != known.settings:
        yield "", NewEntry("settings-changed", {"settings": settings})
    yield from _upload_changes(folder, known)
    for item in list_decisions(folder):
        yield from _decision_changes(item, known)
    listed = {item.decision.id for item in list_decisions(folder)}
    for name in known.decisions:
        if name not in listed and name not in known.undone:
            why = "It stands no longer in decisions.toml."
            yield "", NewEntry("decision-undone", {"id": name, "why": why})
    yield from _file_changes(folder, known)


def _upload_changes(folder: JobFolder, known: _Known) -> Iterator[tuple[str, NewEntry]]:
    # Their hashes were checked when they were read; a ledger must not wait for that again.
    records = {record.sha256: record for record in list_uploads(folder, verify=False)}
    for sha256, name in known.uploads.items():
        if sha256 not in records:
            why = f"{name} lies no longer in raw/."
            yield "", NewEntry("upload-removed", {"sha256": sha256, "why": why})
    for sha256, record in records.items():
        path = mapping_file(folder, record.tag)
        mapping = _text(path) if path.is_file() else ""
        if sha256 not in known.uploads:
            yield "", NewEntry("upload-added", _upload_payload(record, mapping))
        elif mapping != known.mappings[sha256]:
            yield "", NewEntry("mapping-changed", {"sha256": sha256, "mapping": mapping})


def _upload_payload(record: UploadRecord, mapping: str) -> dict[str, Any]:
    payload: dict[str, Any] = {
        "sha256": record.sha256,
        "name": record.name,
        "size": record.size,
        "mapping": mapping,
        "tag": record.tag,
        "added": record.added,
        # It holds the hashes of all files that came with the main one.
        "facts_sha256": sha256_of(record.main.parent / "upload.toml"),
    }
    if record.track is not None:
        payload["track"] = {
            "sha256": sha256_of(record.track),
            "name": record.track.name,
            "size": record.track.stat().st_size,
        }
    return payload


def _decision_changes(item: Decided, known: _Known) -> Iterator[tuple[str, NewEntry]]:
    decision = item.decision
    payload = {
        "id": decision.id,
        "kind": decision.kind,
        "shots": [[key.upload, key.row] for key in decision.shots],
        "value": decision.value,
        "why": decision.why,
        "when": decision.when.isoformat(),
    }
    before = known.decisions.get(decision.id)
    undone = decision.id in known.undone
    if before is not None and before != payload and not undone:
        why = "It was changed by hand in decisions.toml."
        yield "", NewEntry("decision-undone", {"id": decision.id, "why": why})
    if before != payload or (undone and item.undone is None):
        yield decision.who, NewEntry("decision", payload)
        undone = False
    if item.undone is not None and not undone:
        why = item.undone.why
        yield item.undone.who, NewEntry("decision-undone", {"id": decision.id, "why": why})


def _file_changes(folder: JobFolder, known: _Known) -> Iterator[tuple[str, NewEntry]]:
    """Files that have no entries of their own kind."""
    present: dict[str, Path] = {
        name: path
        for name, path in inputs_of(folder).items()
        if name not in ("job.toml", "decisions.toml") and not name.startswith(("raw/", "mappings/"))
    }
    for name, path in present.items():
        data_hash = sha256_of(path)
        if known.files.get(name) != data_hash:
            payload: dict[str, Any] = {
                "path": name,
                "sha256": data_hash,
                "size": path.stat().st_size,
            }
            if path.suffix == ".toml" and payload["size"] <= _LONGEST_TEXT:
                payload["text"] = _text(path)
            yield "", NewEntry("file-changed", payload)
    for name in known.files:
        if name not in present:
            yield "", NewEntry("file-removed", {"path": name})


def _raw_faults(folder: JobFolder, entries: Sequence[Entry]) -> Iterator[Fault]:
    known = _known(entries)
    try:
        records = list_uploads(folder)
    except InputError as error:
        yield Fault(0, f"{error.where}: {error.what}")
        return
    present = {record.sha256: sha256_of(record.main.parent / "upload.toml") for record in records}
    facts = {
        entry.payload["sha256"]: entry.payload.get("facts_sha256")
        for entry in entries
        if entry.action == "upload-added"
    }
    for sha256, name in known.uploads.items():
        if sha256 not in present:
            yield Fault(0, f"the raw file {name} is missing from raw/, or was changed")
        elif facts[sha256] not in (None, present[sha256]):
            yield Fault(0, f"the record of {name}, upload.toml, was changed")


def _hashes(folder: JobFolder) -> dict[str, str]:
    return {name: sha256_of(path) for name, path in inputs_of(folder).items()}


def _text(path: Path) -> str:
    return read_bytes(path).decode("utf-8", "backslashreplace")
