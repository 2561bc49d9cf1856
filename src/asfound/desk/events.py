"""Server-sent events: how far a job's processing is, without reload.

The database is asked once for all browsers that look at the same job. Each event's id names what
it says, so that a browser that comes back (``Last-Event-ID``) is told only what it missed.
"""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import AsyncIterator
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from asfound.desk.context import Desk
from asfound.store import Task

POLL = 0.4
KEEP_ALIVE = 15.0
RETRY = 2000
"""After how many milliseconds a browser comes back."""
LONGEST = 600.0
"""A stream ends after so long [s]; the browser comes back, and its login is checked again."""


class Watch:
    """The newest task and the head of each job that someone looks at."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._seen: dict[str, tuple[float, dict[str, Any]]] = {}
        self._locks: dict[str, asyncio.Lock] = {}

    async def look(self, job: str) -> dict[str, Any]:
        """What there is to say of a job now."""
        lock = self._locks.setdefault(job, asyncio.Lock())
        async with lock:
            at, said = self._seen.get(job, (-1e9, {}))
            if time.monotonic() - at < POLL * 0.9:
                return said
            said = await run_in_threadpool(task_body, self._desk, job)
            self._seen[job] = (time.monotonic(), said)
            return said


def task_body(desk: Desk, job: str) -> dict[str, Any]:
    """The newest task of a job, with the head of its ledger."""
    tasks = desk.store.list_tasks(job, limit=1)
    head = desk.store.head(job).size
    if not tasks:
        return {"job": job, "head": head, "state": "none", "progress": 0.0, "words": ""}
    return {"job": job, **describe_task(tasks[0]), "head": head}


def describe_task(task: Task) -> dict[str, Any]:
    """A task as the API says it."""
    return {
        "id": task.id,
        "kind": task.kind,
        "state": task.state,
        "step": task.step,
        "progress": round(task.progress, 3),
        "task_head": task.head,
        "created": task.created.isoformat(),
        "finished": task.finished.isoformat() if task.finished else None,
        "message": task.message,
        "words": words_of(task),
    }


def words_of(task: Task) -> str:
    """A task in one sentence."""
    if task.state == "waiting":
        return "Processing waits for its turn."
    if task.state == "running":
        return f"{task.step or 'Starting'} ..."
    if task.state == "failed":
        return f"Processing stopped: {task.message}"
    return "Processed."


def event_id(said: dict[str, Any]) -> str:
    """What tells one event from the next."""
    return f"{said.get('id', 0)}-{said['state']}-{said['progress']}-{said['head']}"


async def stream(
    request: Request, watch: Watch, job: str, stopping: threading.Event
) -> AsyncIterator[bytes]:
    """Events of a job until the browser leaves or the server stops.

    Yields
    ------
    part : bytes
        ``event: task`` with its state, step, progress, words and the ledger's head; a comment
        where nothing happened for a while, so that no proxy closes the line.
    """
    last = request.headers.get("last-event-id", "")
    started = said_at = time.monotonic()
    yield f"retry: {RETRY}\n\n".encode()
    while not stopping.is_set() and time.monotonic() - started < LONGEST:
        said = await watch.look(job)
        name = event_id(said)
        if name != last:
            last, said_at = name, time.monotonic()
            yield f"id: {name}\nevent: task\ndata: {json.dumps(said)}\n\n".encode()
        elif time.monotonic() - said_at > KEEP_ALIVE:
            said_at = time.monotonic()
            yield b": still here\n\n"
        if await request.is_disconnected():
            return
        await asyncio.sleep(POLL)
