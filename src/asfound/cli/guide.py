"""`asfound guide`: live guidance to a spot of a job, from a receiver's sentences."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import show
from asfound.cli.options import JobArgument, PlateOption, PoleOption, ServiceEpochOption
from asfound.errors import InputError

if TYPE_CHECKING:
    from asfound.cli.guide_screen import ScreenFacts
    from asfound.cli.nmea_source import NmeaSource
    from asfound.model import Results, ServiceTargets
    from asfound.stakeout import Guidance, GuidanceSettings, LiveState, LiveTarget

NMEA_HELP = "tcp://HOST:PORT, serial:/dev/ttyUSB0@115200, a log's file name, or - for input."
_REDRAWS = 8.0  # a second


def guide(
    job: JobArgument,
    target: Annotated[
        str,
        typer.Argument(
            help="Where to go: a shot (A-17), a station (W1@25), or the name of a bend, tee, "
            "crossing, dig corner, exposure or control point.",
            show_default=False,
        ),
    ],
    nmea: Annotated[str, typer.Option(help=NMEA_HELP)],
    service: Annotated[
        str, typer.Option(help="Frame that the correction service delivers: ITRF2020 ...")
    ],
    day: Annotated[
        str,
        typer.Option("--date", help="Day, YYYY-MM-DD; left out: the log's day, or today."),
    ] = "",
    service_epoch: ServiceEpochOption = None,
    antenna_height: PoleOption = "2 m",
    tolerance: Annotated[
        str, typer.Option(help="Distance that counts as here, with unit: 0.1m, 0.3ft.")
    ] = "0.1m",
    by: Annotated[
        str, typer.Option(help="course: ahead is where you walk; north: ahead is north.")
    ] = "course",
    plate: PlateOption = "",
    replay: Annotated[
        float, typer.Option(min=0.0, help="Speed of a log's replay; 0: as fast as it goes.")
    ] = 1.0,
    json: Annotated[
        bool, typer.Option("--json", help="Print one line of JSON for every fix.")
    ] = False,
) -> None:
    """Guide to a spot with a live receiver; never says "here" on a float or stale position."""
    from asfound.cli.guide_screen import ScreenFacts
    from asfound.cli.nmea_source import NmeaSource
    from asfound.folder import parse_spacing
    from asfound.intake.hints import pole_height
    from asfound.stakeout import GuidanceSettings, live_target
    from asfound.units import length_unit

    if by not in ("course", "north"):
        raise InputError(f"'{by}' is no way.", where="--by", remedy="Take course or north.")
    source = NmeaSource(nmea, speed=replay)
    with show.steps(quiet=json) as step:
        results, given = target_in_service(
            job, target, service, stream_day(day, nmea), service_epoch, plate, step
        )
    wanted = live_target(given, 0)
    settings = GuidanceSettings(
        tolerance=parse_spacing(tolerance, where="--tolerance")[0],
        antenna_height=pole_height(antenna_height, where="--antenna-height"),
        by=by,
    )
    facts = ScreenFacts(
        target=target_words(given),
        frame=frame_words(given),
        unit=length_unit(results.settings.length_unit),
        tolerance=settings.tolerance,
        depth=wanted.depth,
    )
    with source:
        if json:
            _print_fixes(source, wanted, settings)
        else:
            _show(source, wanted, settings, facts)


def target_in_service(
    job: Path,
    name: str,
    service: str,
    day: date,
    service_epoch: float | None,
    plate: str,
    step: Any,
) -> tuple[Results, ServiceTargets]:
    """One spot of a job where the service has it on a day."""
    from asfound.cli.stakeout import run_for_return
    from asfound.model import Frame
    from asfound.stakeout import day_epoch, find_target, measured_epoch, to_service

    results = run_for_return(job, step)
    given = to_service(
        find_target(results, name),
        results.settings,
        Frame(service, service_epoch),
        day_epoch(day),
        measured_epoch=measured_epoch(results),
        plate=plate,
    )
    return results, given


def stream_day(text: str, nmea: str) -> date:
    """The day given; of a log its own; else today."""
    from asfound.cli.nmea_source import log_day
    from asfound.cli.stakeout import day_of

    if not text and Path(nmea).is_file():
        told = log_day(Path(nmea))
        if told is not None:
            try:
                return date(*told)
            except ValueError:
                pass
    return day_of(text)


def target_words(given: ServiceTargets) -> str:
    """The target in words."""
    from asfound.stakeout import utility_words

    own = given.targets
    line = f", {utility_words(own)[0]} line {own.line[0]}" if own.line[0] else ""
    return f"{own.name[0]} ({own.kind[0]}{line})"


def frame_words(given: ServiceTargets) -> str:
    """The service's frame in words."""
    when = f" at epoch {given.epoch:.2f}" if given.epoch == given.epoch else ""
    return f"{given.crs}{when}"


