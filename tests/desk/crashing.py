"""A desk under load whose processes are killed at random moments; then the count.

Used by the tests with a few kills and by bench/bench_desk_crash.py with a hundred.
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import json
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from desk_process import DeskProcess, Line, kept, prepare
from many_clients import shot

HEAD = "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Utility,Depth (m)\r\n"
HINTS = '{"frame": "ITRF2020", "receiver": "EL-1", "antenna_height": "2 m"}'
BROKEN = (OSError, http.client.HTTPException, ValueError)
"""What a client sees when its server dies; ValueError: half an answer is no JSON."""


@dataclass
class Record:
    """What clients were told is kept."""

    posts: dict[tuple[str, str], tuple[int, str]] = field(default_factory=dict)
    decisions: dict[tuple[str, str], tuple[int, str]] = field(default_factory=dict)
    uploads: dict[tuple[str, str], bytes] = field(default_factory=dict)
    read: int = 0
    half: list[str] = field(default_factory=list)
    served: dict[str, set[str]] = field(default_factory=dict)


def csv_of(number: int) -> bytes:
    """A small invented upload; no two are the same bytes."""
    rows = [
        f"{n + 1},2026-11-17T{14 + number // 60 % 8:02d}:{number % 60:02d}:{20 + n:02d}Z,"
        f"{39.28 + 1e-5 * n:.6f},{-98.05 + 1e-5 * number:.6f},404.0{n},RTK fixed,gas,1.1{n}\r\n"
        for n in range(4)
    ]
    return (HEAD + "".join(rows)).encode()


class Load:
    """Clients that post shots, upload files, decide and read, whatever happens to the server."""

    def __init__(self, port: int, secret: str, jobs: list[str]) -> None:
        self.record = Record()
        self._port, self._secret, self._jobs = port, secret, jobs
        self._over = threading.Event()
        work = (self._post, self._post, self._upload, self._decide, self._read)
        self._faults: list[BaseException] = []
        self._threads = [
            threading.Thread(target=self._run, args=(part, number), daemon=True)
            for number, part in enumerate(work)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Let every client get the answer it waits for, then end."""
        self._over.set()
        for thread in self._threads:
            thread.join(150)
        assert not any(thread.is_alive() for thread in self._threads), "a client hangs"
        assert not self._faults, self._faults

    def _run(self, part: Any, number: int) -> None:
        line, n = Line(self._port, self._secret), 0
        try:
            while not self._over.is_set():
                part(line, self._jobs[(n + number) % len(self._jobs)], number, n)
                n += 1
        except BaseException as error:
            self._faults.append(error)
        finally:
            line.close()

    def _insist(self, ask: Any) -> Any:
        """Ask until there is an answer, as a client does that was cut off."""
        limit = time.monotonic() + 120
        while True:
            try:
                status, answer = ask()
            except BROKEN:
                status, answer = 503, None
            if status != 503:
                assert status < 500, answer
                return status, answer
            assert time.monotonic() < limit, "the desk does not come back"
            time.sleep(0.03)

    def _post(self, line: Line, job: str, number: int, n: int) -> None:
        key = f"post-{number}-{n}"
        body = {"receiver": f"EL-{number}", "frame": "ITRF2020", "rows": [shot(number, n)]}
        status, answer = self._insist(
            lambda: line.json("POST", f"/api/v1/jobs/{job}/shots", body, key=key)
        )
        assert status == 201, answer
        self.record.posts[job, key] = (answer["sequence"], answer["hash"])
        time.sleep(0.02)

    def _upload(self, line: Line, job: str, number: int, n: int) -> None:
        data = csv_of(n)
        status, answer = self._insist(
            lambda: line.upload(job, f"file-{n}.csv", data, {"hints": HINTS})
        )
        assert status in (200, 201), answer
        sha256 = hashlib.sha256(data).hexdigest()
        assert answer["sha256"] == sha256
        self.record.uploads[job, sha256] = data
        self._over.wait(0.7)

    def _decide(self, line: Line, job: str, number: int, n: int) -> None:
        mine = [sha256 for where, sha256 in list(self.record.uploads) if where == job]
        if not mine:
            self._over.wait(0.1)
            return
        key = f"decision-{n}"
        body = {
            "kind": "reject",
            "shots": [[mine[n % len(mine)], n % 4]],
            "why": f"held askew, {n}",
        }
        status, answer = self._insist(
            lambda: line.json("POST", f"/api/v1/jobs/{job}/decisions", body, key=key)
        )
        assert status == 201, answer
        self.record.decisions[job, key] = (answer["sequence"], answer["hash"])
        self._over.wait(0.4)

    def _read(self, line: Line, job: str, number: int, n: int) -> None:
        """What is served of results is whole, or not there."""
        for path in (f"/jobs/{job}/view/view.json", f"/api/v1/jobs/{job}/outputs/lines.csv"):
            with contextlib.suppress(OSError, http.client.HTTPException):
                status, data = line.raw("GET", path)
                if status == 404:
                    continue
                assert status == 200, (path, status, data[:300])
                self.record.read += 1
                if path.endswith("json"):
                    try:
                        json.loads(data)
                    except ValueError:
                        self.record.half.append(f"{path}: {data[-60:]!r}")
                else:
                    self.record.served.setdefault(job, set()).add(hashlib.sha256(data).hexdigest())
        self._over.wait(0.2)


