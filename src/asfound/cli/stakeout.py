"""`asfound stakeout`: a list of spots to find again, for the correction service of the day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asfound.cli import show
from asfound.cli.options import JobArgument, JsonOption, PlateOption, ServiceEpochOption
from asfound.errors import InputError

if TYPE_CHECKING:
    from asfound.model import Results, StakeoutList, StakeoutRequest


def stakeout(
    job: JobArgument,
    service: Annotated[
        str,
        typer.Option(
            help="Frame that the correction service delivers on the day: ITRF2020, "
            "NAD83(2011), EPSG:6428, 'ETRF2000 / UTM zone 32N' ...; left out: the stored list."
        ),
    ] = "",
    day: Annotated[
        str, typer.Option("--date", help="Day of the stakeout, YYYY-MM-DD; left out: today.")
    ] = "",
    shot: Annotated[
        list[str] | None,
        typer.Option(help="Shot such as A-17; repeat for more.", show_default=False),
    ] = None,
    line: Annotated[
        list[str] | None,
        typer.Option(help="Line whose stations are wanted; repeat for more.", show_default=False),
    ] = None,
    every: Annotated[
        str, typer.Option(help="Distance between stations, with unit: 5m, 10ft or 10ft-us.")
    ] = "",
    bends: Annotated[bool, typer.Option(help="Bends of the lines too.")] = True,
    ends: Annotated[bool, typer.Option(help="Ends of the lines too.")] = True,
    tees: Annotated[bool, typer.Option("--tees", help="Where lines branch.")] = False,
    crossings: Annotated[bool, typer.Option("--crossings", help="Where lines cross.")] = False,
    dig: Annotated[
        list[str] | None,
        typer.Option(help="Dig whose corners are wanted, or 'all'.", show_default=False),
    ] = None,
    exposures: Annotated[
        bool, typer.Option("--exposures", help="Where lines were exposed.")
    ] = False,
    control: Annotated[
        bool, typer.Option("--control", help="All control points of the job.")
    ] = False,
    start: Annotated[
        str,
        typer.Option(
            help="Where the walk begins: E,N in the job's frame and its unit, or LAT,LON in "
            "degrees."
        ),
    ] = "",
    columns: Annotated[
        str, typer.Option(help="Columns of the CSV in the controller's order: name,y,x,height.")
    ] = "",
    formats: Annotated[
        str, typer.Option("--format", help="Any of csv,gpx,kml,geojson,landxml.")
    ] = "csv",
    unit: Annotated[
        str, typer.Option(help="Unit of stations, depths and heights: m, ft or ftUS.")
    ] = "",
    heights: Annotated[
        str, typer.Option(help="Heights of the service: ellipsoidal, orthometric or none.")
    ] = "ellipsoidal",
    geoid: Annotated[
        str, typer.Option(help="Geoid grid that the service's orthometric heights use.")
    ] = "",
    service_epoch: ServiceEpochOption = None,
    plate: PlateOption = "",
    position_accuracy: Annotated[
        float, typer.Option(help="Carry this 1-sigma error of a vague frame name, in metres.")
    ] = 0.0,
    name: Annotated[str, typer.Option(help="Name of the list and of its files.")] = "stakeout",
    store: Annotated[
        bool,
        typer.Option(
            "--store", help="Keep the list in stakeout.toml: asfound process writes it again."
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Write a list of spots to find again, in the frame and epoch of the service in use.

    With no service given, the list of that name in stakeout.toml is written; --date moves it to
    another day.
    """
    from asfound.cli.ledger import note
    from asfound.deliver.stakeout_files import list_files, list_record
    from asfound.files import write_whole
    from asfound.folder import (
        open_job,
        parse_spacing,
        read_settings,
        read_stakeouts,
        store_stakeout,
    )
    from asfound.model import Frame, LineChoice, StakeoutRequest
    from asfound.stakeout import LEAST_SPACING, make_stakeout

    folder = open_job(job)
    if service:
        spacing, code = (
            parse_spacing(every, where="--every", least=LEAST_SPACING) if every else (0.0, "m")
        )
        request = StakeoutRequest(
            name=name,
            service=Frame(service, service_epoch, heights, geoid),
            day=day_of(day),
            shots=tuple(shot or ()),
            lines=tuple(LineChoice(item, spacing, code) for item in line or ()),
            bends=bends,
            ends=ends,
            tees=tees,
            crossings=crossings,
            digs=tuple("*" if item == "all" else item for item in dig or ()),
            exposures=exposures,
            control=control,
            start=_start(start, read_settings(folder)) if start else (),
            formats=_split(formats),
            columns=_split(columns),
            unit=unit,
            plate=plate,
            position_accuracy=position_accuracy,
        )
    else:
        if shot or line or dig or every or start:
            raise InputError(
                "a new list was described, but not for which service.",
                where="--service",
                remedy="Say which frame the correction service delivers: --service ITRF2020.",
            )
        request = _stored(read_stakeouts(folder), name)
        if day:
            request = replace(request, day=day_of(day))
    with show.steps(quiet=json) as step:
        results = run_for_return(job, step)
        step("Finding a short way past all targets")
        made = make_stakeout(results, request)
    files = []
    for path, data in list_files(results, made):
        write_whole(folder.out / path, data)
        files.append(folder.out / path)
    if store:
        store_stakeout(folder, request)
        note(folder)
    if json:
        show.print_json({**list_record(made), "files": files, "stored": store})
        return
    _print(results, made, files)
    if store:
        show.console_for().print(
            f"Kept in stakeout.toml as {show.plain(request.name)}; asfound process writes it again."
        )


