"""Files taken into a job, read otherwise, taken out; shots posted one by one."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping as Dictionary
from collections.abc import Sequence
from typing import Any

from asfound.desk.actions.common import Done, after, reason
from asfound.desk.context import Desk
from asfound.desk.guard import Identity
from asfound.desk.posted import Group, PostedRow, batch_bytes, batch_mapping
from asfound.desk.problems import Refused
from asfound.desk.state import JobState, UploadState
from asfound.errors import InputError
from asfound.intake import Upload, mapping_from_toml, read_upload
from asfound.store import Entry, HeadMovedError, KeyReusedError, UnknownError
from asfound.store.canonical import canonical_json


def read_by(desk: Desk, sha256: str, name: str, mapping_text: str, *, track: str = "") -> Upload:
    """An upload read by a mapping, to see whether that works.

    Raises
    ------
    AsfoundError
        Whatever keeps it from being read.
    """
    mapping = mapping_from_toml(mapping_text, "mapping")
    if not desk.blobs.has(sha256):
        raise UnknownError(
            "this file is not on the server.", where="sha256", remedy="Upload it first."
        )
    return read_upload(
        desk.blobs.path(sha256),
        name,
        mapping,
        tag="A",
        source_index=0,
        track=desk.blobs.path(track) if track else None,
    )


def add_upload(
    desk: Desk,
    identity: Identity,
    job: str,
    sha256: str,
    name: str,
    mapping_text: str,
    *,
    track: tuple[str, str] | None = None,
    key: str | None = None,
) -> tuple[Done, Upload | None, bool]:
    """Take a file that is on the server into a job.

    Parameters
    ----------
    sha256, name : str
        Of the file, and as it was called.
    mapping_text : str
        TOML.
    track : (sha256, name), optional
        NMEA log that places readings without position.

    Returns
    -------
    done : Done
    upload : Upload or None
        As read; None where the bytes were known.
    known : bool
        The job has these bytes already; nothing was written.
    """
    name = display_name(name)
    first, head = _entry_of(desk, job, sha256)
    if first is not None:
        return Done(first), None, True
    upload = read_by(desk, sha256, name, mapping_text, track=track[0] if track else "")
    payload: dict[str, Any] = {
        "sha256": sha256,
        "name": name,
        "size": desk.blobs.path(sha256).stat().st_size,
        "mapping": mapping_text,
    }
    if track is not None:
        payload["track"] = {
            "sha256": track[0],
            "name": display_name(track[1]),
            "size": desk.blobs.path(track[0]).stat().st_size,
        }
    for tries in reversed(range(_MOST_TRIES)):
        try:
            entry = desk.store.append(
                job,
                identity.who,
                "upload-added",
                payload,
                key=key,
                # The last try is for a job that others write to without a pause.
                expected_head=head if tries else None,
            )
            break
        except HeadMovedError:
            # Someone may have added the same bytes meanwhile.
            first, head = _entry_of(desk, job, sha256)
            if first is not None:
                return Done(first), None, True
    for serial in {upload.source.receiver, *upload.shots.receiver.names} - {""}:
        _know_receiver(desk, serial)
    return after(desk, entry), upload, False


def _entry_of(desk: Desk, job: str, sha256: str) -> tuple[Entry | None, int]:
    """The entry that added an upload which counts, or None; and the head that is true of."""
    state = desk.state(job)
    known = state.upload(sha256)
    if known is None or known.removed:
        return None, state.head
    entries = desk.store.entries(job, actions=("upload-added", "batch-sealed"))
    return next(one for one in entries if one.payload.get("sha256") == sha256), state.head


def _know_receiver(desk: Desk, serial: str) -> None:
    try:
        desk.store.put_receiver(serial[:80])
    except InputError:
        return  # A cell that is no serial; the upload itself is fine.


def display_name(name: str) -> str:
    """A file's name for showing: its last part, on one line, of bearable length."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    shown = "".join(c if c.isprintable() else "_" for c in last).strip()
    shown = shown.encode("utf-8", "replace").decode()
    return shown[-120:] or "unnamed"


