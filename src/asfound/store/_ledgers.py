"""Jobs and their ledgers in the database."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine, RowMapping, insert, select, update
from sqlalchemy.exc import IntegrityError

from asfound.errors import InputError
from asfound.store import ledger as chain
from asfound.store._engine import Transactions, utc_now
from asfound.store._errors import (
    ConflictError,
    DamagedError,
    HeadMovedError,
    KeyReusedError,
    UnknownError,
)
from asfound.store._text import check_job_id, checked_text
from asfound.store.canonical import canonical_json
from asfound.store.ledger import Entry, Fault, Head, LedgerCheck
from asfound.store.merkle import EMPTY_ROOT, grow, root_of_peaks
from asfound.store.records import Job
from asfound.store.schema import JOB_STATES, jobs, ledger, releases
from asfound.store.signing import SigningKey, signature_holds

_PAGE = 1000
_JOB_COLUMNS = [jobs.c[name] for name in Job.__dataclass_fields__]


@dataclass(frozen=True)
class NewEntry:
    """What is to be appended: an action, its payload and the client's key for it."""

    action: str
    payload: Mapping[str, Any]
    key: str | None = None


class Ledgers(Transactions):
    """Jobs, and what was done to them.

    Parameters
    ----------
    signing_key : SigningKey, optional
        Signs the head of a job's ledger with every append.
    """

    def __init__(
        self,
        engine: Engine,
        clock: Callable[[], datetime] = utc_now,
        signing_key: SigningKey | None = None,
    ) -> None:
        super().__init__(engine, clock)
        self.signing_key = signing_key

    # Jobs

    def create_job(
        self,
        job: str,
        title: str,
        who: str,
        payload: Mapping[str, Any],
        *,
        action: str = "job-created",
        key: str | None = None,
    ) -> Entry:
        """Start a job with the first entry of its ledger, both or neither.

        Returns
        -------
        entry : Entry
            With a key that has been used before for the same: the first entry as it stands.

        Raises
        ------
        ConflictError
            If there is a job of this id.
        InputError
            If id, title, who or payload can't be used.
        """
        check_job_id(job)
        title = checked_text(title, "title")
        try:
            with self.writing() as connection:
                if _job_row(connection, job) is not None:
                    first = _entry_by_key(connection, job, who, key)
                    if first is not None:
                        _same_or_raise(first, NewEntry(action, payload, key))
                        return first
                    raise _job_exists(job)
                connection.execute(
                    insert(jobs).values(
                        id=job,
                        title=title,
                        created=self.clock(),
                        state="open",
                        head=0,
                        root=EMPTY_ROOT.hex(),
                        peaks="",
                        last_hash=chain.FIRST_PREVIOUS,
                    )
                )
                return self._append(connection, job, who, [NewEntry(action, payload, key)])[0]
        except IntegrityError as error:
            raise _job_exists(job) from error

    def job(self, job: str) -> Job:
        """A job.

        Raises
        ------
        UnknownError
            If there is none of this id.
        """
        with self.reading() as connection:
            row = connection.execute(select(*_JOB_COLUMNS).where(jobs.c.id == job)).mappings()
            found = row.first()
        if found is None:
            raise _no_job(job)
        return Job(**found)

    def list_jobs(self, *, state: str | None = None) -> list[Job]:
        """All jobs, the newest first."""
        query = select(*_JOB_COLUMNS).order_by(jobs.c.created.desc(), jobs.c.id)
        if state is not None:
            query = query.where(jobs.c.state == state)
        with self.reading() as connection:
            return [Job(**row) for row in connection.execute(query).mappings()]

    def change_job(self, job: str, *, title: str | None = None, state: str | None = None) -> Job:
        """Change a job's title or state (open, archived).

        Raises
        ------
        UnknownError, InputError
        """
        values: dict[str, str] = {}
        if title is not None:
            values["title"] = checked_text(title, "title")
        if state is not None:
            if state not in JOB_STATES:
                raise InputError(
                    f"{state!r} is no state of a job.",
                    where="state",
                    remedy=f"Known: {', '.join(JOB_STATES)}.",
                )
            values["state"] = state
        if values:
            with self.writing() as connection:
                connection.execute(update(jobs).where(jobs.c.id == job).values(**values))
        return self.job(job)

    # Appending

    def append(
        self,
        job: str,
        who: str,
        action: str,
        payload: Mapping[str, Any],
        *,
        key: str | None = None,
        expected_head: int | None = None,
    ) -> Entry:
        """Append an entry; when this returns, the entry is on disk.

        Parameters
        ----------
        who : str
            User or token that acts.
        action, payload : str, dict
            What was done; the payload is JSON with finite numbers.
        key : str, optional
            The client's own key for this request. Sent again by the same `who`, the first
            entry is returned and nothing is written.
        expected_head : int, optional
            Append only if the ledger still has this many entries.

        Returns
        -------
        entry : Entry

        Raises
        ------
        UnknownError
            If there is no such job.
        KeyReusedError
            If the key was used for another action or payload.
        HeadMovedError
            If the ledger has grown past `expected_head`.
        BusyError
            If others kept the database locked.
        """
        entries = self.append_many(
            job, who, [NewEntry(action, payload, key)], expected_head=expected_head
        )
        return entries[0]

    def append_many(
        self,
        job: str,
        who: str,
        new: Sequence[NewEntry],
        *,
        expected_head: int | None = None,
    ) -> list[Entry]:
        """Append several entries, all or none; see `append`."""
        with self.writing() as connection:
            return self._append(connection, job, who, new, expected_head)

    def _append(
        self,
        connection: Connection,
        job: str,
        who: str,
        new: Sequence[NewEntry],
        expected_head: int | None = None,
    ) -> list[Entry]:
        who = checked_text(who, "who")
        for item in new:
            checked_text(item.action, "action", longest=60)
            if item.key is not None and item.key != checked_text(item.key, "key"):
                raise InputError(
                    f"the key {item.key!r} has blanks around it.", where="key", remedy="Drop them."
                )
        # The lock: in PostgreSQL this row, in SQLite the whole file since BEGIN IMMEDIATE.
        row = _job_row(connection, job, lock=True)
        if row is None:
            raise _no_job(job)
        done: list[Entry] = []
        size, previous = int(row["head"]), str(row["last_hash"])
        peaks = tuple(bytes.fromhex(peak) for peak in str(row["peaks"]).split())
        added: list[Entry] = []
        for item in new:
            first = next((e for e in added if item.key is not None and e.key == item.key), None)
            first = first or _entry_by_key(connection, job, who, item.key)
            if first is not None:
                _same_or_raise(first, item)
                done.append(first)
                continue
            if expected_head is not None and row["head"] != expected_head:
                raise HeadMovedError(
                    f"the job has {row['head']} entries by now, not {expected_head}.",
                    where=job,
                    remedy="Load it again, look at what came in between, then repeat.",
                )
            entry = chain.make_entry(
                job, size + 1, self.clock(), who, item.action, item.payload, previous, item.key
            )
            peaks = grow(peaks, size, bytes.fromhex(entry.hash))
            size, previous = size + 1, entry.hash
            added.append(entry)
            done.append(entry)
        if added:
            connection.execute(insert(ledger), [_row_of(entry) for entry in added])
            head = Head(job, size, root_of_peaks(peaks).hex())
            connection.execute(
                update(jobs)
                .where(jobs.c.id == job)
                .values(
                    head=size,
                    root=head.root,
                    peaks=" ".join(peak.hex() for peak in peaks),
                    last_hash=previous,
                    **self._signed(head),
                )
            )
        return done

    def _signed(self, head: Head) -> dict[str, str | None]:
        if self.signing_key is None:
            return {"head_signature": None, "head_key": None}
        return {
            "head_signature": self.signing_key.sign(head.text.encode()),
            "head_key": self.signing_key.public,
        }

    # Reading

    def head(self, job: str) -> Head:
        """Size and root of a job's ledger.

        Raises
        ------
        UnknownError
        """
        found = self.job(job)
        return Head(found.id, found.head, found.root)

    def entries(
        self,
        job: str,
        after: int = 0,
        limit: int | None = None,
        before: int | None = None,
        actions: Sequence[str] = (),
    ) -> list[Entry]:
        """Entries of a job in the order of their sequence.

        Parameters
        ----------
        after, before : int
            Entries with ``after < sequence < before``.
        limit : int, optional
            At most so many.
        actions : sequence of str
            Only these; empty: all.
        """
        query = select(ledger).where(ledger.c.job == job, ledger.c.sequence > after)
        if before is not None:
            query = query.where(ledger.c.sequence < before)
        if actions:
            query = query.where(ledger.c.action.in_(tuple(actions)))
        query = query.order_by(ledger.c.sequence)
        if limit is not None:
            query = query.limit(limit)
        with self.reading() as connection:
            return [_entry(row) for row in connection.execute(query).mappings()]

    def entry_by_key(self, job: str, who: str, key: str) -> Entry | None:
        """The entry that `who` sent under a key, or None."""
        with self.reading() as connection:
            return _entry_by_key(connection, job, who, key)

    def verify(
        self, job: str, *, heads: Sequence[Head] = (), public_key: str | None = None
    ) -> LedgerCheck:
        """Check a job's ledger against itself, its recorded head and its releases.

        Parameters
        ----------
        heads : sequence of Head
            Heads kept elsewhere, from releases or backups.
        public_key : str, optional
            The head must be signed by this key (base64). Left out: the store's own key where
            it has one, else any signature that is there must hold.

        Raises
        ------
        UnknownError
        """
        try:
            return self._verify(job, heads, public_key)
        except DamagedError as error:
            return LedgerCheck(Head(job, 0, EMPTY_ROOT.hex()), (Fault(0, error.what.rstrip(".")),))

    def _verify(self, job: str, heads: Sequence[Head], public_key: str | None) -> LedgerCheck:
        trusted = public_key or (self.signing_key.public if self.signing_key else None)
        with self.reading() as connection:
            row = _job_row(connection, job)
            if row is None:
                raise _no_job(job)
            kept = connection.execute(
                select(releases.c.head, releases.c.root).where(releases.c.job == job)
            )
            held = [*heads, *(Head(job, int(size), str(root)) for size, root in kept)]
            expected = Head(job, int(row["head"]), str(row["root"]))
            check = chain.verify_chain(_stream(connection, job), job, expected=expected, heads=held)
            faults = [*check.faults, *_summary_faults(connection, row)]
            faults += _signature_faults(row, expected, trusted)
        return LedgerCheck(check.head, tuple(faults))


