"""`asfound return`: was the spot found again? Same, different, or not decidable, with numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import ledger, show
from asfound.cli.guide import NMEA_HELP, frame_words, stream_day
from asfound.cli.options import JobArgument, JsonOption, PlateOption, PoleOption, ServiceEpochOption
from asfound.errors import AmbiguityError, InputError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    from pyproj import CRS

    from asfound.model import Repeat, Results, ServiceTargets, ShotKey, Targets
    from asfound.stakeout import LiveFix, Measured, ReturnCheck

    Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Again:
    """A second measurement beside its target, in the job's grid axes."""

    difference: Floats
    target_covariance: Floats
    covariance: Floats
    joint: Floats | None
    frame: str
    epoch: float
    when: datetime
    receiver: str
    measured: ShotKey | None
    words: str
    given: ServiceTargets | None = None


def return_to(
    job: JobArgument,
    target: Annotated[
        str,
        typer.Argument(
            help="The spot: a shot (A-17), a station (W1@25), or the name of a bend, tee, "
            "crossing, dig corner, exposure or control point.",
            show_default=False,
        ),
    ],
    shot: Annotated[
        str, typer.Option(help="The second measurement is this shot of the job, such as B-12.")
    ] = "",
    nmea: Annotated[str, typer.Option(help="The second measurement comes live: " + NMEA_HELP)] = "",
    at: Annotated[
        str,
        typer.Option(
            help="The second measurement by its coordinates: E,N or E,N,HEIGHT as the service's "
            "frame has them, or LAT,LON or LAT,LON,HEIGHT in degrees. HEIGHT may carry its unit: "
            "401.72m, 1317.99ftUS."
        ),
    ] = "",
    service: Annotated[
        str, typer.Option(help="Frame of the second measurement: ITRF2020, NAD83(2011) ...")
    ] = "",
    day: Annotated[
        str, typer.Option("--date", help="Its day, YYYY-MM-DD; left out: the log's, or today.")
    ] = "",
    service_epoch: ServiceEpochOption = None,
    mark: Annotated[
        bool,
        typer.Option(
            "--mark", help="The mark on the ground was measured, not the line located anew."
        ),
    ] = False,
    deviation: Annotated[
        str, typer.Option(help="Standard deviation of --at, level and up, in metres.")
    ] = "0.011,0.022",
    antenna_height: PoleOption = "2 m",
    seconds: Annotated[float, typer.Option(min=1.0, help="How long --nmea is listened to.")] = 10.0,
    tolerance: Annotated[
        str, typer.Option(help="Distance within which it is the same spot: 0.1m, 0.3ft.")
    ] = "0.1m",
    plate: PlateOption = "",
    store: Annotated[
        bool, typer.Option("--store", help="Keep it in repeats.toml as evidence for accuracy.")
    ] = False,
    who: Annotated[str, typer.Option(help="Who measured; the login's name if left out.")] = "",
    receiver: Annotated[str, typer.Option(help="Serial of the receiver.")] = "",
    note: Annotated[str, typer.Option(help="What else should be known.")] = "",
    json: JsonOption = False,
) -> None:
    """Say whether a spot measured again is the same spot, a different one, or not decidable."""
    import numpy as np

    from asfound.cli.stakeout import run_for_return
    from asfound.folder import add_repeat, open_job, parse_spacing
    from asfound.folder.decisions import login_name
    from asfound.model import Repeat
    from asfound.stakeout import Outcome, find_target, frame_suspects, return_check

    if sum(bool(way) for way in (shot, nmea, at)) != 1:
        raise InputError(
            "one second measurement is needed.",
            where="--shot, --nmea, --at",
            remedy="Give a shot of the job, a live stream, or coordinates.",
        )
    allowed = parse_spacing(tolerance, where="--tolerance")[0]
    folder = open_job(job)
    with show.steps(quiet=json) as step:
        results = run_for_return(job, step)
        wanted = find_target(results, target)
        first = _target_shot(results, wanted)
        if shot:
            again = _by_shot(results, wanted, first, shot)
        else:
            if not service:
                raise InputError(
                    "the frame of the second measurement is not known.",
                    where="--service",
                    remedy="Say which frame the correction service delivers: --service ITRF2020.",
                )
            given = _given(results, wanted, service, service_epoch, stream_day(day, nmea), plate)
            step("Measuring again")
            if nmea:
                measured = _listen(nmea, seconds, antenna_height)
            else:
                measured = _typed(service, at, deviation, results.settings.length_unit)
            on_mark = mark or not wanted.line[0]  # what is on no line can't be located anew
            again = _beside(
                results, given, measured, first, on_mark, service, _when(day, nmea), receiver
            )
    check = return_check(
        np.zeros(3),
        again.target_covariance if again.joint is None else np.zeros((3, 3)),
        again.difference,
        again.covariance if again.joint is None else again.joint,
        tolerance=allowed,
    )
    hints: tuple[str, ...] = ()
    if again.given is not None and check.outcome is Outcome.DIFFERENT:
        hints = frame_suspects(again.given, again.difference, check.horizontal_95, again.epoch)
    kept: Repeat | None = None
    if store:
        position = np.array([wanted.easting[0], wanted.northing[0], wanted.height[0]])
        kept = add_repeat(
            folder,
            Repeat(
                id="",
                target=wanted.name[0],
                shot=None if first is None else _key(results, first),
                target_position=position,
                target_covariance=again.target_covariance,
                measured=again.measured,
                position=position + again.difference,
                covariance=again.covariance,
                frame=again.frame,
                epoch=again.epoch,
                when=again.when,
                who=who or login_name(),
                receiver=receiver or again.receiver,
                outcome=check.outcome.word,
                tolerance=allowed,
                note=note,
            ),
        )
        ledger.note(folder)
    if json:
        show.print_json({**_record(wanted, again, check, kept), "hints": list(hints)})
        return
    _print(results, wanted, again, check, kept, hints)


