"""Jobs: the list, the job page and its data, settings, ledger, releases, comparison."""

from __future__ import annotations

from datetime import date

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from asfound.desk import actions
from asfound.desk.compare import compare, compare_days
from asfound.desk.comparing import results_at
from asfound.desk.context import Desk
from asfound.desk.events import stream, task_body
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.ledger_words import words_of_entry
from asfound.desk.pages.common import Context, Fields, JobId, again, go, new_router
from asfound.desk.problems import Refused
from asfound.desk.releasing import release_job
from asfound.desk.rendering import render
from asfound.desk.serving import inside, tagged
from asfound.errors import AsfoundError, InputError

router = new_router()

PAGE = 100
JOBS_PAGE = 50


@router.get("/")
def start(request: Request) -> Response:
    """To the jobs."""
    return go("/jobs")


@router.get("/jobs")
def jobs_page(request: Request, state: str = "open", page: int = 1) -> Response:
    """All jobs, the newest first."""
    desk = desk_of(request)
    jobs = desk.store.list_jobs(state=state if state in ("open", "archived") else None)
    page = max(1, min(page, -(-len(jobs) // JOBS_PAGE) or 1))
    shown = jobs[(page - 1) * JOBS_PAGE : page * JOBS_PAGE]
    rows = [
        {"job": job, "state": desk.state(job.id), "task": task_body(desk, job.id)} for job in shown
    ]
    context = {
        "here": "jobs",
        "rows": rows,
        "shown": state,
        "page": page,
        "more": page * JOBS_PAGE < len(jobs),
    }
    return render(request, "jobs.html", context)


@router.get("/jobs/new")
def new_job_page(request: Request) -> Response:
    """The form for a new job."""
    return render(request, "new-job.html", {"here": "jobs"})


@router.post("/jobs/new")
def new_job(request: Request, form: Fields) -> Response:
    """Start a job."""
    try:
        epoch = form.get("epoch", "").strip()
        try:
            year = float(epoch) if epoch else None
        except ValueError:
            raise InputError(
                f"'{epoch}' is no decimal year.", where="epoch", remedy="Write it like 2010.0."
            ) from None
        for field, words in (("name", "The job has no name"), ("crs", "The frame is not chosen")):
            if not form.get(field, "").strip():
                raise InputError(f"{words}.", where=field, remedy="Fill it in.")
        settings = actions.new_settings(
            " ".join(form["name"].split()),
            form["crs"].strip(),
            epoch=year,
            unit=form.get("unit", "m"),
            geoid=form.get("geoid", "").strip(),
            client=form.get("client", "").strip(),
            place=form.get("place", "").strip(),
            notice=form.get("notice", "").strip(),
        )
        entry = actions.create_job(desk_of(request), identity_of(request), settings)
    except AsfoundError as error:
        fields = ("name", "crs", "epoch", "unit", "geoid", "client", "place", "notice")
        return again(request, "new-job.html", {"here": "jobs"}, form, error, fields)
    return go(f"/jobs/{entry.job}/uploads")


def job_context(desk: Desk, job: str, tab: str) -> Context:
    """What every page of a job shows."""
    found, state = desk.store.job(job), desk.state(job)
    return {
        "here": "jobs",
        "tab": tab,
        "job": found,
        "state": state,
        "task": task_body(desk, job),
        "waiting": sum(len(rows) for rows in state.posted.values()),
    }


@router.get("/jobs/{job}")
def job_page(request: Request, job: JobId) -> Response:
    """The sheet with its tables."""
    desk = desk_of(request)
    context = {**job_context(desk, job, "sheet"), "view_url": f"/jobs/{job}/view/"}
    return render(request, "job.html", context)


@router.get("/jobs/{job}/events")
def job_events(request: Request, job: JobId) -> Response:
    """How far processing is, as server-sent events."""
    desk_of(request).store.job(job)
    state = request.app.state
    return StreamingResponse(
        stream(request, state.watch, job, state.stopping),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


@router.get("/jobs/{job}/view/{name:path}")
def job_view(request: Request, job: JobId, name: str) -> Response:
    """What the job page reads."""
    return tagged(request, inside(desk_of(request).places(job).view, name))


@router.get("/jobs/{job}/outputs/{name:path}")
def job_output(request: Request, job: JobId, name: str) -> Response:
    """An output of the last processing, as a download."""
    return tagged(request, inside(desk_of(request).places(job).out, name), download=True)


@router.post("/jobs/{job}/process")
def process(request: Request, job: JobId) -> Response:
    """Process a job as it stands."""
    desk = desk_of(request)
    try:
        actions.process(desk, job)
    except AsfoundError as error:
        context = {**job_context(desk, job, "uploads"), "done": ""}
        return again(request, "uploads.html", context, {}, error, ())
    return go(f"/jobs/{job}/uploads")


@router.get("/jobs/{job}/settings")
def settings_page(request: Request, job: JobId, done: str = "") -> Response:
    """A job's settings as text."""
    desk = desk_of(request)
    context = job_context(desk, job, "settings")
    form = {"settings": context["state"].settings}
    return render(request, "settings.html", {**context, "form": form, "done": done})


@router.post("/jobs/{job}/settings")
def put_settings(request: Request, job: JobId, form: Fields) -> Response:
    """Give a job other settings."""
    desk = desk_of(request)
    text = form.get("settings", "").replace("\r\n", "\n")
    try:
        actions.change_settings(desk, identity_of(request), job, text)
    except AsfoundError as error:
        context = {**job_context(desk, job, "settings"), "done": ""}
        return again(request, "settings.html", context, form, error, ("settings",))
    return go(f"/jobs/{job}/settings?done=kept")


@router.get("/jobs/{job}/ledger")
def ledger_page(request: Request, job: JobId, before: int = 0, check: str = "") -> Response:
    """The ledger, the newest entry first; checked when asked for."""
    desk = desk_of(request)
    context = job_context(desk, job, "ledger")
    head = context["job"].head
    top = before if 0 < before <= head + 1 else head + 1
    entries = desk.store.entries(job, after=max(0, top - 1 - PAGE), before=top)
    return render(
        request,
        "ledger.html",
        {
            **context,
            "entries": [(entry, words_of_entry(entry)) for entry in reversed(entries)],
            "older": entries[0].sequence if entries and entries[0].sequence > 1 else 0,
            "check": desk.store.verify(job) if check else None,
        },
    )


@router.get("/jobs/{job}/releases")
def releases_page(request: Request, job: JobId, done: str = "") -> Response:
    """Releases, and the outputs they would hold."""
    return render(request, "releases.html", {**_releases(request, job), "done": done})


def _releases(request: Request, job: str) -> Context:
    desk = desk_of(request)
    context = job_context(desk, job, "releases")
    processed = context["state"].processed or {}
    address = desk.config.public_address or str(request.base_url).rstrip("/")
    return {
        **context,
        "releases": desk.store.list_releases(job),
        "outputs": sorted(processed.get("files", {}).items()),
        "address": address,
        "done": "",
    }


@router.post("/jobs/{job}/releases")
def make_release(request: Request, job: JobId, form: Fields) -> Response:
    """Freeze and sign a release."""
    try:
        release_job(desk_of(request), identity_of(request), job, form.get("name", ""))
    except AsfoundError as error:
        return again(request, "releases.html", _releases(request, job), form, error, ("name",))
    return go(f"/jobs/{job}/releases?done=released")


@router.get("/jobs/{job}/compare")
def compare_page(request: Request, job: JobId, a: str = "", b: str = "") -> Response:
    """Two states, or two days, side by side."""
    desk = desk_of(request)
    processed = desk.store.entries(job, actions=("processed",))
    heads = sorted({int(entry.payload["head"]) for entry in processed}, reverse=True)
    context = {
        **job_context(desk, job, "compare"),
        "heads": heads,
        "form": {"a": a, "b": b},
        "found": None,
        "days": None,
    }
    if not a or not b:
        return render(request, "compare.html", context)
    try:
        if a.isascii() and a.isdigit() and b.isascii() and b.isdigit():
            context["found"] = compare(
                results_at(desk, job, int(a[:12])), results_at(desk, job, int(b[:12]))
            )
        else:
            context["days"] = compare_days(
                desk.results(job), date.fromisoformat(a), date.fromisoformat(b)
            )
    except ValueError:
        error = Refused(
            422, "That is neither an entry of the ledger nor a day.",
            "Give two entries, or two days such as 2026-11-17.", "a",
        )  # fmt: skip
        return again(request, "compare.html", context, {"a": a, "b": b}, error, ("a", "b"))
    except AsfoundError as error:
        return again(request, "compare.html", context, {"a": a, "b": b}, error, ("a", "b"))
    return render(request, "compare.html", context)
