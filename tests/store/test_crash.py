"""A writer killed at any moment: what it had acknowledged is there, and the ledger holds."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import numpy as np

from asfound.store import open_store

_WRITER = """
import sys
from concurrent.futures import ThreadPoolExecutor
from asfound.store import open_store
store = open_store(sys.argv[1])
run = sys.argv[2]
def client(number):
    for n in range(100_000):
        key = f"{run}-{number}-{n}"
        entry = store.append("elm", "bo", "shots-posted", {"rows": [{"n": n}] * 20}, key=key)
        # One write, so that lines of several threads don't mix.
        sys.stdout.write(f"{entry.sequence} {entry.hash}\\n")
        sys.stdout.flush()
with ThreadPoolExecutor(4) as pool:
    list(pool.map(client, range(4)))
"""


def killed_writer(database: str, run: str, seconds: float) -> list[tuple[int, str]]:
    """Let a writer write for so long after its first acknowledgement; what it acknowledged."""
    writer = subprocess.Popen(
        [sys.executable, "-c", _WRITER, database, run],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert writer.stdout is not None
    with writer.stdout as told:
        first = told.readline()
        time.sleep(seconds)
        os.kill(writer.pid, signal.SIGKILL)
        lines = [first, *told]
    assert writer.wait() == -signal.SIGKILL
    whole = [line.split() for line in lines if line.endswith("\n")]
    return [(int(sequence), digest) for sequence, digest in whole]


def test_what_was_acknowledged_is_there_after_a_kill(database_url: str) -> None:
    generator = np.random.default_rng(11)
    store = open_store(database_url)
    store.create_job("elm", "Elm", "ana", {})
    acknowledged: dict[int, str] = {}
    for run in range(5):
        told = killed_writer(database_url, str(run), float(generator.uniform(0.0, 0.15)))
        assert told
        assert len({sequence for sequence, _ in told}) == len(told)
        acknowledged |= dict(told)
        found = {entry.sequence: entry.hash for entry in store.entries("elm")}
        assert acknowledged.items() <= found.items()
        assert store.verify("elm").sound
    keys = [entry.key for entry in store.entries("elm", after=1)]
    assert len(keys) == len(set(keys))
    store.close()
