"""Appends a second, and kill -9 of a writer at 100 random moments: nothing acknowledged is lost.

Reference for the speed: the same rows put into a bare SQLite table with the same promise (WAL,
synchronous=FULL), one transaction each. The ratio is what hashing, chaining, keys and SQLAlchemy
cost on top of the disk.
"""

from __future__ import annotations

import json
import resource
import sqlite3
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from asfound.store import open_store

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "store"))
from test_crash import killed_writer

COUNT = 1000
KILLS = 100
PAYLOAD = {"rows": [{"easting": 4321.123, "northing": 999.5, "depth": 1.25}] * 10}


def bare(place: Path) -> float:
    connection = sqlite3.connect(place, isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE t (n INTEGER PRIMARY KEY, payload TEXT)")
    start = time.perf_counter()
    for n in range(COUNT):
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO t VALUES (?, ?)", (n, json.dumps(PAYLOAD)))
        connection.execute("COMMIT")
    spent = time.perf_counter() - start
    connection.close()
    return spent


def ours(place: Path, threads: int) -> float:
    store = open_store(place)
    store.create_job("elm", "Elm", "ana", {})

    def client(number: int) -> None:
        for n in range(COUNT // threads):
            store.append("elm", f"c{number}", "shots-posted", PAYLOAD, key=f"{number}-{n}")

    start = time.perf_counter()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(client, range(threads)))
    spent = time.perf_counter() - start
    assert store.head("elm").size == 1 + COUNT // threads * threads
    start = time.perf_counter()
    assert store.verify("elm").sound
    print(f"verify {store.head('elm').size} entries: {(time.perf_counter() - start) * 1e3:.0f} ms")
    store.close()
    return spent


def crashes(place: Path) -> tuple[int, int]:
    generator = np.random.default_rng(100)
    store = open_store(place)
    store.create_job("elm", "Elm", "ana", {})
    lost = count = 0
    for run in range(KILLS):
        # Half of the kills fall within the first commits, half later.
        seconds = float(generator.uniform(0.0, 0.01 if run % 2 else 0.1))
        told = killed_writer(str(place), str(run), seconds)
        found = {
            entry.sequence: entry.hash for entry in store.entries("elm", after=told[0][0] - 50)
        }
        lost += sum(found.get(sequence) != digest for sequence, digest in told)
        count += len(told)
        assert store.verify("elm").sound, f"kill {run}"
    store.close()
    return count, lost


def main() -> None:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        reference = bare(folder / "bare.sqlite")
        print(f"bare SQLite: {COUNT / reference:.0f} rows/s")
        for threads in (1, 50):
            spent = ours(folder / f"{threads}.sqlite", threads)
            print(
                f"append, {threads} at once: {COUNT / spent:.0f} entries/s; "
                f"{spent / reference:.1f} x the bare time"
            )
        count, lost = crashes(folder / "crash.sqlite")
        print(
            f"{KILLS} kills: {count} entries acknowledged, {lost} lost; the ledger held each time"
        )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
