"""A job's state, folded from its ledger: settings, uploads, decisions, digs, stakeout lists.

Pure: the same entries give the same state, and a state written out (`asfound.desk.materialise`)
is the folder that a user of the command line would have.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from asfound.desk.posted import Group, PostedRow, batch_bytes, batch_mapping
from asfound.folder import Decided, Undone, tag_of
from asfound.model import Decision, ShotKey
from asfound.store import Entry

SINGLE_KINDS = ("require", "advice")
"""Kinds of `digs.toml` of which there is one table."""
DIG_KINDS = ("trench", "bore", "pit", "post", "exposure", "record", "searched", *SINGLE_KINDS)
DATE_KEYS = ("when", "day")
"""Keys whose values are days: texts in JSON, dates in TOML."""

Table = dict[str, Any]


@dataclass(frozen=True)
class Blob:
    """A file as it was received."""

    sha256: str
    name: str
    size: int


@dataclass(frozen=True)
class UploadState:
    """An upload of a job.

    Parameters
    ----------
    tag : str
        A, B, ... in the order of adding; never given to another upload.
    main : Blob
    mapping : str
        TOML text.
    added, who : str
        Time and person of the entry.
    track : Blob or None
        NMEA log that places readings without position.
    removed : str
        Why it was taken out; empty while it counts.
    posted : str
        Serial of the receiver whose posted shots these are; empty for files.
    """

    tag: str
    main: Blob
    mapping: str
    added: str
    who: str
    track: Blob | None = None
    removed: str = ""
    posted: str = ""


@dataclass(frozen=True)
class Batch:
    """Posted shots that are to be frozen as one upload."""

    group: Group
    rows: tuple[PostedRow, ...]

    def body(self) -> dict[str, Any]:
        """What a ``batch-sealed`` entry says, save the hash and size of the bytes."""
        first, last = self.rows[0].sequence, self.rows[-1].sequence
        name = f"posted-{self.group.receiver}-{first}-{last}.csv"
        return {**self.group.body(), "first": first, "last": last, "name": name}

    def data(self) -> bytes:
        """The bytes of the upload."""
        return batch_bytes(self.rows)

    def mapping(self) -> str:
        """Its mapping, as TOML."""
        return batch_mapping(self.group, self.rows)


@dataclass(frozen=True)
class JobState:
    """What a job is after `head` entries.

    Parameters
    ----------
    job : str
    head : int
    settings : str
        Text of `job.toml`.
    uploads : tuple of UploadState
        Removed ones too.
    posted : dict of Group to tuple of PostedRow
        Posted and not yet frozen.
    decided : tuple of Decided
    digs : dict of str to list of dict
        By kind, the tables of `digs.toml` in metres.
    stakeouts : tuple of dict
        Tables of `stakeout.toml`.
    processed : dict or None
        Payload of the last ``processed`` entry.
    processed_at : int
        Its sequence.
    changed_at : int
        Sequence of the last entry that changed what processing gives.
    """

    job: str = ""
    head: int = 0
    settings: str = ""
    uploads: tuple[UploadState, ...] = ()
    posted: Mapping[Group, tuple[PostedRow, ...]] = field(default_factory=dict)
    decided: tuple[Decided, ...] = ()
    digs: Mapping[str, tuple[Table, ...]] = field(default_factory=dict)
    stakeouts: tuple[Table, ...] = ()
    processed: Mapping[str, Any] | None = None
    processed_at: int = 0
    changed_at: int = 0

    @property
    def up_to_date(self) -> bool:
        """Whether the last results are of everything that was done since."""
        return self.processed is not None and int(self.processed["head"]) >= self.changed_at

    @property
    def current(self) -> tuple[UploadState, ...]:
        """Uploads that count."""
        return tuple(upload for upload in self.uploads if not upload.removed)

    def upload(self, sha256: str) -> UploadState | None:
        """An upload by the hash of its bytes; removed ones too."""
        return next((one for one in self.uploads if one.main.sha256 == sha256), None)

    def batches(self) -> tuple[Batch, ...]:
        """What is posted and not yet frozen, one upload a group."""
        return tuple(Batch(group, rows) for group, rows in sorted(self.posted.items()) if rows)


def fold(entries: Iterable[Entry], start: JobState | None = None) -> JobState:
    """The state of a job after entries.

    Parameters
    ----------
    entries : iterable of Entry
        In the order of their sequence.
    start : JobState, optional
        State before the first of them.

    Returns
    -------
    state : JobState
        Entries of actions that say nothing of the state (``processed``, ``released`` and such
        as a later version may write) only move its head.
    """
    state = start or JobState()
    for entry in entries:
        step = _STEPS.get(entry.action)
        if step is not None:
            state = step(state, entry)
        changed = state.changed_at if entry.action in QUIET_ACTIONS else entry.sequence
        state = replace(state, job=entry.job, head=entry.sequence, changed_at=changed)
    return state


def _settings(state: JobState, entry: Entry) -> JobState:
    return replace(state, settings=str(entry.payload["settings"]))


def _upload_added(state: JobState, entry: Entry) -> JobState:
    body = entry.payload
    main = Blob(str(body["sha256"]), str(body["name"]), int(body["size"]))
    track = body.get("track")
    return _with_upload(
        state,
        entry,
        main,
        str(body["mapping"]),
        None if track is None else Blob(str(track["sha256"]), str(track["name"]), track["size"]),
    )


def _with_upload(
    state: JobState,
    entry: Entry,
    main: Blob,
    mapping: str,
    track: Blob | None = None,
    posted: str = "",
) -> JobState:
    known = state.upload(main.sha256)
    if known is not None:
        # The same bytes again: taken out before, they come back under their tag.
        return _changed(state, replace(known, mapping=mapping, track=track, removed=""))
    upload = UploadState(
        tag_of(len(state.uploads)), main, mapping, entry.time, entry.who, track, "", posted
    )
    return replace(state, uploads=(*state.uploads, upload))


def _changed(state: JobState, upload: UploadState) -> JobState:
    sha256 = upload.main.sha256
    return replace(
        state,
        uploads=tuple(upload if one.main.sha256 == sha256 else one for one in state.uploads),
    )


def _mapping_changed(state: JobState, entry: Entry) -> JobState:
    known = state.upload(str(entry.payload["sha256"]))
    if known is None:
        return state
    return _changed(state, replace(known, mapping=str(entry.payload["mapping"])))


def _upload_removed(state: JobState, entry: Entry) -> JobState:
    known = state.upload(str(entry.payload["sha256"]))
    if known is None:
        return state
    return _changed(state, replace(known, removed=str(entry.payload["why"])))


def _shots_posted(state: JobState, entry: Entry) -> JobState:
    group = Group.of(entry.payload)
    rows = tuple(PostedRow(entry.sequence, values) for values in entry.payload["rows"])
    return replace(state, posted={**state.posted, group: (*state.posted.get(group, ()), *rows)})


def _batch_sealed(state: JobState, entry: Entry) -> JobState:
    body, group = entry.payload, Group.of(entry.payload)
    waiting = state.posted.get(group, ())
    frozen = tuple(row for row in waiting if row.sequence <= int(body["last"]))
    if not frozen:
        return state
    left = tuple(row for row in waiting if row.sequence > int(body["last"]))
    main = Blob(str(body["sha256"]), str(body["name"]), int(body["size"]))
    state = replace(state, posted={**state.posted, group: left})
    return _with_upload(state, entry, main, batch_mapping(group, frozen), posted=group.receiver)


def _decision(state: JobState, entry: Entry) -> JobState:
    body = entry.payload
    decision = Decision(
        id=str(body["id"]),
        kind=str(body["kind"]),
        shots=tuple(ShotKey(str(sha256), int(row)) for sha256, row in body["shots"]),
        who=entry.who,
        when=entry.moment.replace(microsecond=0),
        why=str(body["why"]),
        value=str(body.get("value") or ""),
    )
    if any(item.decision.id == decision.id for item in state.decided):
        return state
    return replace(state, decided=(*state.decided, Decided(decision)))


def _decision_undone(state: JobState, entry: Entry) -> JobState:
    undone = Undone(entry.who, entry.moment.replace(microsecond=0), str(entry.payload["why"]))
    return replace(
        state,
        decided=tuple(
            replace(item, undone=undone)
            if item.decision.id == entry.payload["id"] and item.undone is None
            else item
            for item in state.decided
        ),
    )


def called(table: Mapping[str, Any]) -> str:
    """What a table of `digs.toml` is known by: its name, or what it is based on."""
    return str(table.get("name") or table.get("basis") or "")


def dig_tree(digs: Mapping[str, Iterable[Mapping[str, Any]]]) -> Table:
    """Digs as the tree of a `digs.toml`.

    Raises
    ------
    ValueError
        If a day in it is none.
    """
    tree: Table = {}
    for kind, tables in sorted(digs.items()):
        made = [with_dates(table) for table in tables]
        if made:
            tree[kind] = made[-1] if kind in SINGLE_KINDS else made
    return tree


def _dig_drawn(state: JobState, entry: Entry) -> JobState:
    kind, table = str(entry.payload["kind"]), dict(entry.payload["table"])
    kept = [one for one in state.digs.get(kind, ()) if called(one) != called(table)]
    return replace(state, digs={**state.digs, kind: (*kept, table)})


def _dig_removed(state: JobState, entry: Entry) -> JobState:
    kind, name = str(entry.payload["kind"]), entry.payload["name"]
    kept = tuple(one for one in state.digs.get(kind, ()) if called(one) != name)
    return replace(state, digs={**state.digs, kind: kept})


def _stakeout_chosen(state: JobState, entry: Entry) -> JobState:
    name = str(entry.payload["name"])
    kept = [one for one in state.stakeouts if str(one.get("name")).casefold() != name.casefold()]
    table = entry.payload["table"]
    added = [] if table is None else [{**table, "name": name}]
    return replace(state, stakeouts=(*kept, *added))


def _processed(state: JobState, entry: Entry) -> JobState:
    return replace(state, processed=entry.payload, processed_at=entry.sequence)


QUIET_ACTIONS = ("processed", "released")
"""Actions that don't change what processing would give."""

_STEPS: dict[str, Callable[[JobState, Entry], JobState]] = {
    "job-created": _settings,
    "settings-changed": _settings,
    "upload-added": _upload_added,
    "mapping-changed": _mapping_changed,
    "upload-removed": _upload_removed,
    "shots-posted": _shots_posted,
    "batch-sealed": _batch_sealed,
    "decision": _decision,
    "decision-undone": _decision_undone,
    "dig-drawn": _dig_drawn,
    "dig-removed": _dig_removed,
    "stakeout-chosen": _stakeout_chosen,
    "processed": _processed,
}


def with_dates(table: Mapping[str, Any]) -> Table:
    """A table of JSON values with the days it holds as dates, as TOML has them.

    Raises
    ------
    ValueError
        If one is no day.
    """
    made: Table = {}
    for key, value in table.items():
        if value is None:
            continue
        if key in DATE_KEYS and isinstance(value, str):
            value = date.fromisoformat(value)
        made[key] = value
    return made
