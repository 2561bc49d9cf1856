"""The worker: results all at once, failures in words, nothing lost when it is killed."""

from __future__ import annotations

import os
import shutil
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


def test_processing_again_without_a_change_does_nothing(small):
    head = small.desk.store.head(small.job).size
    target = small.desk.places(small.job).current.resolve()
    actions.process(small.desk, small.job)
    small.work()
    assert small.desk.store.list_tasks(small.job)[0].state == "done"
    assert small.desk.store.head(small.job).size == head
    assert small.desk.places(small.job).current.resolve() == target


def test_results_that_were_lost_are_made_again_even_where_other_libraries_write_other_bytes(
    small, monkeypatch
):
    places = small.desk.places(small.job)
    head = small.desk.store.head(small.job).size
    for change, entries in ((b"", 0), (b" ", 1)):
        shutil.rmtree(places.folder)
        places.folder.mkdir()
        real = worker.process_job

        def process_job(path, real=real, change=change, **more):
            results, files = real(path, **more)
            for file in files:
                if file.name == "about.txt":
                    file.write_bytes(file.read_bytes() + change)
            return results, files

        monkeypatch.setattr(worker, "process_job", process_job)
        actions.process(small.desk, small.job)
        small.work()
        assert small.desk.store.list_tasks(small.job)[0].state == "done"
        assert (places.view / "view.json").is_file()
        assert small.desk.store.head(small.job).size == head + entries
    assert small.desk.store.verify(small.job).sound


def test_changes_that_come_close_together_are_processed_once(small):
    for row in (3, 4, 5):
        reject(small, row)
    waiting = [t for t in small.desk.store.list_tasks(small.job) if t.state == "waiting"]
    assert len(waiting) == 1
    small.work()
    assert small.desk.state(small.job).up_to_date


def test_a_job_that_can_not_be_processed_says_why_and_keeps_the_last_results(small):
    results = small.desk.results(small.job)
    reject(small)
    first = small.desk.state(small.job).current[0]
    small.desk.blobs.path(first.main.sha256).unlink()
    work = small.desk.places(small.job).work / "raw"
    for path in work.rglob("*.csv"):
        path.unlink()
    small.work()
    task = small.desk.store.list_tasks(small.job)[0]
    assert task.state == "failed"
    assert "not on the server any more" in task.message
    assert "backup" in task.message
    assert str(small.desk.config.data) not in task.message
    assert small.desk.results(small.job) is results


def test_a_fault_in_processing_is_logged_and_said_without_its_inside(small, monkeypatch, caplog):
    def broken(*_, **__):
        raise RuntimeError("inside")

    monkeypatch.setattr(worker, "process_job", broken)
    reject(small)
    small.work()
    task = small.desk.store.list_tasks(small.job)[0]
    assert task.state == "failed"
    assert "inside" not in task.message
    assert "inside" in caplog.text


def test_a_worker_whose_task_went_to_another_stops_and_changes_nothing(small, monkeypatch):
    reject(small)
    task = small.desk.store.claim()
    monkeypatch.setattr(small.desk.store, "step", lambda *_: False)
    before = small.desk.places(small.job).current.resolve()
    worker.run_task(small.desk, task)
    assert small.desk.places(small.job).current.resolve() == before
    assert small.desk.store.task(task.id).state == "running"


def test_old_results_are_cleared_away_but_not_the_ones_just_read(small):
    for row in range(3, 7):
        reject(small, row)
        small.work()
    places = small.desk.places(small.job)
    assert len(list(places.states.iterdir())) == 3
    assert places.current.resolve().is_dir()
    assert (places.view / "view.json").is_file()


@pytest.mark.parametrize("delay", [0.0, 0.3, 0.7])
def test_a_worker_that_is_killed_loses_nothing(small, delay):
    reject(small)
    before = small.desk.store.head(small.job)
    process = started(small)
    time.sleep(delay)
    process.send_signal(signal.SIGKILL)
    process.wait()
    small.desk.store.requeue_stale(timedelta(0))
    small.work()
    task = small.desk.store.list_tasks(small.job)[0]
    assert (task.state, task.message) == ("done", "")
    check = small.desk.store.verify(small.job, heads=[before])
    assert check.sound, check.faults
    processed = small.desk.store.entries(small.job, after=before.size, actions=("processed",))
    assert len(processed) == 1
    assert small.desk.state(small.job).up_to_date


def test_a_worker_told_to_stop_ends_by_itself(small):
    reject(small)
    process = started(small)
    process.send_signal(signal.SIGTERM)
    assert process.wait(120) == 0
    assert small.desk.store.list_tasks(small.job)[0].state == "done", "it ends its task first"


def started(small, **more):
    """A worker in a process of its own that has just claimed the waiting task."""
    environment = {**os.environ, "ASFOUND_DATA": str(small.desk.config.data), **more}
    process = subprocess.Popen([sys.executable, "-m", "asfound.desk.worker"], env=environment)
    limit = time.monotonic() + 120
    while small.desk.store.list_tasks(small.job)[0].state == "waiting":
        assert time.monotonic() < limit
        time.sleep(0.02)
    return process


def test_a_worker_whose_server_is_gone_ends_by_itself(small):
    environment = {
        **os.environ, "ASFOUND_DATA": str(small.desk.config.data), "ASFOUND_PARENT": "1",
    }  # fmt: skip
    process = subprocess.Popen([sys.executable, "-m", "asfound.desk.worker"], env=environment)
    assert process.wait(120) == 0


def test_what_each_receiver_logged_adds_up_to_all_shots(demo_to_read):
    results = demo_to_read.desk.results(demo_to_read.job)
    found = receivers_of(results)
    assert sum(one["shots"] for one in found.values()) == len(results.intake.shots)
    assert set(found) == {source.receiver for source in results.intake.sources if source.rows}
