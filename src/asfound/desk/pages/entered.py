"""What people entered beside the files: decisions, digs, exposures, stakeout lists."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from asfound.desk import actions
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.pages.common import Context, Fields, JobId, again, go, new_router
from asfound.desk.pages.jobs import job_context
from asfound.desk.problems import Refused
from asfound.desk.rendering import render
from asfound.desk.state import called
from asfound.errors import AsfoundError
from asfound.folder import Decided

router = new_router()


def _entered(request: Request, job: str, done: str = "") -> Context:
    context = job_context(desk_of(request), job, "entered")
    state = context["state"]
    tags = {upload.main.sha256: upload.tag for upload in state.uploads}
    return {
        **context,
        "decided": [(item, _shots(item, tags)) for item in reversed(state.decided)],
        "digs": [
            (kind, called(table), table) for kind, tables in state.digs.items() for table in tables
        ],
        "done": done,
    }


def _shots(item: Decided, tags: dict[str, str]) -> str:
    names = [f"{tags.get(key.upload, '?')}-{key.row}" for key in item.decision.shots[:6]]
    more = len(item.decision.shots) - len(names)
    return ", ".join(names) + (f" and {more} more" if more > 0 else "")


@router.get("/jobs/{job}/entered")
def entered_page(request: Request, job: JobId, done: str = "") -> Response:
    """Everything entered, with what takes it back."""
    return render(request, "entered.html", _entered(request, job, done))


@router.post("/jobs/{job}/entered/undo")
def undo(request: Request, job: JobId, form: Fields) -> Response:
    """Take a decision back."""
    name, why = form.get("decision", ""), form.get("why", "")
    try:
        actions.undo(desk_of(request), identity_of(request), job, name, why)
    except (AsfoundError, Refused) as error:
        return again(request, "entered.html", _entered(request, job), {}, error, ())
    return go(f"/jobs/{job}/entered?done=undone")


@router.post("/jobs/{job}/entered/remove")
def remove(request: Request, job: JobId, form: Fields) -> Response:
    """Take a dig, an exposure or a stakeout list out."""
    desk, identity = desk_of(request), identity_of(request)
    kind, name, why = form.get("kind", ""), form.get("name", ""), form.get("why", "")
    try:
        if kind == "stakeout":
            actions.choose_stakeout(desk, identity, job, name, None)
        else:
            actions.remove_dig(desk, identity, job, kind, name, why)
    except (AsfoundError, Refused) as error:
        return again(request, "entered.html", _entered(request, job), {}, error, ())
    return go(f"/jobs/{job}/entered?done=removed")
