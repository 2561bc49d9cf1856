"""Jobs, their settings, tasks, ledger and releases over the API."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Request
from pydantic import Field
from starlette.responses import FileResponse, Response

from asfound.desk import actions
from asfound.desk.api.common import (
    Body,
    Cursor,
    JobId,
    Json,
    Key,
    Limit,
    Short,
    Text,
    done_body,
    new_router,
    page_of,
)
from asfound.desk.events import describe_task, task_body
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.problems import Refused
from asfound.desk.releasing import package_of, release_body, release_job
from asfound.store import Job, UnknownError

router = new_router("jobs")


class NewJob(Body):
    """A job to start: by its main settings, or by the text of a `job.toml`."""

    name: Short = ""
    crs: Short = Field("", description="EPSG code or PROJ's name of a projected frame.")
    epoch: Annotated[float, Field(ge=1980, le=2100)] | None = None
    unit: Short = Field("m", description="m, ft (international) or ftUS (survey).")
    geoid: Short = ""
    settings: Text | None = None


class ChangedJob(Body):
    """What changes of a job outside its ledger."""

    state: Short = Field(description="open or archived")


class NewSettings(Body):
    """Other settings."""

    settings: Text = Field(description="Text of a `job.toml`.")


class NewRelease(Body):
    """A release to make."""

    name: Short


def job_body(job: Job) -> Json:
    """A job as the API says it."""
    return {
        "id": job.id,
        "title": job.title,
        "created": job.created.isoformat(),
        "state": job.state,
        "head": job.head,
        "root": job.root,
    }


@router.get("/jobs", summary="All jobs, the newest first")
def list_jobs(request: Request, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """A page of jobs; `next` is the cursor of the page after it, null at the end."""
    desk = desk_of(request)
    jobs = desk.store.list_jobs()
    page = page_of("jobs", jobs, cursor, limit)
    return {**page, "jobs": [job_body(job) for job in page["jobs"]]}


@router.post("/jobs", status_code=201, summary="Start a job")
def start_job(request: Request, body: NewJob, key: Key = None) -> Json:
    """Its id is made of its name; repeated under the same key, the first job comes back."""
    desk, identity = desk_of(request), identity_of(request)
    if body.settings is not None:
        entry = actions.create_job_of_text(desk, identity, body.settings, key=key)
    else:
        for field in ("name", "crs"):
            if not getattr(body, field).strip():
                raise Refused(422, f"The job needs a {field}.", f"Give {field}.", field)
        settings = actions.new_settings(
            body.name, body.crs, epoch=body.epoch, unit=body.unit, geoid=body.geoid
        )
        entry = actions.create_job(desk, identity, settings, key=key)
    return job_body(desk.store.job(entry.job))


@router.get("/jobs/{job}", summary="A job and what is left to process")
def show_job(request: Request, job: JobId) -> Json:
    """Its ledger's head, counts, and the newest task."""
    desk = desk_of(request)
    found, state = desk.store.job(job), desk.state(job)
    return {
        **job_body(found),
        "uploads": len(state.current),
        "posted": sum(len(rows) for rows in state.posted.values()),
        "decisions": sum(item.undone is None for item in state.decided),
        "processed_head": int(state.processed["head"]) if state.processed else None,
        "up_to_date": state.up_to_date,
        "task": task_body(desk, job),
    }


@router.patch("/jobs/{job}", summary="Archive a job, or open it again")
def change_job(request: Request, job: JobId, body: ChangedJob) -> Json:
    """An archived job stays readable."""
    desk = desk_of(request)
    desk.store.job(job)
    return job_body(desk.store.change_job(job, state=body.state))


@router.get("/jobs/{job}/settings", summary="A job's settings")
def show_settings(request: Request, job: JobId) -> Json:
    """The text of its `job.toml`."""
    state = desk_of(request).state(job)
    return {"settings": state.settings, "head": state.head}


@router.put("/jobs/{job}/settings", summary="Give a job other settings")
def put_settings(request: Request, job: JobId, body: NewSettings, key: Key = None) -> Json:
    """Checked before anything is written."""
    desk = desk_of(request)
    return done_body(
        actions.change_settings(desk, identity_of(request), job, body.settings, key=key)
    )


@router.post("/jobs/{job}/process", status_code=202, summary="Process a job as it stands now")
def process(request: Request, job: JobId) -> Json:
    """The task that does it; its progress comes by `/jobs/{job}/events` or by asking."""
    return describe_task(actions.process(desk_of(request), job))


@router.get("/jobs/{job}/tasks", summary="The last tasks of a job")
def list_tasks(request: Request, job: JobId) -> Json:
    """The newest first."""
    desk = desk_of(request)
    desk.store.job(job)
    return {"tasks": [describe_task(task) for task in desk.store.list_tasks(job)]}


@router.get("/jobs/{job}/tasks/{task}", summary="One task")
def show_task(request: Request, job: JobId, task: Annotated[int, Path(ge=1, le=2**31 - 1)]) -> Json:
    """Its state, step and progress."""
    found = desk_of(request).store.task(task)
    if found.job != job:
        raise UnknownError(f"the job has no task {task}.", where="task", remedy="See the list.")
    return describe_task(found)


@router.get("/jobs/{job}/ledger", summary="A job's ledger")
def show_ledger(request: Request, job: JobId, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """Entries after `cursor`, the oldest first."""
    desk = desk_of(request)
    head = desk.store.head(job)
    entries = desk.store.entries(job, after=cursor, limit=limit)
    last = entries[-1].sequence if entries else cursor
    return {
        "entries": [entry.body() for entry in entries],
        "head": head.size,
        "root": head.root,
        "next": last if last < head.size else None,
    }


@router.get("/jobs/{job}/ledger/verify", summary="Check a job's ledger")
def verify_ledger(request: Request, job: JobId) -> Json:
    """Every entry against the chain, the recorded head, its signature, and all releases."""
    check = desk_of(request).store.verify(job)
    return {
        "sound": check.sound,
        "entries": check.head.size,
        "root": check.head.root,
        "faults": [{"sequence": f.sequence, "what": f.what} for f in check.faults],
    }


@router.get("/jobs/{job}/releases", summary="Releases of a job")
def list_releases(request: Request, job: JobId) -> Json:
    """The newest first, each with the address of its public check page."""
    desk = desk_of(request)
    desk.store.job(job)
    return {"releases": [release_body(desk, one) for one in desk.store.list_releases(job)]}


@router.post("/jobs/{job}/releases", status_code=201, summary="Freeze and sign a release")
def make_release(request: Request, job: JobId, body: NewRelease) -> Json:
    """Of the results as they stand; refused while something is not processed yet."""
    desk = desk_of(request)
    return release_body(desk, release_job(desk, identity_of(request), job, body.name))


@router.get(
    "/jobs/{job}/releases/{release}/package",
    summary="A release's signed package",
    response_class=FileResponse,
)
def fetch_release(
    request: Request, job: JobId, release: Annotated[str, Path(max_length=64)]
) -> Response:
    """The zip as it was signed."""
    desk = desk_of(request)
    found = desk.store.release(release)
    if found.job != job:
        raise UnknownError("the job has no such release.", where="release", remedy="See the list.")
    return package_of(desk, found)
