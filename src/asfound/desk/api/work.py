"""Work on a job over the API: decisions, digs, exposures, control, sweeps, stakeout lists."""

from __future__ import annotations

import csv
import io
from typing import Annotated, Any, Literal

from fastapi import Path, Request
from pydantic import Field

from asfound.desk import actions
from asfound.desk.api.common import (
    Body,
    Heights,
    JobId,
    Json,
    Key,
    Number,
    Reason,
    Short,
    Words,
    done_body,
    new_router,
)
from asfound.desk.guard import desk_of, identity_of
from asfound.desk.guessing import upload_body
from asfound.desk.stakeouts import stakeout_table
from asfound.errors import InputError
from asfound.folder import Decided
from asfound.intake import Column, Mapping, mapping_to_toml
from asfound.model import ControlPoint, Frame, ShotKey

router = new_router("work")

Name = Annotated[str, Path(max_length=200)]
Key64 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
ShotPair = tuple[Key64, Annotated[int, Field(ge=0, le=2**31 - 1)]]


class NewDecision(Body):
    """What is decided about shots, and why."""

    kind: Literal[
        "accept", "reject", "set-utility", "set-hook-up", "set-antenna-height", "split", "join",
        "rename",
    ]  # fmt: skip
    shots: Annotated[list[ShotPair], Field(min_length=1, max_length=100_000)] = Field(
        description="SHA-256 of the upload, and row, of each shot."
    )
    value: Short = Field("", description="Utility, hook-up, height in metres, or new name.")
    why: Words


def decided_body(item: Decided) -> Json:
    """A decision as the API says it."""
    decision, undone = item.decision, item.undone
    return {
        "id": decision.id,
        "kind": decision.kind,
        "shots": [[key.upload, key.row] for key in decision.shots],
        "value": decision.value,
        "who": decision.who,
        "when": decision.when.isoformat(),
        "why": decision.why,
        "undone": None
        if undone is None
        else {"who": undone.who, "when": undone.when.isoformat(), "why": undone.why},
    }


@router.get("/jobs/{job}/decisions", summary="Decisions of a job")
def list_decisions(request: Request, job: JobId) -> Json:
    """In the order they were made, those taken back too."""
    return {"decisions": [decided_body(item) for item in desk_of(request).state(job).decided]}


@router.post("/jobs/{job}/decisions", status_code=201, summary="Decide about shots or lines")
def decide(request: Request, job: JobId, body: NewDecision, key: Key = None) -> Json:
    """The raw record never changes; the decision stands beside it, with who, when and why."""
    done, name = actions.decide(
        desk_of(request),
        identity_of(request),
        job,
        body.kind,
        [ShotKey(upload, row) for upload, row in body.shots],
        why=body.why,
        value=body.value,
        key=key,
    )
    return done_body(done, id=name)


@router.post(
    "/jobs/{job}/decisions/{decision}/undo", status_code=201, summary="Take a decision back"
)
def undo(
    request: Request,
    job: JobId,
    decision: Annotated[str, Path(max_length=40)],
    body: Reason,
    key: Key = None,
) -> Json:
    """Another entry; both stay in the ledger."""
    return done_body(
        actions.undo(desk_of(request), identity_of(request), job, decision, body.why, key=key)
    )


class NewDig(Body):
    """A dig or an exposure."""

    kind: Literal["trench", "bore", "pit", "post", "exposure", "record", "searched"]
    table: dict[
        Annotated[str, Field(max_length=60)],
        Short | Number | bool | list[Number] | list[tuple[Number, Number]] | None,
    ] = Field(description="Keys of a table of digs.toml; lengths in metres, days as ISO text.")


@router.get("/jobs/{job}/digs", summary="Digs and exposures as they were entered")
def list_digs(request: Request, job: JobId) -> Json:
    """By kind; the view's `digs.json` holds their clearances."""
    digs = desk_of(request).state(job).digs
    return {"digs": {kind: list(tables) for kind, tables in digs.items() if tables}}


@router.post("/jobs/{job}/digs", status_code=201, summary="Draw a dig or enter an exposure")
def draw_dig(request: Request, job: JobId, body: NewDig, key: Key = None) -> Json:
    """One of the same kind and name is replaced."""
    table = {name: _plain(value) for name, value in body.table.items()}
    return done_body(
        actions.draw_dig(desk_of(request), identity_of(request), job, body.kind, table, key=key)
    )


