"""Entries of a ledger: how one is hashed and chained, and how a ledger is checked.

An entry's canonical JSON (RFC 8785) names its job, sequence, time, who, action, payload, the
client's key and the hash of the entry before. Its hash is that of an RFC 6962 leaf, so that one
value serves the chain and the Merkle tree. Nothing here touches a database.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

from asfound.errors import InputError
from asfound.store.canonical import canonical_json, read_json
from asfound.store.merkle import grow, leaf_hash, root_of_peaks

FIRST_PREVIOUS = "0" * 64
_TIME_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"


@dataclass(frozen=True)
class Entry:
    """One entry of a job's ledger, as it is stored.

    Parameters
    ----------
    job : str
        The job's id.
    sequence : int
        1 for a job's first entry.
    time : str
        When it was taken, such as ``2026-11-25T16:00:00.000000Z``.
    who : str
        User, or label of the token, that acted.
    action : str
        What was done, such as ``upload-added``.
    payload_json : str
        What belongs to it, canonical JSON of an object.
    previous : str
        Hash of the entry before; 64 zeros for the first.
    hash : str
        SHA-256 of 0x00 and `line`, hexadecimal.
    key : str, optional
        The client's key under which it was sent.
    """

    job: str
    sequence: int
    time: str
    who: str
    action: str
    payload_json: str
    previous: str
    hash: str
    key: str | None = None

    @cached_property
    def payload(self) -> dict[str, Any]:
        """The payload as a dict."""
        value: dict[str, Any] = read_json(self.payload_json)
        return value

    def body(self) -> dict[str, Any]:
        """What machines are told of it; the job is known from where it was asked for."""
        return {
            "sequence": self.sequence,
            "time": self.time,
            "who": self.who,
            "action": self.action,
            "payload": self.payload,
            "previous": self.previous,
            "hash": self.hash,
            "key": self.key,
        }

    @property
    def moment(self) -> datetime:
        """`time` as a datetime in UTC."""
        return datetime.strptime(self.time, _TIME_FORMAT).replace(tzinfo=UTC)

    @property
    def line(self) -> str:
        """The canonical JSON that is hashed; one line of a `ledger.jsonl`."""
        return entry_line(
            self.job,
            self.sequence,
            self.time,
            self.who,
            self.action,
            self.payload_json,
            self.previous,
            self.key,
        )


@dataclass(frozen=True)
class Head:
    """How far a ledger goes, and the root that stands for all of it."""

    job: str
    size: int
    root: str

    @property
    def text(self) -> str:
        """What is signed of a head."""
        return f"asfound ledger head 1\n{self.job}\n{self.size}\n{self.root}\n"


@dataclass(frozen=True)
class Fault:
    """Something wrong in a ledger; `sequence` 0 where it is about the whole."""

    sequence: int
    what: str


@dataclass(frozen=True)
class LedgerCheck:
    """What a check of a ledger found.

    Parameters
    ----------
    head : Head
        Size and root as computed from the entries.
    faults : tuple of Fault
        Empty where all holds.
    """

    head: Head
    faults: tuple[Fault, ...] = ()

    @property
    def sound(self) -> bool:
        """Whether nothing was found."""
        return not self.faults


def time_text(moment: datetime) -> str:
    """A time in UTC as entries write it.

    Raises
    ------
    InputError
        If the time has no zone.
    """
    if moment.tzinfo is None:
        raise InputError("a time without a zone.", remedy="Give it in UTC.")
    return moment.astimezone(UTC).strftime(_TIME_FORMAT)


def entry_line(
    job: str,
    sequence: int,
    time: str,
    who: str,
    action: str,
    payload_json: str,
    previous: str,
    key: str | None,
) -> str:
    """Canonical JSON of an entry, with its payload's canonical JSON taken as it stands."""
    front = canonical_json({"action": action, "job": job, "key": key})[:-1]
    back = canonical_json({"previous": previous, "sequence": sequence, "time": time, "who": who})
    return f'{front},"payload":{payload_json},{back[1:]}'


def entry_hash(entry: Entry) -> str:
    """Hash of an entry computed from its fields, hexadecimal."""
    return leaf_hash(entry.line.encode()).hex()


def make_entry(
    job: str,
    sequence: int,
    moment: datetime,
    who: str,
    action: str,
    payload: Mapping[str, Any],
    previous: str,
    key: str | None = None,
) -> Entry:
    """A new entry with its hash.

    Raises
    ------
    InputError
        If the payload is not JSON.
    """
    text, time = canonical_json(payload), time_text(moment)
    line = entry_line(job, sequence, time, who, action, text, previous, key)
    return Entry(
        job, sequence, time, who, action, text, previous, leaf_hash(line.encode()).hex(), key
    )