def _given(
    results: Results,
    wanted: Targets,
    service: str,
    epoch: float | None,
    day: Any,
    plate: str,
) -> ServiceTargets:
    from asfound.model import Frame
    from asfound.stakeout import day_epoch, measured_epoch, to_service

    return to_service(
        wanted,
        results.settings,
        Frame(service, epoch),
        day_epoch(day),
        measured_epoch=measured_epoch(results),
        plate=plate,
    )


def _target_shot(results: Results, wanted: Targets) -> int | None:
    from asfound.stakeout import shot_row

    return shot_row(results, wanted.name[0]) if wanted.kind[0] == "shot" else None


def _key(results: Results, shot: int) -> ShotKey:
    from asfound.model import ShotKey

    shots = results.intake.shots
    return ShotKey(results.intake.sources[int(shots.source[shot])].sha256, int(shots.row[shot]))


def _by_shot(results: Results, wanted: Targets, first: int | None, name: str) -> _Again:
    """The second measurement is a shot: what both share (base, hook-up) cancels."""
    import numpy as np

    from asfound.accuracy import repeat_checks
    from asfound.stakeout import shot_row
    from asfound.units import from_decimal_year

    second = shot_row(results, name, where="--shot")
    if second == first:
        raise InputError(
            f"{name} is the target itself.", where="--shot", remedy="Give another shot."
        )
    ground, budget, shots = results.ground, results.budget, results.intake.shots
    if not np.isfinite(ground.easting[second]):
        raise InputError(
            f"{name} has no position.", where="--shot", remedy="Give a shot with a position."
        )
    epoch = float(ground.epoch[second])
    if not np.isfinite(epoch):
        epoch = float(results.settings.frame.epoch or np.nan)
    source = results.intake.sources[int(shots.source[second])]
    joint: Floats | None = None
    if first is not None:
        checks = repeat_checks([(first, second)], ground, budget)
        difference, joint = checks.difference[0], checks.covariance[0]
    else:
        spot = np.array([wanted.easting[0], wanted.northing[0], wanted.height[0]])
        there = np.array([ground.easting[second], ground.northing[second], ground.height[second]])
        difference = there - spot
    moment = shots.time[second]
    if np.isnat(moment):
        moment = from_decimal_year(np.array([epoch if np.isfinite(epoch) else 2000.0]))[0]
    when = datetime.fromisoformat(str(moment.astype("datetime64[s]"))).replace(tzinfo=UTC)
    return _Again(
        difference=difference,
        target_covariance=wanted.covariance[0],
        covariance=budget.covariance[second],
        joint=joint,
        frame=source.frame.crs,
        epoch=epoch,
        when=when,
        receiver=shots.receiver.word(second) or source.receiver,
        measured=_key(results, second),
        words=f"shot {results.shot_name(second)}, logged in {source.frame.crs}",
    )


