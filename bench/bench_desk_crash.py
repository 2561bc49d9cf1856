"""kill -9 of the desk's server, its worker or both at 100 random moments under load.

Run: python bench/bench_desk_crash.py [kills] [sqlite|postgresql]
Clients post shots, upload files, decide and read results all the while; they repeat what was cut
off under the same key. After each kill everything acknowledged must be there (entries by their
hashes, files by their bytes) and every ledger must verify; what was served of results must be what
the ledger says was made. At the end the work that was broken off is finished and each shot is
counted once in the results. Reference in the same run: the same clients for as long without kills.
"""

from __future__ import annotations

import contextlib
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "desk"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from crashing import Counted, run

from conftest import postgresql_programs, throwaway_postgresql


def told(name: str, counted: Counted, spent: float) -> None:
    kills = ", ".join(f"{number} of {what}" for what, number in counted.kills.items())
    print(
        f"{name}: kills {kills}; kept {counted.posts} posts, {counted.uploads} files, "
        f"{counted.decisions} decisions: none lost, none double; {counted.taken_up} broken-off "
        f"tasks taken up, processed {counted.processed} times; {counted.reads} reads, all whole; "
        f"{counted.posts / spent:.1f} posts/s"
    )


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    kind = sys.argv[2] if len(sys.argv) > 2 else "sqlite"
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        database = ""
        if kind == "postgresql":
            programs = postgresql_programs()
            assert programs is not None, "PostgreSQL is not installed"
            database = stack.enter_context(throwaway_postgresql(programs, lasting=True))
        started = time.monotonic()
        counted = run(
            folder,
            kills,
            database=database,
            jobs=4,
            say=lambda words: print(words, flush=True),
        )
        told(f"{kind}, {kills} kills", counted, time.monotonic() - started)
        (folder / "calm").mkdir()
        started = time.monotonic()
        calm = run(folder / "calm", 0, jobs=4, calm=20.0)
        told("SQLite, 20 s without kills", calm, time.monotonic() - started)
    print(
        f"peak memory of the clients {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10} MB"
    )


if __name__ == "__main__":
    main()