def find_upload(state: JobState, sha256: str) -> UploadState:
    """An upload of a job.

    Raises
    ------
    UnknownError
        If the job has none of these bytes.
    """
    upload = state.upload(sha256)
    if upload is None:
        raise UnknownError(
            "the job has no such upload.", where="sha256", remedy="The list of uploads has all."
        )
    return upload


def change_mapping(
    desk: Desk,
    identity: Identity,
    job: str,
    sha256: str,
    mapping_text: str,
    *,
    key: str | None = None,
) -> tuple[Done, Upload]:
    """Read an upload otherwise from now on.

    Raises
    ------
    AsfoundError
        If it can't be read that way; nothing is written.
    """
    known = find_upload(desk.state(job), sha256)
    track = known.track.sha256 if known.track else ""
    upload = read_by(desk, sha256, known.main.name, mapping_text, track=track)
    payload = {"sha256": sha256, "mapping": mapping_text}
    entry = desk.store.append(job, identity.who, "mapping-changed", payload, key=key)
    return after(desk, entry), upload


def remove_upload(
    desk: Desk, identity: Identity, job: str, sha256: str, why: str, *, key: str | None = None
) -> Done:
    """Let an upload count no more; its raw bytes stay on the server."""
    known = find_upload(desk.state(job), sha256)
    if known.removed:
        raise UnknownError(
            "the upload was taken out before.", where="sha256", remedy="Nothing is left to do."
        )
    payload = {"sha256": sha256, "why": reason(why)}
    return after(desk, desk.store.append(job, identity.who, "upload-removed", payload, key=key))


def post_shots(
    desk: Desk,
    identity: Identity,
    job: str,
    group: Group,
    rows: Sequence[Dictionary[str, Any]],
    *,
    key: str | None = None,
) -> tuple[Done, Upload]:
    """Take shots one by one, or a few at once, as a receiver sends them.

    They count when the job is processed next; how they read is told at once.

    Raises
    ------
    AsfoundError
        If the rows can't be read at all; one that is no shot is reported when processed.
    """
    if identity.receiver and identity.receiver != group.receiver:
        raise Refused(
            403,
            f"This token belongs to receiver {identity.receiver}.",
            "Send shots under the token's own serial.",
            "receiver",
        )
    posted = [PostedRow(1, row) for row in rows]
    mapping = mapping_from_toml(batch_mapping(group, posted), "shots")
    read = read_upload(batch_bytes(posted), "shots", mapping, tag="A", source_index=0)
    payload = {**group.body(), "rows": [dict(row) for row in rows]}
    entry = desk.store.append(job, identity.who, "shots-posted", payload, key=key)
    desk.store.touch_receiver(group.receiver)
    if len(desk.state(job).posted.get(group, ())) >= SEAL_AT:
        seal_batches(desk, job, least=SEAL_AT)
    return Done(entry), read


_MOST_TRIES = 20
WORKER = "desk"
"""As the ledger names the desk itself."""
SEAL_AT = 2000
"""So many posted shots of a group are frozen without waiting for processing."""


def seal_batches(desk: Desk, job: str, *, least: int = 1) -> None:
    """Freeze what was posted as uploads: bytes on disk first, then the entry.

    Parameters
    ----------
    least : int
        Leave groups of fewer shots for later.

    Notes
    -----
    Two who do this at once may see different ends of the same group. The key names the group and
    its first entry, so that only one of them is taken; what came later goes into the next batch.
    """
    for batch in desk.state(job).batches():
        if len(batch.rows) < least:
            continue
        body = batch.body()
        kept = desk.blobs.keep([batch.data()])
        group = hashlib.sha256(canonical_json(batch.group.body()).encode()).hexdigest()[:16]
        with contextlib.suppress(KeyReusedError):
            desk.store.append(
                job,
                WORKER,
                "batch-sealed",
                {**body, "sha256": kept.sha256, "size": kept.size},
                key=f"sealed-{group}-{body['first']}",
            )