def _beside(
    results: Results,
    given: ServiceTargets,
    measured: Measured,
    first: int | None,
    mark: bool,
    service: str,
    when: datetime,
    receiver: str,
) -> _Again:
    """A pole on the spot: on the mark, or where the line was located anew by the same method."""
    import numpy as np

    from asfound.stakeout import spot_difference

    difference, of_target, of_measured = spot_difference(
        results, given, measured, shot=first, mark=mark
    )
    return _Again(
        difference=difference,
        target_covariance=of_target,
        covariance=of_measured,
        joint=None,
        frame=service,
        epoch=given.epoch if np.isfinite(given.epoch) else _year(when),
        when=when,
        receiver=receiver,
        measured=None,
        words=("the mark" if mark else "the line located anew") + f", in {frame_words(given)}",
        given=given,
    )


def _year(when: datetime) -> float:
    import numpy as np

    from asfound.units import decimal_year

    moment = np.array([when.replace(tzinfo=None)], "datetime64[us]")
    return float(decimal_year(moment)[0])


def _when(day: str, nmea: str) -> datetime:
    told = stream_day(day, nmea)
    now = datetime.now(UTC).replace(microsecond=0)
    if not day and not (nmea and Path(nmea).is_file()):
        return now
    return datetime.combine(told, time(12), UTC)


def _typed(service: str, at: str, deviation: str, unit: str) -> Measured:
    import math

    from asfound.geodesy import resolve_frame
    from asfound.stakeout import measured_at

    try:
        parts = at.split(",")
        numbers = [float(part) for part in parts[:2]]
        level, up = (float(part) for part in deviation.split(","))
        finite = all(math.isfinite(number) for number in (*numbers, level, up))
        if len(parts) not in (2, 3) or level <= 0.0 or up <= 0.0 or not finite:
            raise ValueError
    except ValueError:
        raise InputError(
            f"'{at}' with deviation '{deviation}' can't be read.",
            where="--at, --deviation",
            remedy="Write E,N,HEIGHT or LAT,LON,HEIGHT, and two deviations in metres above zero.",
        ) from None
    first, second = numbers
    crs = resolve_frame(service, where="--service")
    projected = (crs.sub_crs_list[0] if crs.is_compound else crs).is_projected
    height = _height(parts[2], crs, unit) if len(parts) == 3 else float("nan")
    degrees = abs(first) <= 90.0 and abs(second) <= 180.0
    if degrees and projected:
        raise InputError(
            f"{at} looks like degrees, but {service} has eastings and northings.",
            where="--at",
            remedy="Give E,N, or name the frame without its projection.",
        )
    if not degrees and not projected:
        raise InputError(
            f"{at} is no latitude and longitude.",
            where="--at",
            remedy="Give LAT,LON in degrees, or name the frame with its projection.",
        )
    x, y = (second, first) if degrees else (first, second)
    return measured_at(service, x, y, height, (level, up))


def _height(text: str, crs: CRS, unit: str) -> float:
    """A height [m]: in the unit written behind it, else in that of easting and northing; where
    neither says, only in a job that counts in metres."""
    from asfound.folder import parse_spacing

    words = text.strip()
    sign = -1.0 if words.startswith("-") else 1.0
    try:
        number = float(words)
    except ValueError:
        return sign * parse_spacing(words.lstrip("+-"), where="--at")[0]
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    if horizontal.is_projected:
        return number * float(horizontal.axis_info[0].unit_conversion_factor)
    if unit != "m":
        raise AmbiguityError(
            f"the height {words} could be metres or feet.",
            where="--at",
            remedy=f"Write its unit: {words}m, or {words}{unit}.",
        )
    return number


