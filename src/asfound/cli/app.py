"""All commands of `asfound`.

The heavy packages (NumPy, PROJ, GDAL) are imported inside the commands, so that help and
completion answer at once.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from typer.exceptions import TyperException

from asfound.cli import (
    accuracy,
    decide,
    desk,
    digs,
    guide,
    ledger,
    planning,
    returning,
    show,
    stakeout,
)
from asfound.cli.options import JobArgument, JsonOption
from asfound.errors import AsfoundError, InputError

EXIT_CODES = {
    0: "done",
    1: "failed",
    2: "the command line could not be understood",
    3: "a file, value or argument can't be used",
    4: "a unit, sign, zone or frame could be read in more than one way",
    5: "a reference frame, epoch, grid or coordinate operation is missing or not good enough",
    6: "a job's settings, mapping or profile can't be used",
    7: "check --strict: at least one shot is doubtful or unfit",
    8: "a ledger or a release does not hold, or a release does not come out the same",
    70: "a fault of asfound itself",
}

app = typer.Typer(
    name="asfound",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="From a utility locator's raw shots to a checked map that carries its uncertainty.",
    epilog="Exit codes: "
    + "; ".join(f"{code} {meaning}" for code, meaning in EXIT_CODES.items())
    + ".",
)


def _version(value: bool) -> None:
    if value:
        from asfound import __version__

        typer.echo(f"asfound {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="Print the version and leave."
        ),
    ] = False,
) -> None:
    """From a utility locator's raw shots to a checked map that carries its uncertainty."""


@app.command()
def new(
    job: JobArgument,
    crs: Annotated[
        str,
        typer.Option(help="Projected frame of the results: EPSG code or PROJ's name for it."),
    ],
    name: Annotated[str, typer.Option(help="The job's name; the folder's name if left out.")] = "",
    epoch: Annotated[
        float | None, typer.Option(help="Epoch of the results' frame, decimal year.")
    ] = None,
    unit: Annotated[
        str, typer.Option(help="Length unit for people: m, ft (international) or ftUS.")
    ] = "m",
    geoid: Annotated[
        str, typer.Option(help="Geoid grid in the job's grids/ folder, for orthometric heights.")
    ] = "",
    json: JsonOption = False,
) -> None:
    """Start a job in a new folder."""
    from asfound.folder import new_job
    from asfound.model import Frame, JobSettings
    from asfound.units import length_unit

    frame = Frame(crs, epoch, "orthometric" if geoid else "ellipsoidal", geoid)
    settings = JobSettings(
        name=name or job.resolve().name,
        frame=frame,
        length_unit=length_unit(unit, where="--unit").code,
    )
    folder = new_job(job, settings)
    ledger.note(folder, created=True)
    show.started(folder, settings, json=json)


