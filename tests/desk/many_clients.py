"""Many clients that post shots at once over HTTP, repeat themselves and hang up; then the count.

Used by the tests with a few clients and by bench/bench_desk_clients.py with fifty.
"""

from __future__ import annotations

import http.client
import json
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from desk_process import Line

BEGUN = datetime(2026, 11, 17, 14, tzinfo=UTC)
RECEIVERS = 10


@dataclass
class Told:
    """What a client was told, and how it behaved."""

    entries: dict[str, tuple[int, str]] = field(default_factory=dict)
    waits: list[float] = field(default_factory=list)
    repeated: int = 0
    cut: int = 0


def shot(client: int, number: int) -> dict[str, Any]:
    """An invented shot, along a line north, one a client; its name is its own."""
    return {
        "name": f"c{client}-{number}",
        "time": (BEGUN + timedelta(seconds=37 * client + 1800 * number)).isoformat(),
        "latitude": 39.27 + 1e-5 * number,
        "longitude": -98.04 + 2e-5 * client,
        "height_m": 404.0,
        "fix": "RTK fixed",
        "utility": "gas",
        "depth_m": 1.1,
    }


def client(port: int, secret: str, job: str, number: int, posts: int) -> Told:
    """Post so many shots; one of six is sent again though answered, one of six cut off first."""
    generator = np.random.default_rng([5, number])
    line, told = Line(port, secret), Told()
    path = f"/api/v1/jobs/{job}/shots"
    for n in range(posts):
        name, key = f"c{number}-{n}", f"{number}-{n}"
        body = json.dumps(
            {
                "receiver": f"EL-{number % RECEIVERS}",
                "frame": "ITRF2020",
                "rows": [shot(number, n)],
            }
        ).encode()
        kind = generator.integers(12)
        if kind < 2:
            # Cut off in the middle of the body, or after all of it: no answer is read.
            line.cut(path, body, key=key, sent=float(0.5 if kind else 1.0))
            told.cut += 1
        answers = []
        for _ in range(2 if kind in (2, 3) else 1):
            started = time.perf_counter()
            status, answer = insist(line, path, body, key)
            told.waits.append(time.perf_counter() - started)
            assert status == 201, answer
            answers.append((int(answer["sequence"]), str(answer["hash"])))
        told.repeated += len(answers) - 1
        assert len(set(answers)) == 1, f"two entries under one key: {answers}"
        told.entries[name] = answers[0]
    line.close()
    return told


def insist(line: Line, path: str, body: bytes, key: str) -> tuple[int, Any]:
    """A request under its key until an answer comes; a server that is busy is asked again."""
    limit = time.monotonic() + 120
    while True:
        try:
            status, data = line.raw("POST", path, body, key=key)
        except (OSError, http.client.HTTPException):
            status, data = 0, b""
        if status not in (0, 503):
            return status, json.loads(data)
        assert time.monotonic() < limit, "no answer"
        time.sleep(0.05)


def run_clients(port: int, secret: str, job: str, clients: int, posts: int) -> list[Told]:
    """All clients at once."""
    with ThreadPoolExecutor(clients) as pool:
        return list(pool.map(lambda n: client(port, secret, job, n, posts), range(clients)))


def process_and_wait(port: int, secret: str, job: str, seconds: float = 120) -> None:
    """Ask for processing until the job's results are those of its ledger."""
    line, limit = Line(port, secret), time.monotonic() + seconds
    status, task = line.json("POST", f"/api/v1/jobs/{job}/process")
    assert status in (200, 201, 202), task
    while True:
        _, now = line.json("GET", f"/api/v1/jobs/{job}/tasks/{task['id']}")
        if now["state"] in ("done", "failed"):
            break
        assert time.monotonic() < limit, now
        time.sleep(0.1)
    line.close()
    assert now["state"] == "done", now


def count_up(desk: Any, job: str, told: list[Told], clients: int, posts: int) -> dict[str, int]:
    """Count every shot where it should be, once: ledger, frozen batches, results.

    Raises
    ------
    AssertionError
        If one is lost, double or not where its client was told.
    """
    wanted = {f"c{c}-{n}" for c in range(clients) for n in range(posts)}
    acknowledged = {name: place for one in told for name, place in one.entries.items()}
    assert acknowledged.keys() == wanted
    entries = desk.store.entries(job, actions=("shots-posted",))
    names = [str(row["name"]) for entry in entries for row in entry.payload["rows"]]
    assert sorted(names) == sorted(wanted), "the ledger holds each shot once"
    places = {str(e.payload["rows"][0]["name"]): (e.sequence, e.hash) for e in entries}
    assert places == acknowledged, "each stands where its client was told"
    assert len({(entry.who, entry.key) for entry in entries}) == len(entries)
    state = desk.state(job)
    assert not state.batches()
    frozen = 0
    for upload in state.current:
        lines = desk.blobs.path(upload.main.sha256).read_text().splitlines()
        frozen += len(lines) - 1
    assert frozen == len(wanted), "the frozen batches hold each once"
    results = desk.results(job)
    shots = len(results.intake.shots)
    assert shots == len(wanted), "the results hold each once"
    check = desk.store.verify(job)
    assert check.sound, check.faults
    return {"acknowledged": len(acknowledged), "frozen": frozen, "shots": shots}
