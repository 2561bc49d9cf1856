"""Tasks go to one worker at a time and outlive it; releases stay as they are."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest

from asfound.store import ConflictError, Head, Store, UnknownError

LATE = timedelta(seconds=60)


@pytest.fixture
def job(store: Store) -> str:
    store.create_job("elm", "Elm", "ana", {})
    return "elm"


def test_a_task_goes_from_waiting_to_done(store: Store, job: str) -> None:
    asked = store.enqueue(job, "process", 3)
    assert (asked.state, asked.head) == ("waiting", 3)
    task = store.claim()
    assert task is not None
    assert (task.id, task.state, task.attempts) == (asked.id, "running", 1)
    assert store.step(task, "Reading", 0.4)
    assert (store.task(task.id).step, store.task(task.id).progress) == ("Reading", 0.4)
    assert store.finish(task, message="24 files")
    done = store.task(task.id)
    assert (done.state, done.progress, done.message) == ("done", 1.0, "24 files")
    assert store.claim() is None


def test_asking_again_while_a_task_waits_moves_it_on(store: Store, job: str) -> None:
    first = store.enqueue(job, "process", 3)
    again = store.enqueue(job, "process", 5)
    assert (again.id, again.head) == (first.id, 5)
    task = store.claim()
    assert task is not None
    later = store.enqueue(job, "process", 7)
    assert later.id != task.id, "what runs is not changed"


def test_one_job_is_worked_on_by_one_worker(store: Store, job: str) -> None:
    store.create_job("oak", "Oak", "ana", {})
    store.enqueue(job, "process", 1)
    first = store.claim()
    store.enqueue(job, "process", 2)
    assert store.claim() is None
    other = store.enqueue("oak", "process", 1)
    second = store.claim()
    assert second is not None
    assert second.id == other.id
    assert first is not None
    store.finish(first, failed=True, message="no shots")
    assert store.task(first.id).state == "failed"
    third = store.claim()
    assert third is not None
    assert third.head == 2


def test_of_many_workers_each_task_goes_to_one(store: Store) -> None:
    for number in range(12):
        store.create_job(f"job-{number}", "Job", "ana", {})
        store.enqueue(f"job-{number}", "process", 1)

    def worker(_: int) -> list[int]:
        done = []
        while (task := store.claim()) is not None:
            done.append(task.id)
            store.finish(task)
        return done

    with ThreadPoolExecutor(6) as pool:
        claimed = [task for one in pool.map(worker, range(6)) for task in one]
    assert len(claimed) == len(set(claimed)) == 12


def test_a_task_of_a_dead_worker_is_claimed_again(store: Store, job: str, clock: Any) -> None:
    store.enqueue(job, "process", 1)
    dead = store.claim()
    assert dead is not None
    clock.jump(seconds=30)
    assert store.requeue_stale(LATE) == []
    store.step(dead, "still at it", 0.5)
    clock.jump(seconds=45)
    assert store.requeue_stale(LATE) == []
    clock.jump(seconds=45)
    (again,) = store.requeue_stale(LATE)
    assert again.state == "waiting"
    task = store.claim()
    assert task is not None
    assert task.attempts == 2
    # The first worker was only slow, and comes back:
    assert not store.step(dead, "late", 0.9)
    assert not store.finish(dead)
    assert store.task(task.id).state == "running"
    assert store.finish(task)


def test_a_task_that_kills_its_workers_is_given_up(store: Store, job: str, clock: Any) -> None:
    store.enqueue(job, "process", 1)
    for _ in range(3):
        assert store.claim() is not None
        clock.jump(minutes=5)
        (task,) = store.requeue_stale(LATE)
    assert task.state == "failed"
    assert "3 times" in task.message
    assert store.claim() is None


def test_tasks_are_listed_newest_first(store: Store, job: str) -> None:
    for number in range(3):
        store.enqueue(job, f"kind-{number}", 1)
    assert [task.kind for task in store.list_tasks(job, limit=2)] == ["kind-2", "kind-1"]
    with pytest.raises(UnknownError):
        store.enqueue("ash", "process", 1)
    with pytest.raises(UnknownError):
        store.task(99)


def test_a_release_is_found_by_an_id_that_can_t_be_guessed(store: Store, job: str) -> None:
    head = Head(job, 1, store.head(job).root)
    one = store.add_release(job, head, "Issue A", "ab" * 32, "releases/a.zip")
    two = store.add_release(job, head, "Issue B", "cd" * 32, "releases/b.zip")
    assert store.release(one.id) == one
    assert len({one.id, two.id}) == 2
    assert min(len(one.id), len(two.id)) >= 24
    assert [released.name for released in store.list_releases(job)] == ["Issue B", "Issue A"]
    with pytest.raises(ConflictError, match="Issue A"):
        store.add_release(job, head, "Issue A", "ef" * 32, "c.zip")
    with pytest.raises(UnknownError):
        store.release("x")
    with pytest.raises(UnknownError):
        store.add_release("ash", head, "Issue A", "ef" * 32, "c.zip")
