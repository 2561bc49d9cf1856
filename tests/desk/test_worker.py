"""The worker: results all at once, failures in words, nothing lost when it is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import timedelta

import pytest

from asfound.desk import actions, worker
from asfound.desk.guard import Identity
from asfound.desk.receivers import receivers_of

WHO = Identity("Ana", "administrator")


def reject(site, row=3):
    sha256 = site.desk.state(site.job).uploads[0].main.sha256
    return actions.decide(
        site.desk, WHO, site.job, "reject", [actions_key(sha256, row)], why="tilted"
    )[1]


def actions_key(sha256, row):
    from asfound.model import ShotKey

    return ShotKey(sha256, row)


def test_results_are_those_of_the_command_line_byte_for_byte(demo, tmp_path):
    from asfound.folder import process_job
    from asfound.folder.demonstration import build_demo

    folder = build_demo(tmp_path / "cli", 7)
    _, files = process_job(folder.path)
    out = demo.desk.places(demo.job).out
    processed = demo.desk.state(demo.job).processed["files"]
    tables = [p for p in files if p.name in ("shots.csv", "lines.csv", "crossings.csv")]
    assert len(tables) == 3
    for path in tables:
        assert (out / path.name).read_bytes() == path.read_bytes()
    assert set(processed) == {p.relative_to(folder.out).as_posix() for p in files}


def test_processing_again_without_a_change_does_nothing(demo):
    head = demo.desk.store.head(demo.job).size
    target = demo.desk.places(demo.job).current.resolve()
    actions.process(demo.desk, demo.job)
    demo.work()
    assert demo.desk.store.list_tasks(demo.job)[0].state == "done"
    assert demo.desk.store.head(demo.job).size == head
    assert demo.desk.places(demo.job).current.resolve() == target


def test_changes_that_come_close_together_are_processed_once(demo):
    for row in (3, 4, 5):
        reject(demo, row)
    waiting = [t for t in demo.desk.store.list_tasks(demo.job) if t.state == "waiting"]
    assert len(waiting) == 1
    demo.work()
    assert demo.desk.state(demo.job).up_to_date


def test_a_job_that_can_not_be_processed_says_why_and_keeps_the_last_results(demo):
    results = demo.desk.results(demo.job)
    for upload in demo.desk.state(demo.job).current[1:]:
        actions.remove_upload(demo.desk, WHO, demo.job, upload.main.sha256, "for the test")
    first = demo.desk.state(demo.job).current[0]
    demo.desk.blobs.path(first.main.sha256).unlink()
    work = demo.desk.places(demo.job).work / "raw"
    for path in work.rglob("*.csv"):
        path.unlink()
    demo.work()
    task = demo.desk.store.list_tasks(demo.job)[0]
    assert task.state == "failed"
    assert "not on the server any more" in task.message
    assert "backup" in task.message
    assert str(demo.desk.config.data) not in task.message
    assert demo.desk.results(demo.job) is results


def test_a_fault_in_processing_is_logged_and_said_without_its_inside(demo, monkeypatch, caplog):
    def broken(*_, **__):
        raise RuntimeError("inside")

    monkeypatch.setattr(worker, "process_job", broken)
    reject(demo)
    demo.work()
    task = demo.desk.store.list_tasks(demo.job)[0]
    assert task.state == "failed"
    assert "inside" not in task.message
    assert "inside" in caplog.text


def test_a_worker_whose_task_went_to_another_stops_and_changes_nothing(demo, monkeypatch):
    reject(demo)
    task = demo.desk.store.claim()
    monkeypatch.setattr(demo.desk.store, "step", lambda *_: False)
    before = demo.desk.places(demo.job).current.resolve()
    worker.run_task(demo.desk, task)
    assert demo.desk.places(demo.job).current.resolve() == before
    assert demo.desk.store.task(task.id).state == "running"


def test_old_results_are_cleared_away_but_not_the_ones_just_read(demo):
    for row in range(3, 9):
        reject(demo, row)
        demo.work()
    places = demo.desk.places(demo.job)
    assert len(list(places.states.iterdir())) == 3
    assert places.current.resolve().is_dir()
    assert (places.view / "view.json").is_file()


@pytest.mark.parametrize("delay", [0.1, 0.7, 1.4, 2.1])
def test_a_worker_that_is_killed_loses_nothing(demo, delay):
    reject(demo)
    before = demo.desk.store.head(demo.job)
    process = started(demo)
    time.sleep(delay)
    process.send_signal(signal.SIGKILL)
    process.wait()
    demo.desk.store.requeue_stale(timedelta(0))
    demo.work()
    task = demo.desk.store.list_tasks(demo.job)[0]
    assert (task.state, task.message) == ("done", "")
    check = demo.desk.store.verify(demo.job, heads=[before])
    assert check.sound, check.faults
    processed = demo.desk.store.entries(demo.job, after=before.size, actions=("processed",))
    assert len(processed) == 1
    assert demo.desk.state(demo.job).up_to_date


def test_a_worker_told_to_stop_ends_by_itself(demo):
    reject(demo)
    process = started(demo)
    process.send_signal(signal.SIGTERM)
    assert process.wait(30) == 0
    assert demo.desk.store.list_tasks(demo.job)[0].state == "done", "it ends its task first"


def started(demo, **more):
    """A worker in a process of its own that has just claimed the waiting task."""
    environment = {**os.environ, "ASFOUND_DATA": str(demo.desk.config.data), **more}
    process = subprocess.Popen([sys.executable, "-m", "asfound.desk.worker"], env=environment)
    limit = time.monotonic() + 30
    while demo.desk.store.list_tasks(demo.job)[0].state == "waiting":
        assert time.monotonic() < limit
        time.sleep(0.02)
    return process


def test_a_worker_whose_server_is_gone_ends_by_itself(demo):
    environment = {
        **os.environ, "ASFOUND_DATA": str(demo.desk.config.data), "ASFOUND_PARENT": "1",
    }  # fmt: skip
    process = subprocess.Popen([sys.executable, "-m", "asfound.desk.worker"], env=environment)
    assert process.wait(30) == 0


def test_what_each_receiver_logged_adds_up_to_all_shots(demo_to_read):
    results = demo_to_read.desk.results(demo_to_read.job)
    found = receivers_of(results)
    assert sum(one["shots"] for one in found.values()) == len(results.intake.shots)
    assert set(found) == {source.receiver for source in results.intake.sources if source.rows}
