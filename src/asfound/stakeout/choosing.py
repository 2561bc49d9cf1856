"""A stakeout list from a job's results: what was asked for, in walking order, in the service."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import PurePosixPath

import numpy as np
import numpy.typing as npt

from asfound.errors import AsfoundError, InputError
from asfound.geodesy import job_grid
from asfound.model import (
    STAKEOUT_FORMATS,
    Bore,
    ControlPoint,
    Dig,
    Exposure,
    Line,
    LineChoice,
    Pit,
    Post,
    Results,
    StakeoutList,
    StakeoutRequest,
    Targets,
    Trench,
)
from asfound.stakeout.listing import COLUMNS
from asfound.stakeout.order import walking_order
from asfound.stakeout.service import to_service
from asfound.stakeout.targets import (
    crossing_targets,
    line_targets,
    point_targets,
    shot_targets,
    station_targets,
    tee_targets,
)
from asfound.units import decimal_year, length_unit

Floats = npt.NDArray[np.float64]

_FAR = 5000.0  # a walk does not begin farther away than this [m]
_STRAIGHT = np.radians(1.0)  # a corner of a dig turns by more than this


def make_stakeouts(results: Results) -> tuple[StakeoutList, ...]:
    """Every list of the job's plan; one that can't be made says why."""
    made = []
    for request in results.plan.stakeouts:
        try:
            made.append(make_stakeout(results, request))
        except AsfoundError as error:
            made.append(
                StakeoutList(request, None, reason=str(error.what), remedy=str(error.remedy))
            )
    return tuple(made)


def make_stakeout(results: Results, request: StakeoutRequest) -> StakeoutList:
    """A list of a job.

    Parameters
    ----------
    results : Results
    request : StakeoutRequest

    Raises
    ------
    InputError
        If something that was asked for is not in the job, or nothing was.
    FrameError
        If targets can't be brought into the service's frame honestly.
    """
    check_request(request)
    targets = choose_targets(results, request)
    spot, words = _start(results, request)
    order, distance = walking_order(np.column_stack((targets.easting, targets.northing)), spot)
    ordered = targets.take(order)
    given = to_service(
        ordered,
        results.settings,
        request.service,
        day_epoch(request.day),
        measured_epoch=measured_epoch(results),
        position_accuracy=request.position_accuracy,
        plate=request.plate,
    )
    if "landxml" in request.formats and not given.projected:
        raise InputError(
            f"LandXML points need eastings and northings; the service is in {given.crs}.",
            where=f"stakeout list {request.name}",
            remedy="Give the service's CRS with a projection, or leave landxml out.",
        )
    if spot is not None:
        away = float(np.hypot(ordered.easting[0] - spot[0], ordered.northing[0] - spot[1]))
        if away > _FAR:
            words += f", {away / 1000.0:.0f} km away from the first target: check the start"
    return StakeoutList(request, given, distance, words or f"at {ordered.name[0]}, the first")


def check_request(request: StakeoutRequest) -> None:
    """Refuse names, formats and columns that no list can have.

    Raises
    ------
    InputError
    """
    where = f"stakeout list {request.name}"
    name = PurePosixPath(request.name).name
    bad = "\\" in name or ".." in name or not name.isprintable()
    if not name or name != request.name or not name[0].isalnum() or bad:
        raise InputError(
            f"'{request.name}' can't name a list and its files.",
            where=where,
            remedy="Use letters, digits, dash and underscore.",
        )
    for word, known, what in (
        *((item, STAKEOUT_FORMATS, "a format") for item in request.formats),
        *((item, COLUMNS, "a column") for item in request.columns),
    ):
        if word not in known:
            raise InputError(
                f"'{word}' is not {what} of a stakeout list.",
                where=where,
                remedy=f"Choose from: {', '.join(known)}.",
            )


def choose_targets(results: Results, request: StakeoutRequest) -> Targets:
    """What a request asks for, in the job's frame.

    Raises
    ------
    InputError
        If something is not in the job, or nothing was asked for.
    """
    where = f"stakeout list {request.name}"
    parts = []
    if request.shots:
        rows = np.array([shot_row(results, name, where=where) for name in request.shots])
        parts.append(
            shot_targets(
                rows,
                [results.shot_name(int(row)) for row in rows],
                results.ground,
                results.budget,
                results.assembly,
                results.intake.shots.utility,
                results.depth,
            )
        )
    chosen = [_line(results.lines, choice.line, where) for choice in request.lines]
    for choice, line in zip(request.lines, chosen, strict=True):
        parts.append(_stations(line, choice, request))
    names = {line.name for line in chosen} or {line.name for line in results.lines}
    if request.crossings:
        met = [
            c for c in results.crossings
            if {results.lines[c.line_a].name, results.lines[c.line_b].name} & names
        ]  # fmt: skip
        parts.append(crossing_targets(met, results.lines))
    if request.tees:
        tees = tee_targets(results.assembly)
        mine = [
            results.assembly.names[branch] in names or results.assembly.names[main] in names
            for branch, main, *_ in results.assembly.tees
        ]
        parts.append(tees.take(np.flatnonzero(mine)))
    if request.digs:
        parts += [_corners(dig) for dig in _digs(results.plan.digs, request.digs, where)]
    if request.exposures:
        parts += [_exposure(item) for item in results.plan.exposures]
    if request.control:
        parts += [_control(point) for point in results.settings.control]
    found = [part for part in parts if len(part)]
    if not found:
        raise InputError(
            "nothing is on this list.",
            where=where,
            remedy="Choose shots, lines, tees, crossings, digs, exposures or control points that "
            "the job has.",
        )
    return Targets.join(found)


def shot_row(results: Results, name: str, *, where: str = "") -> int:
    """Index of a shot by its name, such as ``'A-17'``.

    Raises
    ------
    InputError
        If the job has no such shot.
    """
    tag, _, row = name.strip().rpartition("-")
    shots = results.intake.shots
    tags = [source.tag.casefold() for source in results.intake.sources]
    if row.isdigit() and tag.casefold() in tags:
        same = (shots.source == tags.index(tag.casefold())) & (shots.row == int(row))
        if same.any():
            return int(np.flatnonzero(same)[0])
    raise InputError(
        f"the job has no shot '{name}'.",
        where=where,
        remedy="Shots are called upload-row, such as A-17; out/shots.csv lists them.",
    )


def find_target(results: Results, text: str) -> Targets:
    """One spot of a job by what people call it.

    Parameters
    ----------
    results : Results
    text : str
        A shot (``'A-17'``); a station of a line (``'W1@25'``, in the job's length unit, or
        ``'W1@25m'``); a bend, end, tee, crossing or dig corner by its name in lists; an exposure
        or control point by its name.

    Raises
    ------
    InputError
        If nothing, or more than one thing, goes by that name.
    """
    where = "TARGET"
    name, at, station = text.rpartition("@")
    if at:
        line = _line(results.lines, name, where)
        metres, code = _station(station, results.settings.length_unit)
        return station_targets(line, np.array([metres]), code)
    found = [item for item in _all_targets(results) if item.name[0].casefold() == text.casefold()]
    if len(found) > 1:
        raise InputError(
            f"{len(found)} spots of the job are called '{text}'.",
            where=where,
            remedy="Take a station (W1@25) or a shot (A-17) instead.",
        )
    if found:
        return found[0]
    try:
        row = shot_row(results, text, where=where)
    except InputError:
        raise InputError(
            f"nothing in the job is called '{text}'.",
            where=where,
            remedy="Give a shot (A-17), a station (W1@25), or the name of a bend, tee, crossing, "
            "dig corner, exposure or control point.",
        ) from None
    return shot_targets(
        np.array([row]),
        [results.shot_name(row)],
        results.ground,
        results.budget,
        results.assembly,
        results.intake.shots.utility,
        results.depth,
    )


def _station(text: str, usual: str) -> tuple[float, str]:
    """Metres and unit of a station; without a unit in the job's."""
    for code in ("ftUS", "ft", "m"):
        if text.endswith(code):
            usual, text = code, text[: -len(code)]
            break
    try:
        return float(text) * length_unit(usual).metres, usual
    except ValueError:
        raise InputError(
            f"'{text}' is not a station.", where="TARGET", remedy="Write it like W1@25 or W1@25m."
        ) from None