@app.command()
def add(
    job: JobArgument,
    files: Annotated[
        list[Path], typer.Argument(help="Files from the receivers.", show_default=False)
    ],
    frame: Annotated[
        str,
        typer.Option(help="Frame of the coordinates: ITRF2020, NAD83(2011), EPSG:6487 ..."),
    ] = "",
    epoch: Annotated[
        float | None,
        typer.Option(help="Epoch of the coordinates; left out: each shot's own time."),
    ] = None,
    heights: Annotated[str, typer.Option(help="ellipsoidal, orthometric or none.")] = "",
    geoid: Annotated[str, typer.Option(help="Geoid grid that orthometric heights used.")] = "",
    zone: Annotated[
        str, typer.Option(help="Time zone of local times, such as America/Chicago or -06:00.")
    ] = "",
    receiver: Annotated[str, typer.Option(help="Receiver serial, where rows don't say.")] = "",
    antenna_height: Annotated[
        str, typer.Option(help="Antenna above the tip, with unit: '1.8 m', '6 ft'.")
    ] = "",
    position_of: Annotated[
        str, typer.Option(help="What the coordinates are of: antenna or ground.")
    ] = "",
    depth_to: Annotated[
        str, typer.Option(help="What depths are to: centre (of the current) or top (cover).")
    ] = "",
    utility: Annotated[str, typer.Option(help="Utility, where rows don't say.")] = "",
    hookup: Annotated[str, typer.Option(help="Hook-up name, where rows don't say.")] = "",
    crew: Annotated[str, typer.Option(help="Who logged it.")] = "",
    unit: Annotated[
        list[str] | None,
        typer.Option(help="Unit of a column, as COLUMN=UNIT; repeat for more.", show_default=False),
    ] = None,
    position_accuracy: Annotated[
        float | None,
        typer.Option(help="Carry this 1-sigma error of a vague frame label, in metres."),
    ] = None,
    mapping: Annotated[
        Path | None, typer.Option(help="Mapping file (TOML) to use instead of a guess.")
    ] = None,
    track: Annotated[
        Path | None,
        typer.Option(help="NMEA log that gives positions to readings without any, by time."),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Take raw files into a job and show how they are understood."""
    from asfound.folder import add_upload, frame_trouble, open_job

    folder = open_job(job)
    hints: dict[str, object] = {
        "frame": frame,
        "epoch": epoch,
        "heights": heights,
        "geoid": geoid,
        "zone": zone,
        "receiver": receiver,
        "antenna_height": antenna_height,
        "position_of": position_of,
        "depth_to": depth_to,
        "utility": utility,
        "hookup": hookup,
        "crew": crew,
        "units": _pairs(unit or []),
        "position_accuracy": position_accuracy,
    }
    given = {key: value for key, value in hints.items() if value not in ("", None, {})}
    done = []
    for file in files:
        with show.steps(quiet=json) as step:
            step(f"Taking in {file.name}")
            item = add_upload(folder, file, hints=given, mapping_path=mapping, track=track)
            trouble = frame_trouble(folder, item.upload)
            ledger.note(folder)
        done.append((item, trouble))
        if not json:
            show.added(folder, item, trouble)
    if json:
        show.added_json(folder, done)


def _pairs(items: list[str]) -> dict[str, str]:
    pairs = {}
    for item in items:
        column, equals, unit = item.rpartition("=")
        if not equals or not column or not unit:
            raise InputError(
                f"'{item}' is not of the form COLUMN=UNIT.",
                where="--unit",
                remedy="Write it like --unit Depth=ft.",
            )
        pairs[column] = unit
    return pairs


@app.command()
def process(job: JobArgument, json: JsonOption = False) -> None:
    """Check every shot, join lines, and write report, map and exchange files to out/."""
    from asfound.folder import open_job, process_job

    with show.steps(quiet=json) as step:
        results, files = process_job(job, progress=step)
    ledger.note(open_job(job), processed=files)
    show.processed(results, files, json=json)


@app.command()
def check(
    job: JobArgument,
    strict: Annotated[
        bool, typer.Option(help="Leave with exit code 7 when a shot is doubtful or unfit.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Show findings and reported rows only; write nothing."""
    from asfound.folder import run_job

    with show.steps(quiet=json) as step:
        results = run_job(job, progress=step)
    show.findings(results, json=json)
    if strict and bool((results.verdict > 0).any()):
        raise typer.Exit(7)


@app.command()
def explain(
    job: JobArgument,
    shot: Annotated[str, typer.Argument(help="Shot such as A-17.", show_default=False)],
    json: JsonOption = False,
) -> None:
    """Show one shot: its position, its error budget term by term, its findings, its raw row."""
    from asfound.cli.explain import explained, find_shot
    from asfound.folder import open_job, raw_row, run_job

    with show.steps(quiet=json) as step:
        results = run_job(job, progress=step)
    index = find_shot(results, shot)
    shots = results.intake.shots
    tag = results.intake.sources[shots.source[index]].tag
    row = raw_row(open_job(job), tag, int(shots.line_number[index]))
    explained(results, index, row, json=json)


@app.command()
def sweep(
    job: JobArgument,
    name: Annotated[
        str, typer.Argument(metavar="SWEEP", help="Name of the sweep.", show_default=False)
    ],
    svg: Annotated[Path | None, typer.Option(help="Write the drawing to this SVG file.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the drawing to this PDF file.")] = None,
    json: JsonOption = False,
) -> None:
    """Show one sweep: readings, the conductors found, what one-conductor logic would have said."""
    from asfound.deliver import sweep_pdf, sweep_svg
    from asfound.files import write_whole
    from asfound.folder import run_job

    with show.steps(quiet=json) as step:
        results = run_job(job, progress=step)
    number = _find_sweep([located.name for located in results.sweeps], name)
    for path, draw in ((svg, sweep_svg), (pdf, sweep_pdf)):
        if path is not None:
            write_whole(path, draw(results, number))
    show.swept(results, number, json=json)


def _find_sweep(names: list[str], name: str) -> int:
    for number, known in enumerate(names):
        if known.casefold() == name.casefold():
            return number
    raise InputError(
        f"the job has no sweep '{name}'.",
        where="SWEEP",
        remedy=f"It has: {', '.join(names)}." if names else "Add a file with sweeps first.",
    )


@app.command()
def frames(
    at: Annotated[str, typer.Option(help="Place as LAT,LON in degrees, south and west negative.")],
    epoch: Annotated[float | None, typer.Option(help="Decimal year; left out: the date.")] = None,
    day: Annotated[str, typer.Option("--date", help="YYYY-MM-DD; left out: today.")] = "",
    frame: Annotated[
        list[str] | None,
        typer.Option(
            help="Compare these frames (two or more) instead of the usual ones.",
            show_default=False,
        ),
    ] = None,
    figure: Annotated[Path | None, typer.Option(help="Write the drawing to this SVG file.")] = None,
    json: JsonOption = False,
) -> None:
    """Show how far reference frames lie apart at a place, and what a mix-up would cost."""
    from asfound.cli.stakeout import day_of
    from asfound.deliver import frames_svg
    from asfound.files import write_whole
    from asfound.geodesy import compare_frames
    from asfound.stakeout import day_epoch
    from asfound.units import METRE

    latitude, longitude = _place(at)
    when = epoch if epoch is not None else round(day_epoch(day_of(day)), 3)
    if frame is not None and len(frame) < 2:
        raise InputError(
            "one frame alone can't be compared.", where="--frame", remedy="Name two or more."
        )
    found = compare_frames(longitude, latitude, when, frame)
    if figure is not None:
        write_whole(figure, frames_svg(found, METRE).encode())
    show.frame_differences(latitude, longitude, when, found, json=json)


def _place(text: str) -> tuple[float, float]:
    remedy = "Write it like --at 39.02,-104.81 (latitude first; south and west negative)."
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(f"'{text}' is not a place.", where="--at", remedy=remedy) from None
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        raise InputError(
            f"latitude {latitude}, longitude {longitude} is not on the globe.",
            where="--at",
            remedy=remedy,
        )
    return latitude, longitude


@app.command()
def demo(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder to build in.", show_default=False)
    ],
    seed: Annotated[int, typer.Option(help="Another seed gives another invented job.")] = 7,
    process: Annotated[
        bool, typer.Option("--process", help="Run the main job on it at once.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Build anew, also where someone worked on it.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Build the invented demonstration job: raw files, a job that has taken them in."""
    from asfound.folder import process_job
    from asfound.folder.demonstration import build_demo

    with show.steps(quiet=json) as step:
        step("Inventing a village street and its shots")
        folder = build_demo(directory, seed, replace=replace)
        if process:
            results, files = process_job(folder.path, progress=step)
    ledger.note(folder, processed=files if process else None)
    if process:
        show.processed(results, files, json=json)
    else:
        show.demo_built(folder, json=json)


app.command()(decide.decide)
app.command()(decide.undo)
app.command()(decide.decisions)
app.add_typer(ledger.ledger)
app.command()(ledger.release)
app.command()(ledger.check_release)
app.command()(desk.desk)
app.command()(digs.digs)
app.command()(accuracy.accuracy)
app.command()(planning.preview)
app.command()(planning.reach)
app.command()(stakeout.stakeout)
app.command()(guide.guide)
app.command("return")(returning.return_to)


def main() -> NoReturn:
    """Run the command line; user errors print three lines, never a traceback."""
    json = "--json" in sys.argv
    try:
        # For people, typer prints what it could not understand, with the usage, and leaves.
        code = app(standalone_mode=not json)
    except AsfoundError as error:
        show.error(error, json=json)
        sys.exit(error.exit_code)
    except TyperException as error:
        show.usage(error)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.exit(1)
    except Exception as error:
        if os.environ.get("ASFOUND_DEBUG"):
            raise
        show.fault(error)
        sys.exit(70)
    sys.exit(code if isinstance(code, int) else 0)
