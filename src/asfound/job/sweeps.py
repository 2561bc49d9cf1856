"""Sweeps: inverted, brought into the job's frame, and handed to the shots beside them.

A receiver's own logic assumes one conductor. Where a sweep shows several, a shot close to it
takes the line's place and depth from the sweep; both values and the reason stay on record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.em import CrossSection, receiver_display
from asfound.em.inversion import SweepReadings, SweepStatus, invert_sweeps
from asfound.errors import InputError
from asfound.geodesy import moved_points, points_to_ground
from asfound.model import (
    Assembly,
    Findings,
    Ground,
    JobSettings,
    LocatedConductor,
    LocatedSweep,
    RuleOutcome,
    Severity,
    Shots,
    Source,
    Sweep,
    SweepCorrection,
)

Floats = npt.NDArray[np.float64]

REACH_ALONG = 2.5
"""A sweep speaks for shots of its line up to this far along it [m] (common practice)."""
REACH_ACROSS = 1.5
"""And for no line whose shots lie farther than this from every conductor found [m]."""
TAPE_END_SD = (0.02, 0.03)
"""Place and height of a tape's end as laid and logged, 1 sigma [m] (common practice)."""
DRIFT = (0.01, 0.02)
"""Standard deviation that place and depth gain per metre from the sweep (common practice)."""

SETTLED_BY_SWEEP = ("distorted-field", "peak-null", "depth-neighbours", "current-change")
"""Rules whose doubt about a shot a sweep beside it settles."""


def locate_sweeps(
    sweeps: Sequence[Sweep],
    sources: Sequence[Source],
    settings: JobSettings,
    shots: Shots,
    ground: Ground,
    assembly: Assembly,
) -> tuple[LocatedSweep, ...]:
    """Invert all sweeps of a job and place what they found.

    Returns
    -------
    located : tuple of LocatedSweep
        One for each sweep, also for those that can't be used.

    Raises
    ------
    FrameError
        If the tapes' ends can't be brought into the job's frame.
    """
    if not sweeps:
        return ()
    fits = invert_sweeps(
        [
            SweepReadings(
                position=sweep.position,
                coil_height=sweep.coil_height,
                coil=sweep.coil,
                value=sweep.value,
                unit=sweep.unit,
                signed=bool((sweep.value < 0).any()) and sweep.unit != "dB",
                saturated=sweep.saturated,
                name=sweep.name,
            )
            for sweep in sweeps
        ]
    )
    located = []
    for index, sweep in enumerate(sweeps):
        ends = _ends(sweep, sources[sweep.source], settings)
        start, end = ends
        usable = fits.status[index] != SweepStatus.UNUSABLE
        count = int(fits.n_conductors[index])
        found = tuple(
            _place(
                sweep,
                start,
                end,
                float(fits.position[index, k]),
                float(fits.depth[index, k]),
                float(fits.position_sd[index, k]),
                float(fits.depth_sd[index, k]),
                float(np.real(fits.current[index, k])),
            )
            for k in range(count)
        )
        line, target = _line_under(sweep, found, start, end, ground, assembly)
        shown = _shown(fits.position[index], fits.depth[index], fits.current[index], count, target)
        located.append(
            LocatedSweep(
                name=sweep.name,
                sweep=index,
                reason="" if usable else fits.reason[index],
                explained=bool(fits.status[index] == SweepStatus.EXPLAINED),
                conductors=found,
                words=fits.words(index),
                evidence=tuple(float(value) for value in fits.evidence[index]),
                p_value=float(fits.p_value[index]),
                noise=float(fits.noise[index]),
                outlier=fits.outlier[index],
                gain_known=bool(fits.gain_known[index]),
                start=start,
                end=end,
                line=line,
                target=target,
                shown_peak=shown[0],
                shown_null=shown[1],
                shown_depth=shown[2],
            )
        )
    return tuple(located)


def _ends(sweep: Sweep, source: Source, settings: JobSettings) -> tuple[Floats, Floats]:
    """Easting, northing and ground height of the tape's zero and end [m]."""
    both = np.stack([sweep.start, sweep.end])
    ground = points_to_ground(
        both[:, 0], both[:, 1], both[:, 2], np.array([sweep.time, sweep.time]), source, settings
    )
    points = np.stack([ground.easting, ground.northing, ground.height], axis=1)
    return points[0], points[1]