def _plain(value: Any) -> Any:
    return (
        [list(v) if isinstance(v, tuple) else v for v in value]
        if isinstance(value, list)
        else value
    )


@router.delete("/jobs/{job}/digs/{kind}/{name}", summary="Take a dig or an exposure out")
def remove_dig(
    request: Request, job: JobId, kind: Name, name: Name, body: Reason, key: Key = None
) -> Json:
    """The ledger keeps that it was there, and why it went."""
    return done_body(
        actions.remove_dig(
            desk_of(request), identity_of(request), job, kind, name, body.why, key=key
        )
    )


class NewControl(Body):
    """A control point in the job's frame."""

    name: Annotated[Short, Field(min_length=1)]
    easting_m: Number
    northing_m: Number
    height_m: Number | None = None
    horizontal_sd_m: Annotated[float, Field(ge=0, le=100)] = 0.01
    vertical_sd_m: Annotated[float, Field(ge=0, le=100)] = 0.015


@router.post("/jobs/{job}/control", status_code=201, summary="Enter a control point")
def add_control(request: Request, job: JobId, body: NewControl, key: Key = None) -> Json:
    """Into the job's settings; checks on it are shots with its name in `control`."""
    point = ControlPoint(
        body.name,
        body.easting_m,
        body.northing_m,
        float("nan") if body.height_m is None else body.height_m,
        body.horizontal_sd_m,
        body.vertical_sd_m,
    )
    return done_body(
        actions.add_control(desk_of(request), identity_of(request), job, point, key=key)
    )


class Reading(Body):
    """One reading of a sweep."""

    position_m: Number
    reading: Number
    coil: Literal["horizontal", "vertical"] = "horizontal"
    coil_height_m: Annotated[float, Field(ge=0, le=10)] = 0.05
    saturated: bool = False


class TapeEnd(Body):
    """An end of the tape on the ground."""

    easting_m: Number | None = None
    northing_m: Number | None = None
    longitude: Annotated[float, Field(ge=-180, le=360)] | None = None
    latitude: Annotated[float, Field(ge=-90, le=90)] | None = None
    height_m: Number | None = None


class NewSweep(Body):
    """A sweep read off a tape."""

    name: Annotated[Short, Field(min_length=1)]
    start: TapeEnd
    end: TapeEnd
    length_m: Annotated[float, Field(gt=0, le=1000)] = Field(description="Tape at its far end.")
    readings: Annotated[list[Reading], Field(min_length=3, max_length=10_000)]
    unit: Literal["mA", "percent", "dB", "nT"]
    time: Short = ""
    utility: Short = ""
    hookup: Short = ""
    method: Short = ""
    line: Short = ""
    frequency_hz: Number | None = None
    receiver: Short = ""
    frame: Short = Field("", description="Left out: the job's own.")
    heights: Heights = "ellipsoidal"


_SWEEP_COLUMNS = {
    "sweep": Column("sweep"),
    "time": Column("time", form="iso"),
    "utility": Column("utility"),
    "hookup": Column("hookup"),
    "method": Column("method"),
    "line": Column("line"),
    "frequency": Column("frequency", unit="Hz"),
    "coil": Column("coil"),
    "coil_height": Column("coil_height", unit="m"),
    "position": Column("position", unit="m"),
    "saturated": Column("saturated"),
    "length": Column("length", unit="m"),
}


@router.post("/jobs/{job}/sweeps", status_code=201, summary="Enter a sweep from a tape")
def add_sweep(request: Request, job: JobId, body: NewSweep, key: Key = None) -> Json:
    """Kept as an upload of its own, in the layout that sweep files have."""
    desk, identity = desk_of(request), identity_of(request)
    own = actions.checked_settings(desk, desk.state(job).settings).frame
    grid = body.start.easting_m is not None
    if not body.frame and not grid:
        raise InputError(
            "the frame of the coordinates is not declared.",
            where="frame",
            remedy="Give it, such as ITRF2020, or give grid places.",
        )
    data, columns = _sweep_file(body, grid)
    mapping = Mapping(
        kind="sweeps",
        columns=columns,
        time_zone="UTC",
        frame=Frame(body.frame, None, body.heights) if body.frame else own,
        position_of="ground",
        receiver=body.receiver,
    )
    kept = desk.blobs.keep([data])
    done, upload, known = actions.add_upload(
        desk,
        identity,
        job,
        kept.sha256,
        f"sweep-{body.name}.csv",
        mapping_to_toml(mapping),
        key=key,
    )
    more = {"read": upload_body(upload)} if upload is not None else {}
    return done_body(done, sha256=kept.sha256, known=known, **more)


