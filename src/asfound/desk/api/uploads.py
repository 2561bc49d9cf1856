"""Uploads over the API: files, their mappings, and shots posted one by one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated, Any, BinaryIO, Literal

from fastapi import File, Form, Request, UploadFile
from pydantic import Field, model_validator
from starlette.responses import FileResponse, JSONResponse, Response

from asfound.desk import actions
from asfound.desk.api.common import (
    Body,
    Heights,
    JobId,
    Json,
    Key,
    Number,
    Reason,
    Sha256,
    Short,
    Text,
    Words,
    done_body,
    new_router,
)
from asfound.desk.blobs import Kept
from asfound.desk.context import Desk
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.guessing import clean_hints, guess, guess_body, upload_body
from asfound.desk.posted import Group
from asfound.desk.problems import Refused, problem_body
from asfound.desk.state import UploadState
from asfound.intake import mapping_to_toml

router = new_router("uploads")

_CHUNK = 1 << 20

FileField = Annotated[UploadFile, File(description="The file as the receiver wrote it.")]
HintsField = Annotated[
    str,
    Form(
        max_length=20_000,
        description="JSON of what is declared beside the file: frame, epoch, heights, geoid, zone, "
        "receiver, antenna_height ('2.0 m'), position_of, depth_to, utility, hookup, crew, units.",
    ),
]


def chunks_of(stream: BinaryIO) -> Iterator[bytes]:
    """A file's bytes, a mebibyte at a time."""
    stream.seek(0)
    while chunk := stream.read(_CHUNK):
        yield chunk


def keep_file(desk: Desk, file: UploadFile) -> Kept:
    """Put an uploaded file on disk.

    Raises
    ------
    InputError
        If it is too large, or can't be written.
    """
    return desk.blobs.keep(chunks_of(file.file), most=desk.config.most_upload)


def read_hints(text: str) -> dict[str, Any]:
    """Hints from JSON.

    Raises
    ------
    Refused
        If the text is no JSON object.
    """
    if not text.strip():
        return {}
    try:
        given = json.loads(text)
    except (ValueError, RecursionError):
        given = None
    if not isinstance(given, dict):
        raise Refused(422, "The hints are no JSON object.", 'Send {"frame": ...}.', "hints")
    return clean_hints(given)


@router.post("/jobs/{job}/uploads/guess", summary="How a file seems to be meant")
def guess_upload(request: Request, job: JobId, file: FileField, hints: HintsField = "") -> Json:
    """Columns, units, frame as guessed, with doubts, open questions and sample rows.

    Nothing is added to the job: the file is kept, so that it can be added by its `sha256`.
    """
    desk = desk_of(request)
    desk.store.job(job)
    given = read_hints(hints)
    kept = keep_file(desk, file)
    name = actions.display_name(file.filename or "")
    found = guess(desk, job, kept.sha256, name, given)
    return {"sha256": kept.sha256, "name": name, "size": kept.size, **guess_body(found)}