def _place(
    sweep: Sweep,
    start: Floats,
    end: Floats,
    position: float,
    depth: float,
    position_sd: float,
    depth_sd: float,
    current: float,
) -> LocatedConductor:
    """A conductor in the job's frame, between or a little beyond the tape's ends."""
    share = position / sweep.length
    centre = start + share * (end - start)
    along = (end - start)[:2]
    along = along / np.hypot(*along)
    level = (1 - share) ** 2 + share**2
    covariance = np.zeros((3, 3))
    covariance[:2, :2] = position_sd**2 * np.outer(along, along)
    covariance[:2, :2] += np.eye(2) * TAPE_END_SD[0] ** 2 * level
    covariance[2, 2] = depth_sd**2 + TAPE_END_SD[1] ** 2 * level
    return LocatedConductor(
        position=position,
        depth=depth,
        position_sd=position_sd,
        depth_sd=depth_sd,
        current=current,
        easting=float(centre[0]),
        northing=float(centre[1]),
        height=float(centre[2] - depth),
        covariance=covariance,
    )


def _line_under(
    sweep: Sweep,
    found: Sequence[LocatedConductor],
    start: Floats,
    end: Floats,
    ground: Ground,
    assembly: Assembly,
) -> tuple[int, int]:
    """The line that the tape was laid across, and the conductor that is it.

    The line is the one of the sweep's utility (and name, if given) with the nearest shots; the
    conductor the strongest within reach of it, because the signal was put on this line.
    """
    if not found:
        return -1, -1
    joined = np.flatnonzero(assembly.line >= 0)
    same = assembly.utility[assembly.line[joined]] == int(sweep.utility)
    if sweep.line:
        named = np.array([name == sweep.line for name in assembly.names])
        same = named[assembly.line[joined]] if named.any() else same
    joined = joined[same]
    if not len(joined):
        return -1, -1
    middle = 0.5 * (start + end)[:2]
    offset = np.stack([ground.easting[joined], ground.northing[joined]], axis=1) - middle
    along = (end - start)[:2] / np.hypot(*(end - start)[:2])
    away = np.abs(offset @ np.array([-along[1], along[0]]))
    across = np.abs(offset @ along)
    half = 0.5 * float(np.hypot(*(end - start)[:2]))
    near = (away <= 2 * REACH_ALONG) & (across <= half + REACH_ACROSS)
    if not near.any():
        return -1, -1
    closest = joined[near][np.argmin(away[near] + across[near])]
    line = int(assembly.line[closest])
    here = np.array([ground.easting[closest], ground.northing[closest]])
    best, strongest = -1, 0.0
    for number, conductor in enumerate(found):
        gap = np.array([conductor.easting, conductor.northing]) - here
        if abs(float(gap @ along)) <= REACH_ACROSS and abs(conductor.current) > strongest:
            best, strongest = number, abs(conductor.current)
    return line, best


def _shown(
    position: Floats, depth: Floats, current: npt.NDArray[np.generic], count: int, target: int
) -> tuple[float, float, float]:
    """Peak, null and two-coil depth that one-conductor logic shows over the target."""
    if target < 0:
        return (float("nan"),) * 3
    order = [target, *(k for k in range(count) if k != target)]
    section = CrossSection(
        position[order], depth[order], np.real(current[order]).astype(np.float64)
    )
    display = receiver_display(section, near=float(position[target]), reach=1.0)
    return float(display.peak), float(display.null), float(display.depth)