def _all_targets(results: Results) -> Iterator[Targets]:
    """Everything with a name of its own but shots, one by one."""
    unit = results.settings.length_unit
    parts = [line_targets(line, unit=unit) for line in results.lines]
    parts.append(crossing_targets(results.crossings, results.lines))
    parts.append(tee_targets(results.assembly))
    parts += [_corners(dig) for dig in results.plan.digs]
    for exposure in results.plan.exposures:
        parts.append(_exposure(exposure))
    parts += [_control(point) for point in results.settings.control]
    for part in parts:
        for row in range(len(part)):
            yield part.take(np.array([row]))


def _exposure(item: Exposure) -> Targets:
    return point_targets(
        [item.name],
        np.array([item.easting]),
        np.array([item.northing]),
        kind="exposure",
        height=np.array([item.ground_height]),
        horizontal_sd=item.horizontal_sd,
    )


def _control(point: ControlPoint) -> Targets:
    return point_targets(
        [point.name],
        np.array([point.easting]),
        np.array([point.northing]),
        kind="control point",
        height=np.array([point.height]),
        horizontal_sd=point.horizontal_sd,
        vertical_sd=point.vertical_sd,
    )


def day_epoch(day: date) -> float:
    """Decimal year of a day's noon."""
    return float(decimal_year(np.array([f"{day.isoformat()}T12:00"], "datetime64[us]"))[0])


def measured_epoch(results: Results) -> float | None:
    """When the job's shots were taken, in the middle; None if no shot says."""
    known = results.ground.epoch[np.isfinite(results.ground.epoch)]
    if not len(known):
        times = results.intake.shots.time
        times = times[~np.isnat(times)]
        known = decimal_year(times) if len(times) else known
    return float(np.median(known)) if len(known) else None


