"""The ledger in the database: nothing lost, nothing twice, nothing changed unseen."""

from __future__ import annotations

import sqlite3
import string
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from sqlalchemy import delete, insert, select, text, update

from asfound.errors import InputError
from asfound.store import (
    ConflictError,
    Head,
    HeadMovedError,
    KeyReusedError,
    NewEntry,
    Store,
    StoreError,
    UnknownError,
    new_key,
    open_store,
)
from asfound.store.ledger import verify_chain
from asfound.store.merkle import merkle_root
from asfound.store.schema import jobs, ledger

PAYLOADS = (
    {"rows": [{"depth": 1.25, "note": "line\u2028end"}, {"depth": 1e21, "x": 5e16}]},
    {"id": "d1", "kind": "reject", "why": "hit a car", "shots": [["ab" * 32, 3]]},
    {},
    {"nul": "\0", "emoji": "\U0001f600", "deep": {"z": [None, True, -0.0], "a": "é"}},
    {"head": 4, "files": {"report.pdf": "cd" * 32}},
)


@pytest.fixture
def filled(store: Store) -> Store:
    """A job with six entries."""
    store.create_job("elm", "Elm Street", "ana", {"settings": "name = 'Elm'\n"})
    for number, payload in enumerate(PAYLOADS):
        store.append("elm", "bo", f"action-{number}", payload, key=f"k{number}")
    return store


def test_entries_come_back_as_they_were_appended(filled: Store) -> None:
    found = filled.entries("elm")
    assert [entry.sequence for entry in found] == [1, 2, 3, 4, 5, 6]
    assert [entry.payload for entry in found[1:]] == list(PAYLOADS)
    assert [entry.who for entry in found] == ["ana", *["bo"] * 5]
    assert filled.verify("elm").sound


def test_entries_are_read_in_pieces(filled: Store) -> None:
    def numbers(**options: object) -> list[int]:
        return [entry.sequence for entry in filled.entries("elm", **options)]  # type: ignore[arg-type]

    assert numbers(after=2, limit=2) == [3, 4]
    assert numbers(after=1, before=4) == [2, 3]
    assert numbers(actions=["action-1", "job-created"]) == [1, 3]
    assert numbers(after=6) == []


def test_the_head_is_the_merkle_root_of_the_entries(filled: Store) -> None:
    leaves = [bytes.fromhex(entry.hash) for entry in filled.entries("elm")]
    assert filled.head("elm") == Head("elm", 6, merkle_root(leaves).hex())


def test_a_key_sent_again_gives_the_first_entry(filled: Store) -> None:
    again = filled.append("elm", "bo", "action-0", PAYLOADS[0], key="k0")
    assert again == filled.entries("elm")[1]
    assert filled.head("elm").size == 6
    assert filled.entry_by_key("elm", "bo", "k0") == again
    other = filled.append("elm", "ana", "action-0", PAYLOADS[0], key="k0")
    assert other.sequence == 7, "another person's key is another key"


def test_a_key_sent_again_for_something_else_is_refused(filled: Store) -> None:
    with pytest.raises(KeyReusedError, match="entry 2"):
        filled.append("elm", "bo", "action-0", {"rows": []}, key="k0")
    assert filled.head("elm").size == 6


def test_several_entries_are_appended_all_or_none(filled: Store) -> None:
    good = [NewEntry("a", {"n": 1}, "m1"), NewEntry("a", {"n": 1}, "m1"), NewEntry("b", {})]
    assert [e.sequence for e in filled.append_many("elm", "bo", good)] == [7, 7, 8]
    with pytest.raises(InputError):
        filled.append_many("elm", "bo", [NewEntry("c", {}), NewEntry("d", {"x": float("nan")})])
    assert filled.head("elm").size == 8
    assert filled.verify("elm").sound


def test_an_append_that_expects_another_head_is_refused(filled: Store) -> None:
    with pytest.raises(HeadMovedError, match="6 entries by now, not 5"):
        filled.append("elm", "bo", "late", {}, expected_head=5)
    assert filled.append("elm", "bo", "in time", {}, expected_head=6).sequence == 7