def match_shots(
    located: Sequence[LocatedSweep], shots: Shots, ground: Ground, assembly: Assembly
) -> tuple[SweepCorrection, ...]:
    """Shots close to a sweep of their line, and what they take from it.

    A shot takes from the nearest sweep. Sweeps that no model explains, and those that see the
    line no better than half a metre, are not taken from.
    """
    best: dict[int, SweepCorrection] = {}
    for number, sweep in enumerate(located):
        if sweep.reason or not sweep.explained or sweep.target < 0:
            continue
        conductor = sweep.conductors[sweep.target]
        if max(conductor.position_sd, conductor.depth_sd) > 0.5:
            continue
        for shot in np.flatnonzero(assembly.line == sweep.line).tolist():
            bearing = assembly.bearing[shot]
            if not np.isfinite(bearing) or not np.isfinite(shots.depth[shot]):
                continue
            gap = np.array(
                [
                    conductor.easting - ground.easting[shot],
                    conductor.northing - ground.northing[shot],
                ]
            )
            along = float(gap @ np.array([np.sin(bearing), np.cos(bearing)]))
            left = float(gap @ np.array([-np.cos(bearing), np.sin(bearing)]))
            if abs(along) > REACH_ALONG or abs(left) > REACH_ACROSS:
                continue
            earlier = best.get(shot)
            if earlier is None or abs(along) < earlier.distance:
                best[shot] = _correction(
                    shot, number, sweep, left, abs(along), float(shots.depth[shot])
                )
    return tuple(best[shot] for shot in sorted(best))


def _correction(
    shot: int, number: int, sweep: LocatedSweep, left: float, distance: float, read: float
) -> SweepCorrection:
    conductor = sweep.conductors[sweep.target]
    horizontal = float(
        np.hypot(np.hypot(conductor.position_sd, TAPE_END_SD[0]), DRIFT[0] * distance)
    )
    vertical = float(np.hypot(conductor.depth_sd, DRIFT[1] * distance))
    pinpointing = float(np.hypot(0.015, 0.02 * read))
    noise = 0.06 * read
    significant = abs(left) > 3 * np.hypot(horizontal, pinpointing) or (
        abs(read - conductor.depth) > 3 * np.hypot(vertical, noise)
    )
    others = len(sweep.conductors) - 1
    because = (
        f"{others} other conductor{'s' if others > 1 else ''} distort"
        f"{'' if others > 1 else 's'} the field here"
        if others
        else "the sweep's readings together say more than one reading"
    )
    return SweepCorrection(
        shot=shot,
        located=number,
        shift_left=left,
        depth_before=read,
        depth=conductor.depth,
        horizontal_sd=horizontal,
        depth_sd=vertical,
        distance=distance,
        significant=bool(significant),
        reason=f"sweep {sweep.name}: {because}",
    )


def corrected(
    shots: Shots,
    ground: Ground,
    assembly: Assembly,
    corrections: Sequence[SweepCorrection],
    settings: JobSettings,
) -> tuple[Shots, Ground]:
    """Shots and ground points with places across the line and depths taken from sweeps.

    Longitude and latitude follow eastings and northings.

    Raises
    ------
    InputError
        If a correction names a shot that is on no line.
    """
    if not corrections:
        return shots, ground
    rows = np.array([item.shot for item in corrections])
    left = np.array([item.shift_left for item in corrections])
    bearing = assembly.bearing[rows]
    if not np.isfinite(bearing).all():
        raise InputError("a shot without a line can't take its place from a sweep.")
    depth = shots.depth.copy()
    depth[rows] = [item.depth for item in corrections]
    moved = moved_points(ground, rows, -left * np.cos(bearing), left * np.sin(bearing), settings)
    return replace(shots, depth=depth), moved


def settled(findings: Findings, corrections: Sequence[SweepCorrection]) -> Findings:
    """Findings with the doubts that sweeps have settled turned into notes."""
    if not corrections:
        return findings
    by_shot = {item.shot: item for item in corrections}
    rows = np.array(sorted(by_shot))
    outcomes = []
    for item in findings.outcomes:
        if item.rule.id in SETTLED_BY_SWEEP and np.isin(item.index, rows).any():
            mine = np.isin(item.index, rows)
            item = RuleOutcome(
                item.rule,
                item.index,
                np.where(mine, Severity.NOTE, item.severity).astype(np.int8),
                item.value,
                item.limit,
                item.unit,
                tuple(
                    f"{words}; settled by {by_shot[int(row)].reason}"
                    if int(row) in by_shot
                    else words
                    for row, words in zip(item.index, item.detail, strict=True)
                )
                if item.detail
                else (),
            )
        outcomes.append(item)
    return Findings(tuple(outcomes), findings.not_run)
