"""Rules about the log: order, time, doubles, area, receivers, declared frames."""

from __future__ import annotations

from datetime import date

import numpy as np
import shapely

from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.model import Rule, Severity

TIME_ORDER = Rule(
    "time-order",
    "Rows not in time order",
    "Times of consecutive rows of an upload.",
    "doubt where more than 5 % of rows go back in time, note for any",
    "common practice",
    "Nothing if the file was sorted by something else; asfound orders lines by place and time.",
    subject="source",
)


@rule(TIME_ORDER)
def time_order(context: RuleContext) -> Outcome:
    shots = context.shots
    if np.isnat(shots.time).all():
        return "no upload records times"
    known = np.flatnonzero(~np.isnat(shots.time))
    order = known[np.lexsort((shots.row[known], shots.source[known]))]
    same = shots.source[order][1:] == shots.source[order][:-1]
    back = same & (np.diff(shots.time[order]) < np.timedelta64(-1, "s"))
    count = len(context.sources)
    pairs = np.bincount(shots.source[order][1:], same, minlength=count)
    backward = np.bincount(shots.source[order][1:], back, minlength=count)
    share = backward / np.maximum(pairs, 1)
    rows = np.flatnonzero(backward > 0)
    limit = context.profile("time-order", "doubt") / 100
    severity = np.where(share[rows] > limit, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    words = [
        f"{backward[row]:.0f} of {pairs[row]:.0f} rows are earlier than the row before; "
        + ("the log was shuffled or sorted" if share[row] > limit else "a few rows are misplaced")
        for row in rows
    ]
    return outcome(TIME_ORDER, rows, severity, share[rows], limit, "", words)


SPEED = Rule(
    "speed",
    "Moved impossibly fast",
    "Distance over time from the shot before and to the shot after, of the same upload.",
    "doubt beyond 12 m/s on both sides",
    "common practice: locating is done on foot",
    "Check the coordinates and the time of this row.",
)


@rule(SPEED)
def speed(context: RuleContext) -> Outcome:
    shots, ground = context.shots, context.ground
    known = ~np.isnat(shots.time) & np.isfinite(ground.easting)
    if known.sum() < 3:
        return "fewer than three shots with times and positions"
    rows = np.flatnonzero(known)
    order = rows[
        np.lexsort(
            (shots.row[rows], shots.time[rows], shots.receiver.codes[rows], shots.source[rows])
        )
    ]
    key = shots.source[order].astype(np.int64) * (len(shots.receiver.names) + 2)
    key = key + shots.receiver.codes[order]
    limit = context.profile("speed", "doubt")
    nearest = context.profile("speed", "nearest")

    def rate(first: np.ndarray, second: np.ndarray) -> np.ndarray:
        distance = np.hypot(
            ground.easting[second] - ground.easting[first],
            ground.northing[second] - ground.northing[first],
        )
        seconds = (shots.time[second] - shots.time[first]) / np.timedelta64(1, "s")
        return np.where(distance > nearest, distance / np.maximum(seconds, 1.0), 0.0)

    into = np.zeros(len(order))
    into[1:] = np.where(key[1:] == key[:-1], rate(order[:-1], order[1:]), 0.0)
    out = np.zeros(len(order))
    out[:-1] = into[1:]
    around = np.zeros(len(order))
    around[1:-1] = rate(order[:-2], order[2:])
    first = np.ones(len(order), bool)
    first[1:] = key[1:] != key[:-1]
    last = np.roll(first, -1)
    odd = (into > limit) & (out > limit) & (around <= limit)
    odd |= first & (out > limit) & (np.roll(out, -1) <= limit)
    odd |= last & (into > limit) & (np.roll(into, 1) <= limit)
    found = np.flatnonzero(odd)
    fastest = np.maximum(into, out)[found]
    words = [f"{value:.0f} m/s to its neighbours in the log" for value in fastest]
    order_found = np.argsort(order[found])
    return outcome(
        SPEED,
        order[found][order_found],
        Severity.DOUBT,
        fastest[order_found],
        limit,
        "m/s",
        [words[k] for k in order_found],
    )


DUPLICATE = Rule(
    "duplicate",
    "Logged twice",
    "Rows with the same coordinates and time.",
    "same coordinates to the last digit and the same time",
    "common practice",
    "Leave one of them out if both came from one reading.",
)


@rule(DUPLICATE)
def duplicate(context: RuleContext) -> Outcome:
    shots = context.shots
    order = np.lexsort((shots.row, shots.source, shots.time, shots.y, shots.x))
    here, before = order[1:], order[:-1]
    same = (shots.x[here] == shots.x[before]) & (shots.y[here] == shots.y[before])
    same &= (shots.time[here] == shots.time[before]) | (
        np.isnat(shots.time[here]) & np.isnat(shots.time[before])
    )
    rows = here[same]
    first = before[same]
    by_row = np.argsort(rows)
    words = [
        f"same coordinates and time as row {shots.row[first[k]]} of upload "
        f"{context.sources[shots.source[first[k]]].tag}"
        for k in by_row
    ]
    return outcome(DUPLICATE, rows[by_row], Severity.NOTE, detail=words)


WORK_AREA = Rule(
    "work-area",
    "Outside the work area",
    "Whether the ground point lies in the job's work area.",
    "doubt more than 5 m outside",
    "common practice",
    "Check the coordinates; extend the work area if the shot belongs to the job.",
)


@rule(WORK_AREA)
def work_area(context: RuleContext) -> Outcome:
    ring = context.settings.work_area
    if ring is None:
        return "the job declares no work area"
    ground = context.ground
    east_metres = 111_320.0 * np.cos(np.deg2rad(ring[:, 1].mean()))
    scale = np.array([east_metres, 110_574.0])
    origin = ring.mean(axis=0)
    area = shapely.Polygon((ring - origin) * scale)
    margin = context.profile("work-area", "margin")
    wide = area.buffer(margin)
    shapely.prepare(wide)
    x = (ground.longitude - origin[0]) * scale[0]
    y = (ground.latitude - origin[1]) * scale[1]
    known = np.isfinite(x) & ~context.control
    outside = known & ~shapely.contains_xy(wide, np.nan_to_num(x), np.nan_to_num(y))
    rows = np.flatnonzero(outside)
    away = shapely.distance(area, shapely.points(x[rows], y[rows])) if len(rows) else np.empty(0)
    words = [f"{value:.0f} m outside the work area" for value in away]
    return outcome(WORK_AREA, rows, Severity.DOUBT, away, margin, "m", words)


RECEIVER_VERIFICATION = Rule(
    "receiver-verification",
    "Receiver's verification out of date or not known",
    "The date of the receiver's last verification against the day of the job.",
    "doubt after 365 days, note where no date is declared",
    "common practice: once a year",
    "Verify the receiver over a line of known depth; enter the date in job.toml.",
    subject="source",
)


@rule(RECEIVER_VERIFICATION)
def receiver_verification(context: RuleContext) -> Outcome:
    shots = context.shots
    verified = {r.serial: r.verified for r in context.settings.receivers}
    longest = context.profile("receiver-verification", "days")
    found: list[tuple[int, Severity, float, str]] = []
    for index, source in enumerate(context.sources):
        mine = shots.source == index
        times = shots.time[mine]
        times = times[~np.isnat(times)]
        codes = np.unique(shots.receiver.codes[mine])
        serials = [shots.receiver.names[c] for c in codes if c >= 0] or [source.receiver]
        day = context.settings.processed_on
        if len(times):
            day = times.max().astype("datetime64[D]").astype(date)
        for serial in serials:
            on = verified.get(serial)
            if on is None:
                name = serial or "not named"
                words = f"no verification date of receiver {name}"
                found.append((index, Severity.NOTE, float("nan"), words))
            elif day is not None and (day - on).days > longest:
                age = (day - on).days
                words = f"receiver {serial} was last verified {age} days before this log"
                found.append((index, Severity.DOUBT, float(age), words))
    if not found:
        return nothing(RECEIVER_VERIFICATION)
    index_, severity, value, words_ = zip(*found, strict=True)
    return outcome(
        RECEIVER_VERIFICATION,
        np.array(index_, np.int64),
        np.array(severity, np.int8),
        np.array(value),
        longest,
        "days",
        words_,
    )


FRAME_UNDECLARED = Rule(
    "frame-undeclared",
    "Reference frame declared only vaguely",
    "Whether an upload's coordinates name a frame good to centimetres.",
    "doubt where a vague label's error is carried",
    "published frame differences: NAD 83 and ITRF lie more than a metre apart",
    "Find out which frame and epoch the correction service spoke, and add the file again.",
    subject="source",
)


@rule(FRAME_UNDECLARED)
def frame_undeclared(context: RuleContext) -> Outcome:
    vague = [k for k, s in enumerate(context.sources) if s.position_accuracy > 0]
    sizes = np.array([context.sources[k].position_accuracy for k in vague])
    words = [
        f"'{context.sources[k].frame.crs}' is good to {context.sources[k].position_accuracy:g} m "
        "only, carried in every shot's budget"
        for k in vague
    ]
    return outcome(
        FRAME_UNDECLARED, np.array(vague, np.int64), Severity.DOUBT, sizes, 0.0, "m", words
    )