@pytest.mark.parametrize(
    "bad", [{"x": float("inf")}, {"x": 2**60}, {"x": "\ud800"}, {1: 2}, {"x": {1, 2}}]
)
def test_what_is_no_json_is_refused_and_leaves_nothing(filled: Store, bad: dict) -> None:
    with pytest.raises(InputError):
        filled.append("elm", "bo", "bad", bad)
    assert filled.head("elm").size == 6


@pytest.mark.parametrize("who", ["", "  ", "a\nb", "x" * 300, "a\0b"])
def test_who_must_be_a_name(filled: Store, who: str) -> None:
    with pytest.raises(InputError):
        filled.append("elm", who, "action", {})


def test_jobs_are_found_and_missing_ones_said(filled: Store) -> None:
    filled.create_job("oak", "Oak Lane", "ana", {})
    assert [job.id for job in filled.list_jobs()] == ["oak", "elm"]
    assert filled.change_job("oak", title="Oak Road", state="archived").title == "Oak Road"
    assert [job.id for job in filled.list_jobs(state="open")] == ["elm"]
    for call in (filled.job, filled.head, filled.verify):
        with pytest.raises(UnknownError):
            call("ash")
    with pytest.raises(UnknownError):
        filled.append("ash", "ana", "action", {})
    with pytest.raises(ConflictError):
        filled.create_job("elm", "Elm", "ana", {})
    with pytest.raises(InputError):
        filled.change_job("elm", state="gone")


def test_a_job_created_twice_with_a_key_is_created_once(store: Store) -> None:
    first = store.create_job("elm", "Elm", "ana", {"settings": ""}, key="n1")
    assert store.create_job("elm", "Elm", "ana", {"settings": ""}, key="n1") == first
    with pytest.raises(KeyReusedError):
        store.create_job("elm", "Elm", "ana", {"settings": "x"}, key="n1")


@pytest.mark.parametrize("job", ["", "Elm", "a b", "../x", "-a", "a-", "é", "a" * 65, "a/b"])
def test_ids_that_would_be_trouble_in_a_path_are_refused(store: Store, job: str) -> None:
    with pytest.raises(InputError):
        store.create_job(job, "Elm", "ana", {})


# What a person with access to the database might do

_TEXT_COLUMNS = ("time", "who", "action", "payload", "previous", "hash", "key")


def flipped(value: str, place: int, generator: np.random.Generator) -> str:
    letters = [c for c in string.ascii_letters + string.digits if c != value[place]]
    return value[:place] + str(generator.choice(letters)) + value[place + 1 :]


def test_a_change_of_any_field_of_any_entry_is_found(filled: Store) -> None:
    generator = np.random.default_rng(7)
    rows = filled.entries("elm")
    tried = 0
    for entry in rows:
        where = (ledger.c.job == "elm", ledger.c.sequence == entry.sequence)
        for name in _TEXT_COLUMNS:
            value = entry.payload_json if name == "payload" else getattr(entry, name)
            if value is None:
                continue
            for place in {0, len(value) - 1, int(generator.integers(len(value)))}:
                changed = flipped(value, place, generator)
                with filled.writing() as connection:
                    connection.execute(update(ledger).where(*where).values({name: changed}))
                check = filled.verify("elm")
                assert not check.sound, f"{name} {place} of entry {entry.sequence}"
                tried += 1
            with filled.writing() as connection:
                connection.execute(update(ledger).where(*where).values({name: value}))
    assert tried > 100
    assert filled.verify("elm").sound


def test_a_key_put_in_or_taken_out_is_found(filled: Store) -> None:
    for sequence, key in ((1, "new"), (2, None)):
        with filled.writing() as connection:
            connection.execute(update(ledger).where(ledger.c.sequence == sequence).values(key=key))
        check = filled.verify("elm")
        assert sequence in {fault.sequence for fault in check.faults}


@pytest.mark.parametrize("column", ["head", "root", "peaks", "last_hash"])
def test_a_change_of_the_recorded_head_is_found(filled: Store, column: str) -> None:
    changed = 5 if column == "head" else "0" * 64
    with filled.writing() as connection:
        connection.execute(update(jobs).values({column: changed}))
    assert not filled.verify("elm").sound