def _stream(connection: Connection, job: str) -> Iterator[Entry]:
    # By row order of the primary key; pages keep the memory small.
    after: int | None = None
    while True:
        query = select(ledger).where(ledger.c.job == job).order_by(ledger.c.sequence).limit(_PAGE)
        if after is not None:
            query = query.where(ledger.c.sequence > after)
        rows = connection.execute(query).mappings().all()
        yield from map(_entry, rows)
        if len(rows) < _PAGE:
            return
        after = int(rows[-1]["sequence"])


def _summary_faults(connection: Connection, row: RowMapping) -> Iterator[Fault]:
    """What the job's row says of its ledger, beside head and root."""
    leaves = connection.execute(
        select(ledger.c.hash).where(ledger.c.job == row["id"]).order_by(ledger.c.sequence)
    ).scalars()
    peaks: tuple[bytes, ...] = ()
    last = chain.FIRST_PREVIOUS
    try:
        for size, last in enumerate(leaves):
            peaks = grow(peaks, size, bytes.fromhex(last))
    except (TypeError, ValueError):
        return  # The entry with this hash is a fault already.
    if str(row["peaks"]) != " ".join(peak.hex() for peak in peaks):
        yield Fault(0, "the recorded tree is not that of the entries")
    if str(row["last_hash"]) != last:
        yield Fault(0, "the recorded last hash is not that of the last entry")