@dataclass
class Counted:
    """What a run found."""

    kills: dict[str, int]
    posts: int
    uploads: int
    decisions: int
    processed: int
    reads: int
    taken_up: int


def check(desk: Any, jobs: list[str], record: Record) -> None:
    """Everything acknowledged is there, and the ledgers hold.

    Raises
    ------
    AssertionError
        If not.
    """
    posts, decisions, uploads = dict(record.posts), dict(record.decisions), dict(record.uploads)
    for job in jobs:
        entries = {(one.who, one.key): one for one in desk.store.entries(job) if one.key}
        by_key = {key: (one.sequence, one.hash) for (_, key), one in entries.items()}
        for (where, key), place in [*posts.items(), *decisions.items()]:
            if where == job:
                assert by_key.get(key) == place, f"lost: {key}"
        state = desk.state(job)
        for (where, sha256), data in uploads.items():
            if where == job:
                assert state.upload(sha256) is not None, f"lost: {sha256}"
                assert desk.blobs.path(sha256).read_bytes() == data
        found = desk.store.verify(job)
        assert found.sound, found.faults


def run(
    folder: Path,
    kills: int,
    *,
    database: str = "",
    jobs: int = 2,
    seed: int = 3,
    longest: float = 2.0,
    calm: float = 0.0,
    say: Any = None,
) -> Counted:
    """Kill server, worker or both so many times under load, and check after every kill."""
    generator = np.random.default_rng(seed)
    data = folder / "data"
    secret, names = prepare(data, database, jobs)
    server = DeskProcess(data, database)
    server.start()
    load = Load(server.port, secret, names)
    load.start()
    killed = {"server": 0, "worker": 0, "both": 0}
    beside = kept(data, database)
    try:
        time.sleep(calm)
        for number in range(kills):
            # A third at any moment, a third while results are made, a third just after.
            if number % 3:
                wait_for(beside, names, "running" if number % 3 == 1 else "done")
            time.sleep(float(generator.uniform(0.1, longest)))
            drawn = int(generator.integers(3))
            what = ("server", "worker", "both")[number if number < 3 else drawn]
            killed[what] += 1
            if what != "server":
                server.kill_worker()
            if what != "worker":
                server.kill()
                server.start()
            check(beside, names, load.record)
            if say is not None and (number + 1) % 10 == 0:
                say(f"{number + 1} kills, {len(load.record.posts)} posts held")
        load.stop()
        for job in names:
            finish(server.port, secret, job)
        assert server.stop() == 0
    finally:
        server.stop()
    check(beside, names, load.record)
    assert not load.record.half, load.record.half
    for job, digests in load.record.served.items():
        made = beside.store.entries(job, actions=("processed",))
        assert digests <= {entry.payload["files"]["lines.csv"] for entry in made}
    said = server.said()
    processed = sum(count_results(beside, job) for job in names)
    beside.store.close()
    return Counted(
        killed,
        len(load.record.posts),
        len(load.record.uploads),
        len(load.record.decisions),
        processed,
        load.record.read,
        said.count("was broken off"),
    )


def wait_for(desk: Any, jobs: list[str], state: str, seconds: float = 20.0) -> None:
    """Wait until the newest task of some job is in a state, if one comes to it in time."""
    limit = time.monotonic() + seconds
    while time.monotonic() < limit:
        newest = [task for job in jobs for task in desk.store.list_tasks(job, limit=2)]
        if any(task.state == state for task in newest):
            return
        time.sleep(0.05)


def finish(port: int, secret: str, job: str) -> None:
    """Wait until the results are those of the ledger; ask again where a task was given up."""
    line, limit = Line(port, secret), time.monotonic() + 240
    while True:
        status, task = line.json("POST", f"/api/v1/jobs/{job}/process")
        assert status < 300, task
        while True:
            _, now = line.json("GET", f"/api/v1/jobs/{job}/tasks/{task['id']}")
            if now["state"] in ("done", "failed"):
                break
            assert time.monotonic() < limit, now
            time.sleep(0.1)
        if now["state"] == "done":
            line.close()
            return
        assert "broken off" in now["message"], now


def count_results(desk: Any, job: str) -> int:
    """The results hold every row of the ledger, once; how many ``processed`` entries there are."""
    state = desk.state(job)
    assert state.up_to_date
    assert not state.batches()
    posted = [
        str(row["name"])
        for entry in desk.store.entries(job, actions=("shots-posted",))
        for row in entry.payload["rows"]
    ]
    assert len(set(posted)) == len(posted), "a shot is double"
    filed = [upload for upload in state.current if not upload.posted]
    results = desk.results(job)
    assert len(results.intake.shots) == len(posted) + 4 * len(filed)
    made = desk.store.entries(job, actions=("processed",))
    hashes = made[-1].payload["files"]
    for name, digest in hashes.items():
        data = (desk.places(job).out / name).read_bytes()
        assert hashlib.sha256(data).hexdigest() == digest, f"{name} is not what was made"
    tasks = desk.store.list_tasks(job, limit=1000)
    assert all(task.state in ("done", "failed") for task in tasks), "a task is left over"
    return len(made)
