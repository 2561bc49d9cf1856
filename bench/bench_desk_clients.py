"""50 clients posting shots at once to a desk over HTTP: rate, waits, and that each counts once.

Run: python bench/bench_desk_clients.py [clients] [posts]
A real `asfound desk` with its worker, on SQLite and on PostgreSQL (where it is installed, with
commits that reach the disk). One post of six is sent again though it was answered, one of six is
first cut off half-way or before its answer. Afterwards each shot is counted on the ledger, in the
frozen batches and in the results: none may be lost or double. Reference in the same run: a bare
Starlette endpoint with one committed SQLite insert (WAL, synchronous=FULL), under the same
clients; the ratio is what login, checks, reading the shot, key, hash chain and signature cost.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "desk"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from desk_process import DeskProcess, Line, free_port, kept, prepare
from many_clients import Told, count_up, process_and_wait, run_clients

from conftest import postgresql_programs, throwaway_postgresql

REFERENCE = """
import json, sqlite3, sys, threading
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse
from starlette.routing import Route
database = sqlite3.connect(sys.argv[1], isolation_level=None, check_same_thread=False)
database.execute("PRAGMA journal_mode=WAL")
database.execute("PRAGMA synchronous=FULL")
database.execute("CREATE TABLE t (key TEXT PRIMARY KEY, body TEXT, n INTEGER)")
one = threading.Lock()
def keep(key, body):
    with one:
        database.execute("INSERT OR IGNORE INTO t VALUES (?, ?, (SELECT count(*) FROM t))",
                         (key, body))
        return database.execute("SELECT n FROM t WHERE key = ?", (key,)).fetchone()[0]
async def post(request):
    body = await request.body()
    n = await run_in_threadpool(keep, request.headers["idempotency-key"], body.decode())
    return JSONResponse({"sequence": n, "hash": ""}, 201)
async def health(request):
    return JSONResponse({})
app = Starlette(routes=[Route("/api/v1/jobs/{job}/shots", post, methods=["POST"]),
                        Route("/health", health)])
uvicorn.run(app, port=int(sys.argv[2]), log_level="critical")
"""


@contextmanager
def bare_server(folder: Path) -> Iterator[int]:
    port = free_port()
    process = subprocess.Popen([sys.executable, "-c", REFERENCE, str(folder / "bare"), str(port)])
    try:
        limit = time.monotonic() + 60
        while True:
            try:
                Line(port, "").raw("GET", "/health")
                break
            except OSError:
                assert time.monotonic() < limit
                time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait()


def measure(name: str, port: int, secret: str, job: str, clients: int, posts: int) -> list[Told]:
    started = time.perf_counter()
    told = run_clients(port, secret, job, clients, posts)
    spent = time.perf_counter() - started
    waits = np.concatenate([one.waits for one in told]) * 1e3
    half, most, worst = np.percentile(waits, (50, 95, 100))
    print(
        f"{name:22s} {len(waits) / spent:6.0f} answers/s; answered after {half:.0f} ms (half), "
        f"{most:.0f} ms (95 of 100), {worst:.0f} ms (all); {sum(t.cut for t in told)} cut off, "
        f"{sum(t.repeated for t in told)} repeated",
        flush=True,
    )
    return told


def ours(name: str, folder: Path, database: str, clients: int, posts: int) -> None:
    folder.mkdir()
    data = folder / "data"
    secret, jobs = prepare(data, database, 2)
    server = DeskProcess(data, database)
    server.start()
    try:
        measure(f"{name}, one client", server.port, secret, jobs[0], 1, posts * 4)
        told = measure(f"{name}, {clients} clients", server.port, secret, jobs[1], clients, posts)
        started = time.perf_counter()
        process_and_wait(server.port, secret, jobs[1], 600)
        print(f"{name}: processed in {time.perf_counter() - started:.1f} s")
        peak = max(_peak(number) for number in (server.process.pid,))
    finally:
        server.stop()
    desk = kept(data, database)
    print(f"{name}: {count_up(desk, jobs[1], told, clients, posts)}, none lost, none double")
    print(f"{name}: peak memory of the server {peak:.0f} MB")
    desk.store.close()


def _peak(number: int) -> float:
    lines = Path(f"/proc/{number}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def main() -> None:
    clients = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    posts = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        with bare_server(folder) as port:
            measure("bare endpoint", port, "", "job", clients, posts)
        ours("SQLite", folder / "sqlite", "", clients, posts)
        programs = postgresql_programs()
        if programs is None:
            print("PostgreSQL is not installed: left out")
        else:
            with throwaway_postgresql(programs, lasting=True) as address:
                ours("PostgreSQL", folder / "postgresql", address, clients, posts)
    print(
        f"peak memory of the clients {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10} MB"
    )


if __name__ == "__main__":
    main()
