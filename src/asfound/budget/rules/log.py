"""Rules about the log: order, time, doubles, area, receivers, declared frames."""

from __future__ import annotations

from datetime import date

import numpy as np
import numpy.typing as npt
import shapely

from asfound.budget.rules._log_kernels import hash_rows, rows_alike, too_fast
from asfound.budget.rules.context import Floats, Outcome, RuleContext, nothing, outcome, rule
from asfound.errors import FrameError
from asfound.geodesy import ensemble_accuracy, resolve_frame
from asfound.model import Rule, Severity

Places = npt.NDArray[np.int64]

TIME_ORDER = Rule(
    "time-order",
    "Rows not in time order",
    "Times of consecutive rows of an upload.",
    "doubt where more than 5 % of rows, and more than one, go back in time; note for any",
    "common practice",
    "Nothing if the file was sorted by something else; asfound orders lines by place and time.",
    subject="source",
)


@rule(TIME_ORDER)
def time_order(context: RuleContext) -> Outcome:
    logged = context.logged
    if not logged.timed.any():
        return "no upload records times"
    pairs, backward = logged.pairs, logged.backward
    share = backward / np.maximum(pairs, 1)
    rows = np.flatnonzero(backward > 0)
    limit = context.profile("time-order", "doubt") / 100
    # One step back is one wrong time or one cut in the log, whatever share of a short log it is.
    shuffled = (share > limit) & (backward > 1)
    severity = np.where(shuffled[rows], Severity.DOUBT, Severity.NOTE).astype(np.int8)
    words = [
        f"{backward[row]} of {pairs[row]} rows are earlier than the row before; "
        + ("the log was shuffled or sorted" if shuffled[row] else "a few rows are misplaced")
        if backward[row] > 1
        else f"1 of {pairs[row]} rows is earlier than the row before; one row has a wrong time or "
        "stands elsewhere, or two logs were put together"
        for row in rows
    ]
    return outcome(TIME_ORDER, rows, severity, share[rows], limit, "", words)


TIME_MISSING = Rule(
    "time-missing",
    "No usable time",
    "Shots without a time in uploads whose other shots have one.",
    "must be there if others have it",
    "common practice",
    "See the row reports; if the receiver's clock was wrong, correct the times in a copy of the "
    "file and add that.",
)


@rule(TIME_MISSING)
def time_missing(context: RuleContext) -> Outcome:
    shots, logged = context.shots, context.logged
    if not logged.timed.any():
        return "no upload records times"
    rows = np.empty(0, np.int64)
    some = (logged.timed > 0) & (logged.timed < logged.rows)
    if some.any():
        rows = np.flatnonzero(np.isnat(shots.time))
        rows = rows[some[shots.source[rows]]]
    words = ["no time, or one that can't be right; its place in the log is not known"] * len(rows)
    return outcome(TIME_MISSING, rows, Severity.NOTE, detail=words)


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
    limit, nearest = (context.profile("speed", key) for key in ("doubt", "nearest"))
    rows, fastest = np.empty(len(shots), np.int64), np.empty(len(shots))
    count, known = too_fast(
        context.log,
        shots.source,
        shots.receiver.codes,
        shots.time.view(np.int64),
        ground.easting,
        ground.northing,
        limit,
        nearest,
        rows,
        fastest,
    )
    if known < 3:
        return "fewer than three shots with times and positions"
    by_row = np.argsort(rows[:count])
    rows, fastest = rows[by_row], fastest[by_row]
    words = [
        f"{value:.0f} m/s from or to its neighbours in the log: no one walks so fast"
        for value in fastest.tolist()
    ]
    return outcome(SPEED, rows, Severity.DOUBT, fastest, limit, "m/s", words)


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
    time = shots.time.view(np.int64)
    suspects = _repeated(shots.x, time)
    suspects = suspects[np.isfinite(shots.x[suspects]) & np.isfinite(shots.y[suspects])]
    keys = (shots.row, shots.source, time, shots.y, shots.x)
    order = suspects[np.lexsort(tuple(key[suspects] for key in keys))]
    here, before = order[1:], order[:-1]
    same = (shots.x[here] == shots.x[before]) & (shots.y[here] == shots.y[before])
    same &= time[here] == time[before]
    begins = np.flatnonzero(np.append(True, ~same))
    first = order[np.repeat(begins, np.diff(np.append(begins, len(order))))][1:][same]
    rows = here[same]
    by_row = np.argsort(rows)
    words = [
        f"same coordinates and time as row {shots.row[k]} of upload "
        f"{context.sources[shots.source[k]].tag}"
        for k in first[by_row]
    ]
    return outcome(DUPLICATE, rows[by_row], Severity.NOTE, detail=words)


