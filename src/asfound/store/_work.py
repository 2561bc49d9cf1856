"""Tasks for the worker, and releases on file."""

from __future__ import annotations

import secrets
from datetime import timedelta

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.exc import IntegrityError

from asfound.store._engine import Transactions
from asfound.store._errors import ConflictError, UnknownError
from asfound.store._text import checked_text
from asfound.store.ledger import Head
from asfound.store.records import Released, Task
from asfound.store.schema import jobs, releases, tasks

MOST_ATTEMPTS = 3
"""A task whose worker died this often is not tried again."""


class Work(Transactions):
    """Tasks and releases."""

    def enqueue(self, job: str, kind: str, head: int) -> Task:
        """Ask for work on a job as of `head` entries.

        A task of the same kind that still waits is taken for it, and moved to `head`.

        Raises
        ------
        UnknownError
            If there is no such job.
        """
        with self.writing() as connection:
            _lock_job(connection, job)
            waiting = connection.execute(
                select(tasks.c.id).where(
                    tasks.c.job == job, tasks.c.kind == kind, tasks.c.state == "waiting"
                )
            ).scalar()
            if waiting is None:
                made = connection.execute(
                    insert(tasks)
                    .values(
                        job=job,
                        kind=kind,
                        state="waiting",
                        step="",
                        progress=0.0,
                        head=head,
                        attempts=0,
                        created=self.clock(),
                        message="",
                    )
                    .returning(*tasks.c)
                )
            else:
                made = connection.execute(
                    update(tasks).where(tasks.c.id == waiting).values(head=head).returning(*tasks.c)
                )
            return Task(**made.mappings().one())

    def claim(self) -> Task | None:
        """Take the oldest waiting task of a job that no one works on; None if there is none."""
        busy = select(tasks.c.job).where(tasks.c.state == "running")
        query = (
            select(tasks.c.id)
            .where(tasks.c.state == "waiting", tasks.c.job.not_in(busy))
            .order_by(tasks.c.id)
            .limit(1)
        )
        # Looked at first without a lock, so that idle workers don't keep writers waiting.
        with self.reading() as connection:
            if connection.execute(query).first() is None:
                return None
        with self.writing() as connection:
            if not self.is_sqlite:
                connection.exec_driver_sql("LOCK TABLE tasks IN SHARE ROW EXCLUSIVE MODE")
            found = connection.execute(query).scalar()
            if found is None:
                return None
            now = self.clock()
            made = connection.execute(
                update(tasks)
                .where(tasks.c.id == found)
                .values(
                    state="running",
                    started=now,
                    heartbeat=now,
                    attempts=tasks.c.attempts + 1,
                    step="",
                    progress=0.0,
                    message="",
                )
                .returning(*tasks.c)
            )
            return Task(**made.mappings().one())

    def step(self, task: Task, step: str, progress: float) -> bool:
        """Say how far a claimed task is; False if it is no longer the caller's."""
        return self._mine(
            task, step=step, progress=min(1.0, max(0.0, progress)), heartbeat=self.clock()
        )

    def finish(self, task: Task, *, message: str = "", failed: bool = False) -> bool:
        """End a claimed task; False if it is no longer the caller's."""
        now = self.clock()
        values = {"state": "failed", "message": message} if failed else {"state": "done"}
        if not failed:
            values |= {"message": message}
        return self._mine(
            task, finished=now, heartbeat=now, **values, **({} if failed else {"progress": 1.0})
        )

    def _mine(self, task: Task, **values: object) -> bool:
        with self.writing() as connection:
            # A task that was given to another worker meanwhile has more attempts.
            done = connection.execute(
                update(tasks)
                .where(
                    tasks.c.id == task.id,
                    tasks.c.state == "running",
                    tasks.c.attempts == task.attempts,
                )
                .values(**values)
            )
            return bool(done.rowcount)

    def requeue_stale(self, older_than: timedelta) -> list[Task]:
        """Let tasks be claimed again whose worker was not heard from for so long.

        Returns
        -------
        tasks : list of Task
            As they are now: waiting, or failed after too many attempts.
        """
        limit, now = self.clock() - older_than, self.clock()
        stale = (tasks.c.state == "running") & (tasks.c.heartbeat < limit)
        with self.reading() as connection:
            if connection.execute(select(tasks.c.id).where(stale).limit(1)).first() is None:
                return []
        with self.writing() as connection:
            failed = connection.execute(
                update(tasks)
                .where(stale, tasks.c.attempts >= MOST_ATTEMPTS)
                .values(
                    state="failed",
                    finished=now,
                    message=f"The work was broken off {MOST_ATTEMPTS} times.",
                )
                .returning(*tasks.c)
            )
            changed = [Task(**row) for row in failed.mappings()]
            again = connection.execute(
                update(tasks)
                .where(stale)
                .values(state="waiting", started=None, heartbeat=None, step="", progress=0.0)
                .returning(*tasks.c)
            )
            return changed + [Task(**row) for row in again.mappings()]

    def task(self, task_id: int) -> Task:
        """A task.

        Raises
        ------
        UnknownError
        """
        with self.reading() as connection:
            row = connection.execute(select(tasks).where(tasks.c.id == task_id)).mappings().first()
        if row is None:
            raise UnknownError(f"there is no task {task_id}.", where="task", remedy="See the job.")
        return Task(**row)

    def list_tasks(self, job: str, *, limit: int = 20) -> list[Task]:
        """Tasks of a job, the newest first."""
        query = select(tasks).where(tasks.c.job == job).order_by(tasks.c.id.desc()).limit(limit)
        with self.reading() as connection:
            return [Task(**row) for row in connection.execute(query).mappings()]

    # Releases

    def add_release(
        self, job: str, head: Head, name: str, manifest_sha256: str, path: str
    ) -> Released:
        """Put a release on file under a public id that can't be guessed.

        Raises
        ------
        ConflictError
            If the job has a release of this name.
        UnknownError
            If there is no such job.
        """
        name = checked_text(name, "name", longest=80)
        released = Released(
            id=secrets.token_urlsafe(18),
            job=job,
            head=head.size,
            root=head.root,
            name=name,
            manifest_sha256=manifest_sha256,
            path=path,
            created=self.clock(),
        )
        try:
            with self.writing() as connection:
                _lock_job(connection, job)
                connection.execute(insert(releases).values(**vars(released)))
        except IntegrityError as error:
            raise ConflictError(
                f"the job has a release {name!r} already.",
                where="name",
                remedy="Choose another name; a release never changes.",
            ) from error
        return released

    def release(self, release_id: str) -> Released:
        """The release of a public id.

        Raises
        ------
        UnknownError
        """
        query = select(releases).where(releases.c.id == release_id)
        with self.reading() as connection:
            row = connection.execute(query).mappings().first()
        if row is None:
            raise UnknownError("there is no such release.", where="release", remedy="See the job.")
        return Released(**row)

    def list_releases(self, job: str) -> list[Released]:
        """Releases of a job, the newest first."""
        query = select(releases).where(releases.c.job == job).order_by(releases.c.created.desc())
        with self.reading() as connection:
            return [Released(**row) for row in connection.execute(query).mappings()]


def _lock_job(connection: Connection, job: str) -> None:
    query = select(jobs.c.id).where(jobs.c.id == job).with_for_update()
    if connection.execute(query).first() is None:
        raise UnknownError(f"there is no job {job!r}.", where="job", remedy="Check the id.")