def _listen(nmea: str, seconds: float, antenna_height: str) -> Measured:
    """Fixes of a pole that stands still: so many seconds live, or the last ones of a log."""
    from asfound.cli.nmea_source import NmeaSource
    from asfound.intake.hints import pole_height
    from asfound.stakeout import LiveState, feed, lag, measured_live

    pole = pole_height(antenna_height, where="--antenna-height")
    fixes: dict[float, LiveFix] = {}
    state = LiveState()
    with NmeaSource(nmea, speed=0.0) as source:
        began = source.clock()
        patience = began + 3.0 * seconds + 30.0
        first = None
        while first is None or source.clock() - first < seconds or source.replayed:
            items = source.arrived(0.2)
            for item in items:
                for piece in item.data.splitlines(keepends=True):
                    state = feed(state, piece, item.at)
                    fix = state.fix
                    if fix is not None and (source.replayed or lag(state) < 1.0):
                        fixes[fix.utc] = fix
                        first = item.at if first is None else first
            if (items and items[-1].ended) or (first is None and source.clock() > patience):
                break
    kept = list(fixes.values())
    if kept:
        last = kept[-1].utc
        kept = [fix for fix in kept if (last - fix.utc) % 86_400.0 <= seconds]
    return measured_live(kept, pole)


def _record(
    wanted: Targets, again: _Again, check: ReturnCheck, kept: Repeat | None
) -> dict[str, Any]:
    return {
        "target": wanted.name[0],
        "outcome": check.outcome.word,
        "east_m": check.east,
        "north_m": check.north,
        "up_m": check.up,
        "horizontal_m": check.horizontal,
        "statistic": check.statistic,
        "freedom": check.freedom,
        "p_value": check.p_value,
        "horizontal_95_m": check.horizontal_95,
        "vertical_95_m": check.vertical_95,
        "detectable_m": check.detectable,
        "tolerance_m": check.tolerance,
        "frame": again.frame,
        "epoch": again.epoch,
        "words": check.words,
        "stored": None if kept is None else kept.id,
    }


def _print(
    results: Results,
    wanted: Targets,
    again: _Again,
    check: ReturnCheck,
    kept: Repeat | None,
    hints: tuple[str, ...],
) -> None:
    from asfound.units import length_unit, lengths_in

    unit = length_unit(results.settings.length_unit)
    console = show.console_for()
    console.print(f"[bold]{check.outcome.word.upper()}[/bold]")
    console.print(show.plain(lengths_in(check.words, unit)), soft_wrap=True)
    for words in hints:
        console.print(f"[bold]{show.plain(lengths_in(words, unit))}[/bold]", soft_wrap=True)
    name = wanted.name[0] if not wanted.line[0] else f"{wanted.name[0]}, line {wanted.line[0]}"
    console.print(f"Target {show.plain(name)}; measured again: {show.plain(again.words)}.")
    parts = [("east", check.east), ("north", check.north), ("up", check.up)]
    told = ", ".join(
        f"{word} {value / unit.metres:+.3f}" for word, value in parts if value == value
    )
    console.print(f"Measured less target [{unit.symbol}]: {told}.".replace("[", "\\["))
    if check.freedom == 3:
        console.print(
            f"95 %: {check.horizontal_95 / unit.metres:.3f} {unit.symbol} in plan, "
            f"{check.vertical_95 / unit.metres:.3f} {unit.symbol} in height; chi-squared "
            f"{check.statistic:.4g} with 3 degrees of freedom."
        )
    else:
        console.print(
            f"95 %: {check.horizontal_95 / unit.metres:.3f} {unit.symbol} in plan; chi-squared "
            f"{check.statistic:.4g} with 2 degrees of freedom, without heights."
        )
    if kept is not None:
        console.print(f"Stored as {kept.id} in repeats.toml; it counts when the job is processed.")
    show.print_cautions(console)
