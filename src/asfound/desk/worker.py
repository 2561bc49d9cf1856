"""The worker: a process of its own that turns a job's ledger into results.

It claims tasks, writes the job's state out as a folder, processes it as the command line would,
builds what the job page reads, and puts the hashes of all outputs on the ledger. Killed at any
moment it loses nothing: the task is claimed again, and the same entries give the same bytes.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import logging
import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from asfound import __version__
from asfound.desk.actions import WORKER, seal_batches
from asfound.desk.blobs import disk_words
from asfound.desk.config import DeskConfig
from asfound.desk.context import Desk, JobPlaces, open_desk, save_results
from asfound.desk.locking import WORKER_LOCK, try_lock
from asfound.desk.logs import set_up_logs
from asfound.desk.materialise import materialise
from asfound.desk.problems import desk_words, sentence
from asfound.desk.receivers import receivers_of
from asfound.desk.state import QUIET_ACTIONS, JobState
from asfound.errors import AsfoundError
from asfound.files import write_whole
from asfound.folder import process_job
from asfound.store import StoreError, Task
from asfound.store.canonical import canonical_json

LOG = logging.getLogger("asfound.desk.worker")

STALE = timedelta(seconds=45)
_BEAT = 5.0
_IDLE = 0.25
_STATES_KEPT = 3


class LostError(Exception):
    """The task was given to another worker meanwhile."""


class Progress:
    """Says how far a task is, and that its worker is alive while a long step runs."""

    def __init__(self, desk: Desk, task: Task) -> None:
        self._desk, self._task = desk, task
        self._step, self._count = "Starting", 0
        self._over = threading.Event()
        self._lost = False
        self._thread = threading.Thread(target=self._beat, daemon=True)

    def __enter__(self) -> Progress:
        self._tell()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def __call__(self, step: str) -> None:
        if self._lost:
            raise LostError
        self._step, self._count = step, self._count + 1
        self._tell()

    def _tell(self) -> None:
        # How many steps there are is not known: each takes a share of what is left.
        share = self._count / (self._count + 9.0)
        if not self._desk.store.step(self._task, self._step[:200], share):
            self._lost = True

    def _beat(self) -> None:
        while not self._over.wait(_BEAT):
            with contextlib.suppress(StoreError):
                self._tell()


def run_task(desk: Desk, task: Task) -> None:
    """Do one claimed task; what goes wrong is said in the task."""
    started = time.monotonic()
    try:
        with Progress(desk, task) as progress:
            process_task(desk, task, progress)
        desk.store.finish(task)
        LOG.info("%s: processed in %.1f s", task.job, time.monotonic() - started)
    except LostError:
        LOG.warning("task %s went to another worker", task.id)
    except AsfoundError as error:
        where = f"{_plain(desk, error.where)}: " if error.where else ""
        words = (
            f"{where}{sentence(_plain(desk, error.what))} {sentence(_plain(desk, error.remedy))}"
        )
        desk.store.finish(task, message=words.strip()[:4000], failed=True)
        LOG.info("%s: can't be processed: %s", task.job, error.what)
    except OSError as error:
        LOG.error("task %s: %s", task.id, error)
        what, remedy = disk_words(error)
        desk.store.finish(task, message=f"{sentence(what)} {remedy}", failed=True)
    except Exception:
        LOG.exception("task %s failed", task.id)
        message = "The desk has a fault of its own. Nothing was lost; tell the administrator."
        desk.store.finish(task, message=message, failed=True)


def _plain(desk: Desk, text: str) -> str:
    return desk_words(None, text.replace(f"{desk.config.data}/", ""))


def process_task(desk: Desk, task: Task, progress: Progress) -> None:
    """Process a job as it stands now.

    Raises
    ------
    AsfoundError
        Whatever keeps it from being processed.
    LostError
        If another worker has the task.
    """
    from asfound.desk.view import build_view

    places = desk.places(task.job)
    places.states.mkdir(parents=True, exist_ok=True)
    with _alone(places):
        progress("Freezing posted shots")
        seal_batches(desk, task.job)
        state = desk.state(task.job)
        if state.up_to_date and _is_current(places, state):
            return
        progress("Laying out the job")
        folder = materialise(state, desk.blobs, places.work, grids=desk.config.grids)
        results, files = process_job(folder.path, progress=progress)
        target = places.states / f"{state.changed_at}-{task.id}-{task.attempts}"
        shutil.rmtree(target, ignore_errors=True)
        try:
            target.mkdir()
            build_view(results, target / "view", progress=progress)
            progress("Keeping the results")
            hashes = {}
            for file in files:
                name = file.relative_to(folder.out).as_posix()
                kept = target / "out" / name
                kept.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file, kept)
                hashes[name] = hashlib.sha256(kept.read_bytes()).hexdigest()
            save_results(target / "results.pickle", results)
            known = json.dumps(receivers_of(results), ensure_ascii=False)
            write_whole(target / "receivers.json", known.encode("utf-8", "replace"))
        except BaseException:
            # On a disk that is full, what came of it would keep it full.
            shutil.rmtree(target, ignore_errors=True)
            raise
        progress("Writing it to the ledger")
        payload = {"head": state.changed_at, "files": hashes, "version": __version__}
        # The same results are one entry, however often they are made; others, from a machine
        # with other libraries, are an entry of their own.
        mark = hashlib.sha256(canonical_json(payload).encode()).hexdigest()
        desk.store.append(task.job, WORKER, "processed", payload, key=f"processed-{mark}")
        _make_current(places, target)


def _is_current(places: JobPlaces, state: JobState) -> bool:
    """Whether the results on disk are of this state and this version."""
    processed = state.processed or {}
    return (
        processed.get("version") == __version__
        and places.current.exists()
        and places.current.resolve().name.startswith(f"{processed['head']}-")
    )


def _make_current(places: JobPlaces, target: Path) -> None:
    """Show new results all at once: one rename of a link."""
    fresh = places.folder / f".current-{os.getpid()}"
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(target.relative_to(places.folder), target_is_directory=True)
    fresh.replace(places.current)
    # Whoever is reading the results before these can finish.
    states = sorted(
        (one for one in places.states.iterdir() if one != target),
        key=lambda one: one.stat().st_mtime,
        reverse=True,
    )
    for old in states[_STATES_KEPT - 1 :]:
        shutil.rmtree(old, ignore_errors=True)


@contextlib.contextmanager
def _alone(places: JobPlaces) -> Iterator[None]:
    """One worker a job, even if one was taken for dead; the lock dies with its process."""
    with (places.folder / ".lock").open("w") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        yield


def run_waiting(desk: Desk) -> int:
    """Do all tasks that wait, in this process.

    Returns
    -------
    count : int
        How many were done.
    """
    count = 0
    while (task := desk.store.claim()) is not None:
        run_task(desk, task)
        count += 1
    return count


def work(desk: Desk, stop: threading.Event) -> None:
    """Do tasks as they come until told to stop."""
    looked = 0.0
    while not stop.is_set():
        try:
            if time.monotonic() - looked > _BEAT:
                looked = time.monotonic()
                for stale in desk.store.requeue_stale(STALE):
                    LOG.warning("task %s was broken off; it is %s", stale.id, stale.state)
            task = desk.store.claim()
            if task is None:
                stop.wait(_IDLE)
            else:
                run_task(desk, task)
        except StoreError as error:
            LOG.error("%s", error)
            stop.wait(5.0)


def take_up(desk: Desk) -> None:
    """Take up what was broken off when the desk was stopped or killed.

    The caller is the only worker: tasks that run are run by no one. And a change may be on the
    ledger whose server was killed before it asked for processing.
    """
    for task in desk.store.requeue_stale(timedelta(0)):
        LOG.warning("%s: processing was broken off; it is %s", task.job, task.state)
    if not desk.config.auto_process:
        return
    for job in desk.store.list_jobs(state="open"):
        tasks = desk.store.list_tasks(job.id, limit=1)
        since = desk.store.entries(job.id, after=tasks[0].head if tasks else 0)
        # Posted shots alone wait for someone to ask; see `actions.post_shots`.
        asked = all(one.action in (*QUIET_ACTIONS, "shots-posted", "job-created") for one in since)
        if asked and desk.places(job.id).current.exists():
            continue
        state = desk.state(job.id)
        # Where all was asked for and still there are no results, a backup was restored.
        if state.current or (state.batches() and not asked):
            desk.store.enqueue(job.id, "process", state.head)


def main() -> None:
    """Run as ``python -m asfound.desk.worker``; set up by ``ASFOUND_DATA`` and
    ``ASFOUND_DATABASE``."""
    set_up_logs()
    config = DeskConfig(
        data=Path(os.environ["ASFOUND_DATA"]), database=os.environ.get("ASFOUND_DATABASE", "")
    )
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    wanted = os.environ.get("ASFOUND_PARENT", "")
    if wanted:
        threading.Thread(target=_follow, args=(int(wanted), stop), daemon=True).start()
    os.nice(5)
    try:
        desk = open_desk(config)
        # The worker of a server that was killed ends its task first.
        while (lock := try_lock(config.data / WORKER_LOCK)) is None:
            if stop.wait(0.2):
                return
        try:
            # Nor may a desk's worker in another folder take this database's tasks.
            while not stop.is_set():
                with desk.store.only_one("worker", wait=1.0) as alone:
                    if alone:
                        take_up(desk)
                        work(desk, stop)
        finally:
            os.close(lock)
    except (AsfoundError, OSError) as error:
        LOG.error("the worker can't work: %s", error)
        raise SystemExit(1) from error


def _follow(parent: int, stop: threading.Event) -> None:
    """A worker whose server is gone ends after its task."""
    while os.getppid() == parent and not stop.wait(1.0):
        pass
    stop.set()


if __name__ == "__main__":
    main()