@router.post("/jobs/{job}/uploads", status_code=201, summary="Take a file into a job")
def add_upload(
    request: Request,
    job: JobId,
    file: Annotated[UploadFile | None, File(description="The file; or `sha256`.")] = None,
    sha256: Annotated[str, Form(max_length=64, pattern="^([0-9a-f]{64})?$")] = "",
    name: Annotated[str, Form(max_length=1000)] = "",
    mapping: Annotated[
        str, Form(max_length=1_000_000, description="TOML; left out: guessed.")
    ] = "",
    hints: HintsField = "",
    track: Annotated[
        UploadFile | None, File(description="NMEA log that places readings without position.")
    ] = None,
    key: Key = None,
) -> Response:
    """The raw bytes are on disk and the ledger's entry committed before this answers.

    The same bytes are one upload, however often they come. Without a mapping the file is guessed;
    where the guess leaves a question open, nothing is added and the questions come back (422).
    """
    desk, identity = desk_of(request), identity_of(request)
    desk.store.job(job)
    given = read_hints(hints)
    if file is not None:
        kept = keep_file(desk, file)
        sha256, name = kept.sha256, name or file.filename or ""
    elif not sha256:
        raise Refused(422, "There is no file in the request.", "Send it as 'file'.", "file")
    elif not desk.blobs.has(sha256):
        raise Refused(404, "This file is not on the server.", "Send the file itself.", "sha256")
    placed = None
    if track is not None:
        placed = (keep_file(desk, track).sha256, track.filename or "track")
    known = desk.state(job).upload(sha256)
    if not mapping and (known is None or known.removed):
        found = guess(desk, job, sha256, actions.display_name(name), given)
        if found.ambiguities:
            body = guess_body(found)
            first = body["questions"][0]
            problem = problem_body(
                422, f"{first['what']} {first['why']}", first["remedy"], first["field"],
                "ambiguous", **{"sha256": sha256, **body},
            )  # fmt: skip
            return JSONResponse(problem, 422, media_type="application/problem+json")
        mapping = mapping_to_toml(found.mapping)
    done, upload, was_known = actions.add_upload(
        desk, identity, job, sha256, name, mapping, track=placed, key=key
    )
    state = actions.find_upload(desk.state(job), sha256)
    body = done_body(done, known=was_known, **state_body(state))
    if upload is not None:
        body["read"] = upload_body(upload)
    return JSONResponse(body, 200 if was_known else 201)


def state_body(upload: UploadState) -> Json:
    """An upload as the API says it."""
    return {
        "sha256": upload.main.sha256,
        "tag": upload.tag,
        "name": upload.main.name,
        "size": upload.main.size,
        "added": upload.added,
        "added_by": upload.who,
        "track": upload.track.name if upload.track else None,
        "removed": upload.removed or None,
        "posted": upload.posted or None,
    }


@router.get("/jobs/{job}/uploads", summary="Uploads of a job")
def list_uploads(request: Request, job: JobId) -> Json:
    """In the order they came, those taken out too; and what was posted and is not frozen yet."""
    state = desk_of(request).state(job)
    return {
        "uploads": [state_body(upload) for upload in state.uploads],
        "posted": [
            {**group.body(), "rows": len(rows)} for group, rows in state.posted.items() if rows
        ],
    }


@router.get("/jobs/{job}/uploads/{sha256}/mapping", summary="How an upload is read")
def show_mapping(request: Request, job: JobId, sha256: Sha256) -> Json:
    """Its mapping as TOML."""
    upload = actions.find_upload(desk_of(request).state(job), sha256)
    return {"mapping": upload.mapping, **state_body(upload)}


class NewMapping(Body):
    """Another mapping."""

    mapping: Text


@router.put("/jobs/{job}/uploads/{sha256}/mapping", summary="Read an upload otherwise")
def put_mapping(
    request: Request, job: JobId, sha256: Sha256, body: NewMapping, key: Key = None
) -> Json:
    """The file is read by it first; what is wrong is said with the key's place."""
    done, upload = actions.change_mapping(
        desk_of(request), identity_of(request), job, sha256, body.mapping, key=key
    )
    return done_body(done, read=upload_body(upload))


@router.delete("/jobs/{job}/uploads/{sha256}", summary="Let an upload count no more")
def remove_upload(
    request: Request, job: JobId, sha256: Sha256, body: Reason, key: Key = None
) -> Json:
    """Its raw bytes stay; added again, it comes back under its tag."""
    return done_body(
        actions.remove_upload(
            desk_of(request), identity_of(request), job, sha256, body.why, key=key
        )
    )


@router.get(
    "/jobs/{job}/uploads/{sha256}/raw",
    summary="An upload's raw bytes",
    response_class=FileResponse,
)
def fetch_raw(request: Request, job: JobId, sha256: Sha256) -> Response:
    """As they were received."""
    return raw_answer(desk_of(request), job, sha256)


def raw_answer(desk: Desk, job: str, sha256: str) -> Response:
    """Raw bytes as a download that no browser opens or runs."""
    upload = actions.find_upload(desk.state(job), sha256)
    return FileResponse(
        desk.blobs.path(sha256),
        media_type="application/octet-stream",
        filename=upload.main.name,
        headers={"ETag": f'"{sha256}"', "Cache-Control": "private, no-cache"},
    )