def _repeated(x: Floats, time: Places) -> Places:
    """Rows whose place and time may occur more than once (by a hash: sorting short numbers)."""
    mixed, table = np.empty(len(x), np.int32), np.empty(1 << 16, bool)
    rows = np.empty(len(x), np.int64)
    hash_rows(x.view(np.int64), time, mixed)
    return rows[: rows_alike(mixed, np.sort(mixed), table, rows)]


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
    shots, sources = context.shots, context.sources
    verified = {r.serial: r.verified for r in context.settings.receivers}
    longest = context.profile("receiver-verification", "days")
    latest, logged = context.logged.latest, context.logged.receivers
    found: list[tuple[int, Severity, float, str]] = []
    for index, source in enumerate(sources):
        day = context.settings.processed_on
        if not np.isnat(latest[index]):
            day = latest[index].astype("datetime64[D]").astype(date)
        named = np.flatnonzero(logged[index, 1:])
        serials = [shots.receiver.names[code] for code in named] or [source.receiver]
        missing = [serial or "not named" for serial in serials if verified.get(serial) is None]
        known = {serial: verified[serial] for serial in serials if verified.get(serial) is not None}
        late = {}
        for serial, on in known.items():
            age = (day - on).days if day is not None and on is not None else 0
            if age > longest:
                late[serial] = age
        if late:
            words = "; ".join(
                f"receiver {serial} was last verified {age} days before this log"
                for serial, age in late.items()
            )
            found.append((index, Severity.DOUBT, float(max(late.values())), words))
        elif missing:
            words = f"no verification date of receiver {', '.join(missing)}"
            found.append((index, Severity.NOTE, float("nan"), words))
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
    "doubt where a vague label's error is carried, or a name that covers several realisations is "
    "not",
    "published frame differences: NAD 83 and ITRF lie more than a metre apart; accuracies of "
    "datum ensembles in the EPSG registry",
    "Find out which frame and epoch the correction service spoke, and add the file again; or "
    "carry the error with --position-accuracy.",
    subject="source",
)


@rule(FRAME_UNDECLARED)
def frame_undeclared(context: RuleContext) -> Outcome:
    vague, sizes, words = [], [], []
    for k, source in enumerate(context.sources):
        crs, carried = source.frame.crs, source.position_accuracy
        family = 0.0 if carried > 0 else _family_spread(crs)
        if carried > 0:
            words.append(f"'{crs}' is good to {carried:g} m only, carried in every shot's budget")
        elif family > 0:
            words.append(
                f"'{crs}' covers realisations up to {family:g} m apart and does not say which the "
                "correction service used; no shot's budget carries that"
            )
        else:
            continue
        vague.append(k)
        sizes.append(max(carried, family))
    index, size = np.array(vague, np.int64), np.array(sizes)
    return outcome(FRAME_UNDECLARED, index, Severity.DOUBT, size, 0.0, "m", words)


def _family_spread(crs: str) -> float:
    """How far the frames lie apart that a name stands for [m]; 0 for the name of one frame."""
    try:
        return ensemble_accuracy(resolve_frame(crs))
    except FrameError:
        return 0.0