def _show(
    source: NmeaSource, target: LiveTarget, settings: GuidanceSettings, facts: ScreenFacts
) -> None:
    from rich.live import Live
    from rich.text import Text

    from asfound.cli.guide_screen import screen_lines
    from asfound.stakeout import LiveState, feed, guide

    console = show.console_for()
    state, news = LiveState(), "opening"

    def drawn(guidance: Guidance) -> Text:
        lines = screen_lines(
            guidance,
            facts,
            news,
            width=console.width,
            height=max(console.height - 1, 16),
            unicode=console.encoding.lower().startswith("utf"),
        )
        return Text("\n".join(lines), style="bold" if guidance.here else "", no_wrap=True)

    first = drawn(guide(state, target, source.clock(), settings))
    with Live(first, console=console, auto_refresh=False, screen=console.is_terminal) as live:
        while True:
            ended = False
            for item in source.arrived(1.0 / _REDRAWS):
                if item.data:
                    state = feed(state, item.data, item.at)
                    news = ""
                elif item.ended:
                    ended = True
                else:
                    news = item.news or news
            live.update(drawn(guide(state, target, source.clock(), settings)), refresh=True)
            if ended:
                break
    if console.is_terminal:
        console.print(drawn(guide(state, target, source.clock(), settings)))


def _print_fixes(source: NmeaSource, target: LiveTarget, settings: GuidanceSettings) -> None:
    """A line of JSON for every fix, once its own uncertainty has come or the next one begins."""
    from asfound.stakeout import LiveState, feed

    state = LiveState()
    printed, status = -1.0, ""
    while True:
        items = source.arrived(0.15)
        for item in items:
            for piece in item.data.splitlines(keepends=True):
                if b"GGA," in piece and state.fix is not None and state.fix.utc != printed:
                    printed = state.fix.utc
                    status = _print_fix(state, target, state.fix.received, settings)
                state = feed(state, piece, item.at)
            if item.news:
                _line({"link": item.news})
        fix = state.fix
        if fix is not None and fix.utc != printed and (not items or items[-1].ended):
            printed = fix.utc
            status = _print_fix(state, target, fix.received, settings)
        elif not items:
            status = _print_change(state, target, source.clock(), settings, status)
        if items and items[-1].ended:
            return


def _print_fix(state: LiveState, target: LiveTarget, now: float, settings: GuidanceSettings) -> str:
    from asfound.stakeout import guide

    guidance = guide(state, target, now, settings)
    _line(guidance_record(guidance, state))
    return guidance.status


def _print_change(
    state: LiveState,
    target: LiveTarget,
    now: float,
    settings: GuidanceSettings,
    before: str,
) -> str:
    """Say so when a position has grown stale or was lost in between."""
    from asfound.stakeout import guide

    guidance = guide(state, target, now, settings)
    if guidance.status not in (before, "live"):
        _line(guidance_record(guidance, state))
    return guidance.status


def guidance_record(guidance: Guidance, state: LiveState) -> dict[str, Any]:
    """Guidance for programs: metres and degrees; null where there is nothing to show."""
    import math

    fix = state.fix
    return {
        "utc_s": None if fix is None else round(fix.utc, 3),
        "status": guidance.status,
        "fix": guidance.fix,
        "age_s": guidance.age,
        "distance_m": guidance.distance,
        "bearing_deg": math.degrees(guidance.bearing),
        "east_m": guidance.east,
        "north_m": guidance.north,
        "up_m": guidance.up,
        "ahead_m": guidance.ahead,
        "right_m": guidance.right,
        "by": guidance.by,
        "here_95_m": guidance.here_95,
        "target_95_m": guidance.target_95,
        "both_95_m": guidance.both_95,
        "consistent": guidance.consistent,
        "chance_within": guidance.chance_within,
        "on_spot": guidance.on_spot,
        "here": guidance.here,
        "refusals": list(guidance.refusals),
    }


def _line(record: dict[str, Any]) -> None:
    import json
    import sys

    plain = {
        key: (round(value, 5) if abs(value) < float("inf") else None)
        if isinstance(value, float)
        else value
        for key, value in record.items()
    }
    sys.stdout.write(json.dumps(plain, ensure_ascii=False) + "\n")
    sys.stdout.flush()