def test_entries_taken_out_put_in_or_swapped_are_found(filled: Store) -> None:
    def rows() -> list[dict]:
        with filled.reading() as connection:
            found = connection.execute(select(ledger).order_by(ledger.c.sequence)).mappings()
            return [dict(row) for row in found]

    def put(new: list[dict]) -> None:
        with filled.writing() as connection:
            connection.execute(delete(ledger))
            connection.execute(insert(ledger), new)

    good = rows()
    swapped = [dict(row) for row in good]
    swapped[2]["sequence"], swapped[3]["sequence"] = 4, 3
    renumbered = [{**row, "sequence": n} for n, row in enumerate([*good[:2], *good[3:]], 1)]
    doubled = [*good, {**good[3], "sequence": 7, "key": None}]
    for name, changed in {
        "last taken out": good[:-1],
        "first taken out": good[1:],
        "one taken out": [*good[:2], *good[3:]],
        "one taken out, renumbered": renumbered,
        "one put in": doubled,
        "two swapped": swapped,
    }.items():
        put(changed)
        assert not filled.verify("elm").sound, name
    put(good)
    assert filled.verify("elm").sound


def test_an_entry_moved_to_another_job_is_found(filled: Store) -> None:
    filled.create_job("oak", "Oak", "ana", {})
    with filled.writing() as connection:
        connection.execute(update(ledger).where(ledger.c.sequence == 3).values(job="oak"))
    assert not filled.verify("elm").sound
    assert not filled.verify("oak").sound


def cut(store: Store, other: Store, size: int, *, signature: tuple[str, str] | None) -> None:
    """Make the ledger look as if it had never had more than `size` entries."""
    other.create_job("elm", "Elm Street", "ana", {"settings": "name = 'Elm'\n"})
    with other.writing() as connection:
        connection.execute(delete(ledger))
        connection.execute(delete(jobs))
    kept = store.entries("elm")[:size]
    from asfound.store.merkle import grow, root_of_peaks

    peaks: tuple[bytes, ...] = ()
    for n, entry in enumerate(kept):
        peaks = grow(peaks, n, bytes.fromhex(entry.hash))
    values = {
        "head": size,
        "root": root_of_peaks(peaks).hex(),
        "peaks": " ".join(peak.hex() for peak in peaks),
        "last_hash": kept[-1].hash,
    }
    if signature:
        values["head_signature"], values["head_key"] = signature
    with store.writing() as connection:
        connection.execute(delete(ledger).where(ledger.c.sequence > size))
        connection.execute(update(jobs).values(values))


def test_a_truncated_ledger_made_to_look_whole_is_found_by_the_signed_head(
    database_url: str, tmp_path: Path
) -> None:
    key = new_key()
    store = open_store(database_url, signing_key=key)
    other = open_store(tmp_path / "other.sqlite")
    store.create_job("elm", "Elm Street", "ana", {})
    for number in range(5):
        store.append("elm", "bo", "action", {"n": number})
    held, early = store.head("elm"), store.job("elm")
    assert early.head_signature is not None
    assert store.verify("elm").sound
    cut(store, other, 4, signature=None)
    assert "signature" in store.verify("elm").faults[0].what
    # Signed by a key of their own:
    forger = new_key()
    head = store.head("elm")
    with store.writing() as connection:
        connection.execute(
            update(jobs).values(
                head_signature=forger.sign(head.text.encode()), head_key=forger.public
            )
        )
    assert "another key" in store.verify("elm").faults[0].what
    with store.writing() as connection:
        connection.execute(update(jobs).values(head_signature=None, head_key=None))
    assert "not signed" in store.verify("elm").faults[0].what
    # With the true key, only someone who holds a later head can tell.
    with store.writing() as connection:
        connection.execute(
            update(jobs).values(head_signature=key.sign(head.text.encode()), head_key=key.public)
        )
    assert store.verify("elm").sound
    check = store.verify("elm", heads=[held])
    assert "6 entries are known of, 4 are here" in check.faults[0].what
    for opened in (store, other):
        opened.close()