def _sweep_file(body: NewSweep, grid: bool) -> tuple[bytes, dict[str, Column]]:
    """The delimited file of a sweep and its columns."""
    axes = ("easting", "northing") if grid else ("longitude", "latitude")
    columns = {**_SWEEP_COLUMNS, "reading": Column("reading", unit=body.unit)}
    shared: dict[str, Any] = {
        "sweep": body.name,
        "time": body.time,
        "utility": body.utility,
        "hookup": body.hookup,
        "method": body.method,
        "line": body.line,
        "frequency": body.frequency_hz,
        "length": body.length_m,
    }
    for end, place in (("start", body.start), ("end", body.end)):
        for axis in axes:
            value = getattr(place, f"{axis}_m" if grid else axis)
            if value is None:
                raise InputError(
                    f"the tape's {end} has no {axis}.",
                    where=f"{end}.{axis}",
                    remedy="Give both ends alike.",
                )
            shared[f"{end}_{axis}"] = value
            columns[f"{end}_{axis}"] = (
                Column(f"{end}_{axis}", unit="m")
                if grid
                else Column(f"{end}_{axis}", unit="deg", form="decimal")
            )
        if place.height_m is not None:
            shared[f"{end}_height"] = place.height_m
            columns[f"{end}_height"] = Column(f"{end}_height", unit="m")
    used = {
        name: column
        for name, column in columns.items()
        if shared.get(name) not in ("", None)
        or name in ("coil", "coil_height", "position", "reading", "saturated")
    }
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(used)
    for reading in body.readings:
        own = {
            "coil": reading.coil,
            "coil_height": reading.coil_height_m,
            "position": reading.position_m,
            "reading": reading.reading,
            "saturated": "yes" if reading.saturated else "no",
        }
        writer.writerow([own.get(name, shared.get(name)) for name in used])
    return stream.getvalue().encode(), used


class NewStakeout(Body):
    """A stakeout list: keys of a table of `stakeout.toml`, or in short what is to be found."""

    table: dict[Annotated[str, Field(max_length=60)], Any]


class NamedStakeout(NewStakeout):
    """A stakeout list with its name."""

    name: Annotated[Short, Field(min_length=1)]


@router.get("/jobs/{job}/stakeouts", summary="Stakeout lists of a job")
def list_stakeouts(request: Request, job: JobId) -> Json:
    """As they were entered; the outputs hold the lists themselves."""
    return {"stakeouts": list(desk_of(request).state(job).stakeouts)}


@router.post("/jobs/{job}/stakeouts", status_code=201, summary="Put a stakeout list on file")
def post_stakeout(request: Request, job: JobId, body: NamedStakeout, key: Key = None) -> Json:
    """One of the same name is replaced."""
    return _stakeout(request, job, body.name, body.table, key)


@router.put("/jobs/{job}/stakeouts/{name}", summary="Put a stakeout list on file by its name")
def put_stakeout(
    request: Request, job: JobId, name: Name, body: NewStakeout, key: Key = None
) -> Json:
    """One of the same name is replaced."""
    return _stakeout(request, job, name, body.table, key)


def _stakeout(request: Request, job: str, name: str, given: Json, key: str | None) -> Json:
    desk = desk_of(request)
    table = stakeout_table(desk, job, given)
    return done_body(actions.choose_stakeout(desk, identity_of(request), job, name, table, key=key))


@router.delete("/jobs/{job}/stakeouts/{name}", summary="Take a stakeout list out")
def remove_stakeout(request: Request, job: JobId, name: Name, key: Key = None) -> Json:
    """The ledger keeps that it was there."""
    return done_body(
        actions.choose_stakeout(desk_of(request), identity_of(request), job, name, None, key=key)
    )