class PostedShot(Body):
    """One shot as a receiver sends it; what is left out is not known.

    A place is either `longitude` and `latitude` in degrees or `easting_m` and `northing_m`.
    """

    name: Short = ""
    time: Annotated[Short, Field(min_length=10)] = Field(
        description="ISO 8601; without a zone it is UTC."
    )
    longitude: Annotated[float, Field(ge=-180, le=360)] | None = None
    latitude: Annotated[float, Field(ge=-90, le=90)] | None = None
    easting_m: Number | None = None
    northing_m: Number | None = None
    height_m: Number | None = None
    fix: Short | Annotated[int, Field(ge=0, le=99)] = ""
    satellites: Annotated[int, Field(ge=0, le=200)] | None = None
    pdop: Number | None = None
    correction_age_s: Number | None = None
    base_distance_m: Number | None = None
    east_sd_m: Number | None = None
    north_sd_m: Number | None = None
    up_sd_m: Number | None = None
    antenna_height_m: Number | None = None
    tilt_deg: Number | None = None
    utility: Short = ""
    hookup: Short = ""
    method: Short = ""
    frequency_hz: Number | None = None
    depth_m: Number | None = None
    current_a: Number | None = None
    signal_db: Number | None = None
    peak_null_separation_m: Number | None = None
    line: Short = ""
    control: Short = ""
    note: Words = ""

    @model_validator(mode="after")
    def _placed(self) -> PostedShot:
        pairs = ((self.longitude, self.latitude), (self.easting_m, self.northing_m))
        given = [all(value is not None for value in pair) for pair in pairs]
        if given.count(True) != 1 or any(
            any(value is not None for value in pair) != whole
            for pair, whole in zip(pairs, given, strict=True)
        ):
            raise ValueError("give longitude and latitude, or easting_m and northing_m")
        return self


class PostedShots(Body):
    """Shots of one receiver under the same declarations."""

    receiver: Annotated[Short, Field(min_length=1, max_length=80)]
    frame: Short = Field(
        "", description="Frame of the correction service; left out: the job's own, for grid places."
    )
    epoch: Annotated[float, Field(ge=1980, le=2100)] | None = None
    heights: Heights | None = None
    geoid: Short = ""
    position_of: Literal["antenna", "ground"] = "antenna"
    rows: Annotated[list[PostedShot], Field(min_length=1, max_length=1000)]


@router.post("/jobs/{job}/shots", status_code=201, summary="Post shots")
def post_shots(request: Request, job: JobId, body: PostedShots, key: Key = None) -> Json:
    """Acknowledged when they are on the ledger; they count when the job is processed next.

    `read` says how they were understood: a row that is no shot, such as one whose time can't be
    read, is kept and reported with its reason.
    """
    desk = desk_of(request)
    frame, epoch, heights, geoid = body.frame, body.epoch, body.heights, body.geoid
    rows = [row.model_dump(exclude_none=True, exclude_defaults=True) for row in body.rows]
    if not frame:
        if any("longitude" in row for row in rows):
            raise Refused(
                422,
                "The frame of the coordinates is not declared.",
                "Give the frame of the correction service, such as ITRF2020.",
                "frame",
            )
        own = actions.checked_settings(desk, desk.state(job).settings).frame
        frame, epoch = own.crs, epoch if epoch is not None else own.epoch
        if heights is None:
            heights, geoid = _heights(own.height_kind), own.geoid
    elif heights is None:
        heights = "ellipsoidal"
    group = Group(body.receiver, frame, epoch, heights, geoid, body.position_of)
    done, read = actions.post_shots(desk, identity_of(request), job, group, rows, key=key)
    return done_body(done, read=upload_body(read))


def _heights(kind: str) -> Literal["ellipsoidal", "orthometric", "none"]:
    return "orthometric" if kind == "orthometric" else "none" if kind == "none" else "ellipsoidal"