def test_a_release_on_file_gives_a_cut_ledger_away(filled: Store, tmp_path: Path) -> None:
    filled.add_release("elm", filled.head("elm"), "Issue A", "0" * 64, "a.zip")
    other = open_store(tmp_path / "other.sqlite")
    cut(filled, other, 4, signature=None)
    other.close()
    assert any("6 entries are known of" in fault.what for fault in filled.verify("elm").faults)


def test_a_rewritten_ledger_that_holds_is_found_by_a_held_head(filled: Store) -> None:
    held = filled.head("elm")
    entries = filled.entries("elm")
    assert verify_chain(entries, "elm", expected=held, heads=[held]).sound
    other = Head("elm", 3, held.root)
    assert not verify_chain(entries, "elm", heads=[other]).sound


def test_flipped_bytes_of_the_sqlite_file_are_found_or_change_nothing(tmp_path: Path) -> None:
    place = tmp_path / "asfound.sqlite"
    store = open_store(place, journal="delete")
    store.create_job("elm", "Elm", "ana", {"settings": "x" * 50})
    for number, payload in enumerate(PAYLOADS):
        store.append("elm", "bo", f"action-{number}", payload, key=f"k{number}")
    before = [*store.entries("elm")]
    store.close()
    good = place.read_bytes()
    # Where the entries lie, byte for byte; elsewhere a sample.
    start = good.index(b'{"settings":"' + b"x" * 50)
    start = good.rfind(b"\x00" * 8, 0, start)
    generator = np.random.default_rng(3)
    places = {*range(start, start + 2500, 23), *generator.integers(0, len(good), 60).tolist()}
    found = 0
    for at in sorted(p for p in places if p < len(good)):
        changed = bytearray(good)
        changed[at] ^= int(generator.integers(1, 256))
        place.write_bytes(changed)
        try:
            opened = open_store(place, journal="delete")
            try:
                if opened.verify("elm").sound:
                    assert opened.entries("elm") == before, f"byte {at}"
                else:
                    found += 1
            finally:
                opened.close()
        except (StoreError, InputError, ValueError):
            found += 1
        for left in tmp_path.glob("asfound.sqlite-*"):
            left.unlink()
    assert found > 40


# Many at once


def test_fifty_at_once_lose_none_and_double_none(store: Store) -> None:
    store.create_job("elm", "Elm", "ana", {})

    def client(number: int) -> list[int]:
        done = []
        for n in range(4):
            for _ in range(2):  # Sent again, as after a lost answer.
                entry = store.append(
                    "elm", f"c{number}", "shots-posted", {"c": number, "n": n}, key=f"{number}-{n}"
                )
                done.append(entry.sequence)
        return done

    with ThreadPoolExecutor(50) as pool:
        told = list(pool.map(client, range(50)))
    assert all(one[::2] == one[1::2] for one in told)
    entries = store.entries("elm", actions=["shots-posted"])
    count = Counter((e.payload["c"], e.payload["n"]) for e in entries)
    assert count == {(c, n): 1 for c in range(50) for n in range(4)}
    assert sorted(s for one in told for s in one[::2]) == list(range(2, 202))
    assert store.verify("elm").sound


_CLIENTS = """
import sys
from concurrent.futures import ThreadPoolExecutor
from asfound.store import open_store
store = open_store(sys.argv[1])
def client(number):
    for n in range(3):
        # The same key from every process: one entry in all.
        store.append("elm", "all", "shared", {"n": n}, key=f"shared-{number}-{n}")
        store.append("elm", sys.argv[2], "own", {"c": number, "n": n}, key=f"{number}-{n}")
with ThreadPoolExecutor(10) as pool:
    list(pool.map(client, range(10)))
"""


def test_several_processes_at_once_lose_none_and_double_none(
    store: Store, database_url: str
) -> None:
    store.create_job("elm", "Elm", "ana", {})
    running = [
        subprocess.Popen(
            [sys.executable, "-W", "error", "-c", _CLIENTS, database_url, f"p{number}"]
        )
        for number in range(3)
    ]
    assert [process.wait(60) for process in running] == [0, 0, 0]
    assert len(store.entries("elm", actions=["own"])) == 90
    shared = [entry.key for entry in store.entries("elm", actions=["shared"])]
    assert sorted(shared) == sorted(f"shared-{c}-{n}" for c in range(10) for n in range(3))
    assert store.verify("elm").sound