def run_for_return(job: Path, progress: Callable[[str], None]) -> Results:
    """A job's results without the checks of its digs, which nobody waits for on the way there."""
    from asfound.folder import run_job
    from asfound.model import Plan

    plans: list[Plan] = []

    def without(plan: Plan) -> Plan:
        plans.append(plan)
        return replace(plan, digs=(), stakeouts=())

    results = run_job(job, progress=progress, change=without)
    return replace(results, plan=plans[0])


def day_of(text: str) -> date:
    """A day written as YYYY-MM-DD; today if empty."""
    if not text:
        return datetime.now().astimezone().date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(
            f"'{text}' is not a day.", where="--date", remedy="Write it like --date 2026-12-14."
        ) from None


def _split(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


def _start(text: str, settings: object) -> tuple[str, float, float]:
    """A start place: degrees where both numbers can be, else the job's grid in its own unit."""
    from asfound.geodesy import job_grid
    from asfound.model import JobSettings

    try:
        first, second = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f"'{text}' is not a place.",
            where="--start",
            remedy="Write E,N in the job's frame, or LAT,LON in degrees.",
        ) from None
    if abs(first) <= 90.0 and abs(second) <= 180.0:
        return ("degrees", first, second)
    assert isinstance(settings, JobSettings)
    metres = job_grid(settings.frame, None, settings.grids).unit_metres
    return ("grid", first * metres, second * metres)


def _stored(requests: tuple[StakeoutRequest, ...], name: str) -> StakeoutRequest:
    for request in requests:
        if request.name.casefold() == name.casefold():
            return request
    known = ", ".join(request.name for request in requests)
    raise InputError(
        f"no list called '{name}' is stored, and no service is given for a new one.",
        where="--service",
        remedy=(f"Stored lists: {known}. " if known else "")
        + "For a new one say which frame the correction service delivers: --service ITRF2020.",
    )


def _print(results: Results, made: StakeoutList, files: list[Path]) -> None:
    from asfound.deliver.stakeout_files import list_words
    from asfound.model import CAUTIONS
    from asfound.stakeout import list_columns, list_unit

    targets = made.targets
    assert targets is not None
    unit = list_unit(results, made.request)
    console = show.console_for()
    table = list_columns(targets, unit=unit, decimals=3)
    plane = targets.projected
    shown = show.table_of(
        ">#",
        "name",
        "kind",
        ">easting" if plane else ">latitude",
        ">northing" if plane else ">longitude",
        f">depth {unit}",
        f">95 % {unit}",
    )
    first, second = ("x", "y") if plane else ("latitude", "longitude")
    for k in range(len(targets)):
        shown.add_row(
            table["order"][k],
            show.plain(table["name"][k]),
            show.plain(table["kind"][k]),
            table[first][k],
            table[second][k],
            table["depth"][k] or "–",
            table["horizontal_95"][k] or "–",
        )
    console.print(shown)
    for number, words in enumerate(list_words(results, made)):
        if words in CAUTIONS:
            continue
        bold = words.startswith("Coordinates are in")
        text = show.plain(words)
        if number:
            console.print(f"[bold]{text}[/bold]" if bold else text, soft_wrap=True)
        else:
            console.print(f"[bold]{text}[/bold]", soft_wrap=True)
    for path in files:
        console.print(f"  {show.plain(path)}", soft_wrap=True)
    show.print_cautions(console)