def _line(lines: Sequence[Line], name: str, where: str) -> Line:
    for line in lines:
        if line.name.casefold() == name.casefold():
            return line
    raise InputError(
        f"the job has no line '{name}'.",
        where=where,
        remedy=f"It has: {', '.join(line.name for line in lines) or 'no lines'}.",
    )


def _stations(line: Line, choice: LineChoice, request: StakeoutRequest) -> Targets:
    return line_targets(
        line,
        every=choice.every or None,
        start=choice.start,
        end=None if np.isnan(choice.end) else choice.end,
        bends=request.bends,
        ends=request.ends,
        unit=choice.unit,
    )


def _digs(digs: Sequence[Dig], names: Sequence[str], where: str) -> list[Dig]:
    if "*" in names:
        return list(digs)
    known = {dig.name.casefold(): dig for dig in digs}
    missing = [name for name in names if name.casefold() not in known]
    if missing:
        raise InputError(
            f"the job has no dig '{missing[0]}'.",
            where=where,
            remedy=f"It has: {', '.join(dig.name for dig in digs) or 'no digs'}.",
        )
    return [known[name.casefold()] for name in names]


def _corners(dig: Dig) -> Targets:
    """Spots to mark on the ground for a dig, as designed."""
    if isinstance(dig, Post):
        return point_targets(
            [f"{dig.name} centre"],
            np.array([dig.easting]),
            np.array([dig.northing]),
            kind="dig centre",
        )
    axis = np.column_stack((dig.easting, dig.northing))
    if isinstance(dig, Bore):
        kept = _bends(axis)
        names = [f"{dig.name} {k}" for k in range(1, len(kept) + 1)]
        names[0], names[-1] = f"{dig.name} entry", f"{dig.name} exit"
        spots, kind = axis[kept], "dig axis"
    elif isinstance(dig, Pit):
        spots, kind = axis, "dig corner"
        names = [f"{dig.name} corner {k}" for k in range(1, len(axis) + 1)]
    else:
        spots, kind = _outline(dig, axis), "dig corner"
        half = len(spots) // 2
        names = [f"{dig.name} left {k}" for k in range(1, half + 1)]
        names += [f"{dig.name} right {k}" for k in range(1, half + 1)]
    return point_targets(names, spots[:, 0], spots[:, 1], kind=kind)


def _bends(axis: Floats) -> npt.NDArray[np.int64]:
    """Ends of a path and the points where it turns."""
    legs = np.diff(axis, axis=0)
    length = np.hypot(legs[:, 0], legs[:, 1])
    bearing = np.arctan2(legs[:, 0], legs[:, 1])
    turn = np.abs((np.diff(bearing) + np.pi) % (2.0 * np.pi) - np.pi)
    real = (turn > _STRAIGHT) & (length[:-1] > 0) & (length[1:] > 0)
    return np.concatenate(([0], 1 + np.flatnonzero(real), [len(axis) - 1]))


def _outline(dig: Trench, axis: Floats) -> Floats:
    """Both sides of a trench at its ends and bends: all left ones, then all right ones."""
    kept = _bends(axis)
    corner, half = axis[kept], 0.5 * dig.width[kept]
    legs = np.diff(corner, axis=0)
    way = legs / np.hypot(legs[:, 0], legs[:, 1])[:, None]
    left = np.column_stack((-way[:, 1], way[:, 0]))
    before, after = np.vstack((left[:1], left)), np.vstack((left, left[-1:]))
    mean = before + after
    # a mitre: as far from both sides as half the width
    mitre = 2.0 * mean / (mean**2).sum(axis=1)[:, None]
    return np.vstack((corner + half[:, None] * mitre, corner - half[:, None] * mitre))


def _start(results: Results, request: StakeoutRequest) -> tuple[tuple[float, float] | None, str]:
    """Where the walk begins: easting and northing [m], and words."""
    if not request.start:
        return None, ""
    kind, first, second = request.start
    grid = job_grid(results.settings.frame, None, results.settings.grids)
    if kind == "grid":
        easting, northing = first, second
    else:
        east, north = grid.project_degrees(np.array([second]), np.array([first]))
        easting, northing = float(east[0]), float(north[0])
    if not (np.isfinite(easting) and np.isfinite(northing)):
        raise InputError(
            "the start is no place in the job's frame.",
            where=f"stakeout list {request.name}",
            remedy="Give E,N in the job's frame, or LAT,LON in degrees.",
        )
    if kind == "degrees":
        words = f"at latitude {first:.6f}, longitude {second:.6f}"
    else:
        words = (
            f"at easting {easting / grid.unit_metres:.1f}, northing "
            f"{northing / grid.unit_metres:.1f} of the job's grid"
        )
    return (easting, northing), words


def list_unit(results: Results, request: StakeoutRequest) -> str:
    """Unit of a list's stations, depths and heights."""
    return length_unit(request.unit or results.settings.length_unit, where=request.name).code
