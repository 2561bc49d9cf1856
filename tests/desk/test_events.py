"""Progress by events: what is said, once, and the end of a stream."""

from __future__ import annotations

import asyncio
import json
import threading

import pytest
from starlette.requests import Request

from asfound.desk import actions, events
from asfound.desk.events import Watch, stream, task_body


def request(last: str = "", gone: bool = False) -> Request:
    async def receive():
        if gone:
            return {"type": "http.disconnect"}
        return await asyncio.sleep(3600)

    headers = [(b"last-event-id", last.encode())] if last else []
    return Request({"type": "http", "method": "GET", "headers": headers, "path": "/"}, receive)


def read(parts: bytes) -> tuple[str, dict]:
    lines = dict(line.split(": ", 1) for line in parts.decode().strip().split("\n"))
    return lines["id"], json.loads(lines["data"])


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(events, "POLL", 0.02)
    monkeypatch.setattr(events, "KEEP_ALIVE", 0.1)


def collect(site, last="", steps=(), most=6):
    """What a stream says while steps are done one after the other."""

    async def run():
        stopping = threading.Event()
        said, left = [], list(steps)
        async for part in stream(request(last), Watch(site.desk), site.job, stopping):
            said.append(part)
            if (part.startswith(b":") and not left) or len(said) >= most:
                stopping.set()
            elif part.startswith(b":") and left:
                await asyncio.to_thread(left.pop(0))
        return said

    return asyncio.run(asyncio.wait_for(run(), 30))


def test_the_present_state_is_said_first_then_what_changes(small):
    said = collect(small, steps=[lambda: actions.process(small.desk, small.job), small.work])
    assert said[0].startswith(b"retry:")
    told = [read(part)[1] for part in said if part.startswith(b"id:")]
    assert [one["state"] for one in told][:2] == ["done", "waiting"]
    assert told[-1]["state"] in ("running", "done")
    assert {"id", "step", "progress", "words", "head"} <= told[0].keys()


def test_a_browser_that_comes_back_is_not_told_again_what_it_knows(small):
    first = collect(small)
    name, _ = read(next(part for part in first if part.startswith(b"id:")))
    again = collect(small, last=name)
    assert not any(part.startswith(b"id:") for part in again)
    assert any(part.startswith(b":") for part in again), "the line is kept alive"
    other = collect(small, last="something-else")
    assert any(part.startswith(b"id:") for part in other)


def test_a_stream_ends_when_the_server_stops_or_the_browser_leaves(small):
    async def ends(gone, stop):
        stopping = threading.Event()
        if stop:
            stopping.set()
        return [
            part
            async for part in stream(request(gone=gone), Watch(small.desk), small.job, stopping)
        ]

    assert len(asyncio.run(asyncio.wait_for(ends(True, False), 10))) == 2
    assert len(asyncio.run(asyncio.wait_for(ends(False, True), 10))) == 1


def test_ten_browsers_ask_the_database_once(small, monkeypatch):
    asked = []
    monkeypatch.setattr(events, "task_body", lambda *_: asked.append(1) or {"state": "none"})
    monkeypatch.setattr(events, "POLL", 5.0)

    async def all_look():
        watch = Watch(small.desk)
        await asyncio.gather(*(watch.look(small.job) for _ in range(10)))

    asyncio.run(all_look())
    assert len(asked) == 1


def test_a_job_without_tasks_says_so(site):
    browser = site.as_role("technician")
    job = browser.post("/api/v1/jobs", json={"name": "x", "crs": "EPSG:6467"}).json()["id"]
    assert task_body(site.desk, job)["state"] == "none"
    assert browser.get("/jobs/none/events").status_code == 404
