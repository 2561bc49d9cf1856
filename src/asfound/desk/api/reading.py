"""Results over the API: shots, lines, sweeps, findings, outputs, and two states compared."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Annotated, Literal

from fastapi import Path, Query, Request
from starlette.responses import FileResponse, Response

from asfound.desk.api.common import Cursor, JobId, Json, Limit, new_router, page_of
from asfound.desk.compare import compare, compare_days
from asfound.desk.comparing import results_at
from asfound.desk.details import (
    find_line,
    find_shot,
    find_sweep,
    findings_list,
    line_detail,
    shot_detail,
    shots_page,
    sweep_detail,
)
from asfound.desk.guard import desk_of
from asfound.desk.problems import Refused
from asfound.desk.serving import inside, tagged
from asfound.errors import AsfoundError, InputError
from asfound.folder import JobFolder, raw_row
from asfound.model import Results, Verdict
from asfound.store import UnknownError

router = new_router("results")

Name = Annotated[str, Path(max_length=200)]


@router.get("/jobs/{job}/shots", summary="Shots of the last processing")
def list_shots(
    request: Request,
    job: JobId,
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
    size: Annotated[int, Query(ge=1, le=1000)] = 100,
    verdict: Literal["", "sound", "doubtful", "unfit"] = "",
    line: Annotated[str, Query(max_length=200, description="Name of a line; '-': on none.")] = "",
    text: Annotated[str, Query(max_length=200)] = "",
) -> Json:
    """In the order they came in."""
    results = desk_of(request).results(job)
    return shots_page(results, page=page, size=size, verdict=verdict, line=line, text=text)


@router.get("/jobs/{job}/shots/{shot}", summary="One shot with its budget, findings and raw row")
def show_shot(request: Request, job: JobId, shot: Name) -> Json:
    """By its name, such as A-17."""
    desk = desk_of(request)
    results = desk.results(job)
    index = _found(find_shot, results, shot)
    shots = results.intake.shots
    tag = results.intake.sources[shots.source[index]].tag
    try:
        raw = raw_row(JobFolder(desk.places(job).work), tag, int(shots.line_number[index]))
    except AsfoundError:
        raw = ()  # The upload was taken out since.
    return shot_detail(results, index, raw)


def _found(find: Callable[[Results, str], int], results: Results, name: str) -> int:
    """What a name in the address stands for; unknown ones are not there, not malformed."""
    try:
        return find(results, name)
    except InputError as error:
        raise UnknownError(error.what, where=error.where, remedy=error.remedy) from error


@router.get("/jobs/{job}/lines", summary="Lines of the last processing")
def list_lines(request: Request, job: JobId, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """Name, utility, verdict, length."""
    results = desk_of(request).results(job)
    lines = [
        {
            "line": line.name,
            "utility": line.utility.word,
            "verdict": Verdict(int(results.line_verdict[k])).word,
            "length_m": round(float(line.length), 4),
            "shots": len(line.shots),
        }
        for k, line in enumerate(results.lines)
    ]
    return page_of("lines", lines, cursor, limit)


@router.get("/jobs/{job}/lines/{line}", summary="One line with profile, envelope and current")
def show_line(request: Request, job: JobId, line: Name) -> Json:
    """By its name."""
    results = desk_of(request).results(job)
    return line_detail(results, _found(find_line, results, line))


@router.get("/jobs/{job}/sweeps", summary="Sweeps of the last processing")
def list_sweeps(request: Request, job: JobId, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """Name, and whether conductors explain the readings."""
    results = desk_of(request).results(job)
    sweeps = [
        {"sweep": one.name, "usable": not one.reason, "explained": one.explained}
        for one in results.sweeps
    ]
    return page_of("sweeps", sweeps, cursor, limit)


@router.get("/jobs/{job}/sweeps/{sweep}", summary="One sweep with readings and fit")
def show_sweep(request: Request, job: JobId, sweep: Name) -> Json:
    """By its name."""
    results = desk_of(request).results(job)
    return sweep_detail(results, _found(find_sweep, results, sweep))


@router.get("/jobs/{job}/findings", summary="Findings of the last processing")
def list_findings(request: Request, job: JobId, cursor: Cursor = 0, limit: Limit = 100) -> Json:
    """The gravest first, with what to do."""
    return page_of("findings", findings_list(desk_of(request).results(job)), cursor, limit)


@router.get("/jobs/{job}/outputs", summary="Outputs of the last processing")
def list_outputs(request: Request, job: JobId) -> Json:
    """Names and SHA-256, as the ledger has them."""
    processed = desk_of(request).state(job).processed or {}
    files = processed.get("files", {})
    return {
        "head": processed.get("head"),
        "outputs": [{"name": name, "sha256": files[name]} for name in sorted(files)],
    }


@router.get("/jobs/{job}/outputs/{name:path}", summary="One output", response_class=FileResponse)
def fetch_output(
    request: Request, job: JobId, name: Annotated[str, Path(max_length=300)]
) -> Response:
    """As a download."""
    path = inside(desk_of(request).places(job).out, name)
    return tagged(request, path, download=True)


@router.get("/jobs/{job}/compare", summary="Two states, or two days, side by side")
def compare_states(
    request: Request,
    job: JobId,
    a: Annotated[str, Query(max_length=20, description="Entry of the ledger, or day.")],
    b: Annotated[str, Query(max_length=20, description="Entry of the ledger, or day.")],
) -> Json:
    """With entries: what moved, which verdicts changed. With days: spots measured on both."""
    desk = desk_of(request)
    if a.isascii() and a.isdigit() and b.isascii() and b.isdigit():
        return compare(results_at(desk, job, int(a)), results_at(desk, job, int(b)))
    days = []
    for field, value in (("a", a), ("b", b)):
        try:
            days.append(date.fromisoformat(value))
        except ValueError:
            raise Refused(
                422,
                f"'{value}' is neither an entry of the ledger nor a day.",
                "Give two entries, such as 12 and 20, or two days, such as 2026-11-17.",
                field,
            ) from None
    if days[0] == days[1]:
        raise Refused(422, "These are the same day.", "Choose two days.", "b")
    return compare_days(desk.results(job), *days)