def verify_chain(
    entries: Iterable[Entry], job: str, *, expected: Head | None = None, heads: Sequence[Head] = ()
) -> LedgerCheck:
    """Check a ledger from its first entry to its last.

    Parameters
    ----------
    entries : iterable of Entry
        In the order of their sequence.
    job : str
        The job they should belong to.
    expected : Head, optional
        How far the ledger should go.
    heads : sequence of Head
        Heads that someone holds from before: each must still be the start of this ledger.

    Returns
    -------
    LedgerCheck
        A changed, missing, added or moved entry is a fault; so is a ledger that is shorter
        than `expected` or one of `heads`.
    """
    faults: list[Fault] = []
    peaks: tuple[bytes, ...] = ()
    held: dict[int, list[Head]] = {}
    for head in heads:
        held.setdefault(head.size, []).append(head)
    previous, size = FIRST_PREVIOUS, 0
    root = root_of_peaks(peaks).hex()
    for entry in entries:
        faults += _entry_faults(entry, job, size + 1, previous)
        # The tree is computed from the fields, so that a false `hash` can't hide in it.
        true = entry_hash_or_zeros(entry)
        peaks = grow(peaks, size, bytes.fromhex(true))
        size, previous = size + 1, true
        for head in held.pop(size, ()):
            root = root_of_peaks(peaks).hex()
            if not hmac.compare_digest(root.encode(), head.root.encode()):
                faults.append(Fault(size, "the entries up to here are not those of a held head"))
    found = Head(job, size, root_of_peaks(peaks).hex())
    for missing in sorted(held):
        if missing > size or missing < 0:
            faults.append(Fault(0, f"{missing} entries are known of, {size} are here"))
        elif missing == 0 and any(head.root != root_of_peaks(()).hex() for head in held[0]):
            faults.append(Fault(0, "the head of an empty ledger is wrong"))
    if expected is not None and expected != found:
        if expected.size != size:
            faults.append(Fault(0, f"{expected.size} entries are recorded, {size} are here"))
        else:
            faults.append(Fault(0, "the recorded root is not that of the entries"))
    return LedgerCheck(found, tuple(faults))


def entry_hash_or_zeros(entry: Entry) -> str:
    """`entry_hash`, or zeros where the stored fields can't even be written as JSON."""
    if not _well_typed(entry):
        return FIRST_PREVIOUS
    try:
        return entry_hash(entry)
    except (InputError, UnicodeError):
        return FIRST_PREVIOUS


def _well_typed(entry: Entry) -> bool:
    """Whether every field is of its type; a damaged SQLite file can hold anything anywhere."""
    texts = (
        entry.job,
        entry.time,
        entry.who,
        entry.action,
        entry.payload_json,
        entry.previous,
        entry.hash,
    )
    return (
        type(entry.sequence) is int
        and all(type(value) is str for value in texts)
        and (entry.key is None or type(entry.key) is str)
    )


def _entry_faults(entry: Entry, job: str, sequence: int, previous: str) -> Iterable[Fault]:
    if not _well_typed(entry):
        yield Fault(sequence, "a field of it is no text, or its sequence no number")
        return
    if entry.job != job:
        yield Fault(entry.sequence, f"belongs to another job: {entry.job!r}")
    if entry.sequence != sequence:
        yield Fault(entry.sequence, f"stands where entry {sequence} should stand")
    if entry.hash != entry_hash_or_zeros(entry):
        yield Fault(entry.sequence, "its fields don't give its hash")
    if entry.previous != previous:
        yield Fault(entry.sequence, "does not follow from the entry before it")
    try:
        canonical = canonical_json(read_json(entry.payload_json)) == entry.payload_json
    except (InputError, RecursionError):
        canonical = False
    if not canonical:
        yield Fault(entry.sequence, "its payload is not canonical JSON")


def entry_from_line(line: str, *, where: str = "") -> Entry:
    """An entry from a line of `ledger.jsonl`; its hash is computed from the line.

    Raises
    ------
    InputError
        If the line is no entry in canonical form.
    """
    try:
        tree = read_json(line)
        entry = Entry(
            job=tree["job"],
            sequence=tree["sequence"],
            time=tree["time"],
            who=tree["who"],
            action=tree["action"],
            payload_json=canonical_json(tree["payload"]),
            previous=tree["previous"],
            hash=leaf_hash(line.encode()).hex(),
            key=tree["key"],
        )
        same = entry.line == line
    except (KeyError, TypeError, InputError, RecursionError) as error:
        raise InputError("not an entry of a ledger.", where=where) from error
    if not same:
        raise InputError("not an entry of a ledger in canonical form.", where=where)
    return entry