def _signature_faults(row: RowMapping, head: Head, trusted: str | None) -> Iterator[Fault]:
    signature, key = row["head_signature"], row["head_key"]
    if signature is None and key is None and trusted is None:
        return
    if signature is None or key is None:
        yield Fault(0, "the head is not signed")
    elif trusted is not None and key != trusted:
        yield Fault(0, "the head is signed by another key")
    elif not signature_holds(str(key), str(signature), head.text.encode()):
        yield Fault(0, "the signature of the head does not hold")


def _row_of(entry: Entry) -> dict[str, Any]:
    return {
        "job": entry.job,
        "sequence": entry.sequence,
        "time": entry.time,
        "who": entry.who,
        "action": entry.action,
        "payload": entry.payload_json,
        "previous": entry.previous,
        "hash": entry.hash,
        "key": entry.key,
    }


def _entry(row: RowMapping) -> Entry:
    return Entry(
        row["job"],
        row["sequence"],
        row["time"],
        row["who"],
        row["action"],
        row["payload"],
        row["previous"],
        row["hash"],
        row["key"],
    )


def _entry_by_key(connection: Connection, job: str, who: str, key: str | None) -> Entry | None:
    if key is None:
        return None
    query = select(ledger).where(ledger.c.job == job, ledger.c.who == who, ledger.c.key == key)
    row = connection.execute(query).mappings().first()
    return None if row is None else _entry(row)


def _job_row(connection: Connection, job: str, *, lock: bool = False) -> RowMapping | None:
    query = select(jobs).where(jobs.c.id == job)
    if lock:
        query = query.with_for_update()
    return connection.execute(query).mappings().first()


def _same_or_raise(first: Entry, new: NewEntry) -> None:
    if first.action != new.action or first.payload_json != canonical_json(new.payload):
        raise KeyReusedError(
            f"the key {new.key!r} was used for something else (entry {first.sequence}).",
            where="Idempotency-Key",
            remedy="Use a new key for every new request; repeat a request unchanged.",
        )


def _job_exists(job: str) -> ConflictError:
    return ConflictError(
        f"there is a job {job!r} already.", where="id", remedy="Choose another id."
    )


def _no_job(job: str) -> UnknownError:
    return UnknownError(f"there is no job {job!r}.", where="job", remedy="Check the id.")