# Databases that are not as they should be


def test_a_ledger_holds_while_others_write_to_it(store: Store) -> None:
    store.create_job("elm", "Elm", "ana", {})
    over = Event()

    def write(number: int) -> None:
        n = 0
        while not over.is_set():
            store.append("elm", "bo", "shots-posted", {"n": n}, key=f"{number}-{n}")
            n += 1

    with ThreadPoolExecutor(3) as pool:
        writers = [pool.submit(write, number) for number in range(3)]
        checks = [store.verify("elm")]
        try:
            patience = time.monotonic() + 60
            while len({check.head.size for check in checks}) < 20 and time.monotonic() < patience:
                checks.append(store.verify("elm"))
        finally:
            over.set()
        for writer in writers:
            writer.result()
    assert [check.faults for check in checks if not check.sound] == []
    assert len({check.head.size for check in checks}) >= 20


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "other.sqlite"
    connection = sqlite3.connect(place)
    connection.execute("CREATE TABLE birds (name TEXT)")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="something else"):
        open_store(place)
    (tmp_path / "text.sqlite").write_text("no database at all, but long enough to be one" * 20)
    with pytest.raises(StoreError):
        open_store(tmp_path / "text.sqlite")


def test_a_database_of_a_newer_version_is_refused(store: Store, database_url: str) -> None:
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="9999"):
        open_store(database_url)


@pytest.mark.parametrize(
    "url", ["mysql://x/y", "sqlite://", "sqlite:///:memory:", "nonsense://", "http://["]
)
def test_addresses_that_cant_be_used_are_said(url: str) -> None:
    with pytest.raises(StoreError, match="database"):
        open_store(url)


def test_a_postgresql_that_does_not_answer_is_said_without_its_password(tmp_path: Path) -> None:
    pytest.importorskip("psycopg")
    with pytest.raises(StoreError) as caught:
        open_store(f"postgresql://ana:secret@/x?host={tmp_path}")
    assert "secret" not in str(caught.value)
    assert "can't be used" in caught.value.what


def test_the_migrations_make_the_tables_that_the_code_uses(store: Store) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from asfound.store.schema import metadata

    with store.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_opening_twice_migrates_once(store: Store, database_url: str) -> None:
    store.create_job("elm", "Elm", "ana", {})
    again = open_store(database_url)
    assert again.job("elm").title == "Elm"
    again.close()


def test_many_new_databases_are_opened_at_once(database_url: str, tmp_path: Path) -> None:
    places = [database_url, *(str(tmp_path / f"{n}.sqlite") for n in range(4))] * 2
    with ThreadPoolExecutor(10) as pool:
        opened = list(pool.map(open_store, places))
    assert [one.list_jobs() for one in opened] == [[]] * 10
    for one in opened:
        one.close()


def test_a_folder_of_one_file_stays_one_file(tmp_path: Path) -> None:
    opened = open_store(tmp_path / "asfound.sqlite", journal="delete")
    opened.create_job("elm", "Elm", "ana", {})
    assert [path.name for path in tmp_path.iterdir()] == ["asfound.sqlite"]
    opened.close()


@pytest.mark.parametrize("name", ["a\0b", "\ud800", "x" * 5000, "'; DROP TABLE jobs; --"])
def test_names_no_job_can_have_are_just_unknown(filled: Store, name: str) -> None:
    for call in (filled.job, filled.verify, filled.head):
        with pytest.raises(InputError):
            call(name)
    with pytest.raises(InputError):
        filled.append(name, "ana", "action", {})
    assert filled.verify("elm").sound


def test_numbers_too_large_for_the_database_are_said_to_be(filled: Store) -> None:
    with pytest.raises(InputError):
        filled.task(2**70)
    with pytest.raises(InputError):
        filled.user(2**70)
