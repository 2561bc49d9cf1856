"""Files of a job: added, shown as they seem to be meant, confirmed, read otherwise, taken out."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from asfound.desk import actions
from asfound.desk.api.common import Sha256
from asfound.desk.api.uploads import keep_file, raw_answer
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.guessing import (
    HINTS,
    choices,
    guess,
    guess_body,
    left_open,
    upload_body,
    with_columns,
)
from asfound.desk.pages.common import Context, Fields, Files, JobId, again, go, new_router
from asfound.desk.pages.jobs import job_context
from asfound.desk.problems import Refused
from asfound.desk.rendering import render
from asfound.errors import AsfoundError, InputError
from asfound.intake import OPEN, MappingGuess, mapping_to_toml

router = new_router()

UPLOAD_FIELDS = ("file",)


def _uploads(request: Request, job: str, done: str = "") -> Context:
    return {**job_context(desk_of(request), job, "uploads"), "done": done}


@router.get("/jobs/{job}/uploads")
def uploads_page(request: Request, job: JobId, done: str = "") -> Response:
    """All uploads, and where to add more."""
    return render(request, "uploads.html", _uploads(request, job, done))


@router.post("/jobs/{job}/uploads")
def take_files(request: Request, job: JobId, files: Files) -> Response:
    """Keep files, then show how each seems to be meant."""
    desk = desk_of(request)
    desk.store.job(job)
    kept = []
    try:
        if not files:
            raise InputError("no file was chosen.", where="file", remedy="Choose one or more.")
        for file in files:
            one = keep_file(desk, file)  # type: ignore[arg-type]
            kept.append((one.sha256, actions.display_name(file.filename or "")))
    except AsfoundError as error:
        return again(request, "uploads.html", _uploads(request, job), {}, error, UPLOAD_FIELDS)
    return go(_confirm_address(job, kept))


def _confirm_address(job: str, files: list[tuple[str, str]]) -> str:
    query = urlencode([("file", f"{sha256}/{name}") for sha256, name in files])
    return f"/jobs/{job}/uploads/confirm?{query}"


def _queue(request: Request) -> list[tuple[str, str]]:
    """Files that are still to be confirmed, the first one first."""
    found = []
    for item in request.query_params.getlist("file")[:100]:
        sha256, _, name = item.partition("/")
        desk_of(request).blobs.path(sha256)
        found.append((sha256, actions.display_name(name)))
    if not found:
        raise Refused(404, "There is no file to confirm.", "Add files on the job's page of files.")
    return found


@router.get("/jobs/{job}/uploads/confirm")
def confirm_page(request: Request, job: JobId) -> Response:
    """How the first file of the queue seems to be meant."""
    desk, queue = desk_of(request), _queue(request)
    state = desk.state(job)
    known = state.upload(queue[0][0])
    if known is not None and not known.removed:
        return _next(job, queue, f"known-{known.tag}")
    try:
        found = guess(desk, job, *_kept(request, queue), {})
    except AsfoundError as error:
        return again(request, "uploads.html", _uploads(request, job), {}, error, UPLOAD_FIELDS)
    return _confirm(request, job, queue, found, {}, {})


def _kept(request: Request, queue: list[tuple[str, str]]) -> tuple[str, str]:
    sha256, name = queue[0]
    if not desk_of(request).blobs.has(sha256):
        raise InputError("this file is not on the server.", where="file", remedy="Add it again.")
    return sha256, name


def _next(job: str, queue: list[tuple[str, str]], done: str) -> Response:
    if len(queue) > 1:
        return go(_confirm_address(job, queue[1:]))
    return go(f"/jobs/{job}/uploads?{urlencode({'done': done})}")


def _confirm(
    request: Request,
    job: str,
    queue: list[tuple[str, str]],
    found: MappingGuess,
    form: dict[str, str],
    wrong: dict[str, str],
    status: int = 200,
) -> Response:
    body = guess_body(found)
    declared = {key: "" if value == OPEN else value for key, value in body["declared"].items()}
    questions: dict[str, list[str]] = {}
    for one in body["questions"]:
        words = f"{one['what']} {one['why']}".strip()
        questions.setdefault(_place_of(one["field"], body["columns"]), []).append(words)
    offered = choices()
    context = {
        **job_context(desk_of(request), job, "uploads"),
        "sha256": queue[0][0],
        "name": queue[0][1],
        "left": len(queue) - 1,
        "query": urlencode([("file", f"{sha256}/{name}") for sha256, name in queue]),
        "guess": body,
        "declared": {**declared, **{k: v for k, v in form.items() if k in HINTS}},
        "questions": questions,
        "choices": offered,
        "all_units": _all_of(offered, "units"),
        "all_forms": _all_of(offered, "forms"),
        "form": form,
        "wrong": wrong,
    }
    return render(request, "confirm.html", context, status)


def _all_of(offered: dict[str, Any], what: str) -> list[str]:
    return list(dict.fromkeys(word for one in offered.values() for word in one[what]))


def _place_of(field: str, columns: list[dict[str, Any]]) -> str:
    """Beside which field of the form a question stands."""
    if field in HINTS:
        return field
    for number, column in enumerate(columns, 1):
        if column["quantity"] == field or str(column["column"]) == field:
            return f"quantity.{number}"
    return ""


@router.post("/jobs/{job}/uploads/confirm")
def confirm(request: Request, job: JobId, form: Fields) -> Response:
    """Take the file in as it is understood, or look again with what was declared."""
    desk, queue = desk_of(request), _queue(request)
    sha256, name = queue[0]
    hints = {key: form[key].strip() for key in HINTS if form.get(key, "").strip()}
    try:
        found = guess(desk, job, *_kept(request, queue), hints)
    except AsfoundError as error:
        plain = guess(desk, job, *_kept(request, queue), {})
        wrong = _wrong(request, error, plain)
        return _confirm(request, job, queue, plain, form, wrong, 422)
    if form.get("do") == "again":
        return _confirm(request, job, queue, found, hints, {})
    try:
        mapping = with_columns(found.mapping, found.titles, form)
        still = left_open(mapping)
        if still:
            raise InputError(still[0].what, where=still[0].field, remedy=still[0].remedy)
        text = mapping_to_toml(mapping)
        actions.add_upload(desk, identity_of(request), job, sha256, name, text)
    except (AsfoundError, Refused) as error:
        return _confirm(request, job, queue, found, form, _wrong(request, error, found), 422)
    tag = actions.find_upload(desk.state(job), sha256).tag
    return _next(job, queue, f"added-{tag}")


def _wrong(request: Request, error: AsfoundError | Refused, found: MappingGuess) -> dict[str, str]:
    from asfound.desk.pages.common import wrong_of

    where = error.field if isinstance(error, Refused) else error.where
    place = _place_of(where, guess_body(found)["columns"])
    if place:
        return {place: next(iter(wrong_of(request, error, ()).values()))}
    if where.startswith(("quantity.", "unit.", "form.")):
        return {where: next(iter(wrong_of(request, error, ()).values()))}
    return wrong_of(request, error, HINTS)


@router.get("/jobs/{job}/uploads/{sha256}")
def upload_page(request: Request, job: JobId, sha256: Sha256, done: str = "") -> Response:
    """One upload: how it is read, and every row that is no shot."""
    return _upload(request, job, sha256, done=done)


def _upload(request: Request, job: str, sha256: str, *, done: str = "") -> Response:
    desk = desk_of(request)
    context = job_context(desk, job, "uploads")
    upload = actions.find_upload(context["state"], sha256)
    read, trouble = None, ""
    try:
        track = upload.track.sha256 if upload.track else ""
        read = upload_body(
            actions.read_by(desk, sha256, upload.main.name, upload.mapping, track=track)
        )
    except AsfoundError as error:
        trouble = f"{error.what} {error.remedy}"
    form = {"mapping": upload.mapping}
    return render(
        request,
        "upload.html",
        {**context, "upload": upload, "read": read, "trouble": trouble, "form": form, "done": done},
    )


@router.post("/jobs/{job}/uploads/{sha256}")
def put_mapping(request: Request, job: JobId, sha256: Sha256, form: Fields) -> Response:
    """Read an upload otherwise."""
    desk = desk_of(request)
    text = form.get("mapping", "").replace("\r\n", "\n")
    try:
        actions.change_mapping(desk, identity_of(request), job, sha256, text)
    except AsfoundError as error:
        context = job_context(desk, job, "uploads")
        upload = actions.find_upload(context["state"], sha256)
        more = {"upload": upload, "read": None, "trouble": "", "done": ""}
        return again(request, "upload.html", {**context, **more}, form, error, ("mapping",))
    return go(f"/jobs/{job}/uploads/{sha256}?done=mapping")


@router.post("/jobs/{job}/uploads/{sha256}/remove")
def remove_upload(request: Request, job: JobId, sha256: Sha256, form: Fields) -> Response:
    """Let an upload count no more."""
    desk = desk_of(request)
    try:
        actions.remove_upload(desk, identity_of(request), job, sha256, form.get("why", ""))
    except AsfoundError as error:
        context = job_context(desk, job, "uploads")
        upload = actions.find_upload(context["state"], sha256)
        more = {"upload": upload, "read": None, "trouble": "", "done": ""}
        shown = {**form, "mapping": upload.mapping}
        return again(request, "upload.html", {**context, **more}, shown, error, ("why",))
    return go(f"/jobs/{job}/uploads?done=removed")


@router.get("/jobs/{job}/uploads/{sha256}/raw")
def fetch_raw(request: Request, job: JobId, sha256: Sha256) -> Response:
    """The bytes as they came."""
    return raw_answer(desk_of(request), job, sha256)
