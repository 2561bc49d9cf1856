"""Rules about shots and the lines they belong to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.budget.rules.alongline import ASIDE, LEAST_ASIDE
from asfound.budget.rules.context import Flags, Floats, Outcome, RuleContext, outcome, rule
from asfound.model import Rule, Severity, Utility

Integers = npt.NDArray[np.int64]

UTILITY_MISMATCH = Rule(
    "utility-mismatch",
    "Utility code does not fit",
    "A shot on no line of its own utility, or aside of it, that lies on a line of another "
    "utility at that line's depth, logged between or beside shots of that line.",
    "unfit within 0.35 m of the other line where the log agrees, within a tenth of the gap where "
    "the hook-up does too; doubt where no code was given",
    "common practice",
    "Check the code; if it was a slip, correct it in the mapping or leave the shot out.",
)

_FEW = 7
_BRIDGE = 30.0
_WINDOW = 8
_DEPTH_SHARE, _DEPTH_LEAST = 0.25, 0.15
_BEYOND, _BEFORE = 3.0, 6.0
_SAG, _SAG_MOST = 0.1, 1.5
"""How far a line may leave the straight across a gap: share of the gap, and at most [m]."""


@rule(UTILITY_MISMATCH)
def utility_mismatch(context: RuleContext) -> Outcome:
    shots, assembly = context.shots, context.assembly
    if not len(assembly.names):
        return "no lines"
    sizes = np.bincount(assembly.line[assembly.line >= 0], minlength=len(assembly.names))
    few = np.append(sizes < _FEW, True)[assembly.line]
    placed = np.isfinite(context.ground.easting) & ~context.control
    aside = np.zeros(len(shots), bool)
    aside[context.places.rows[context.places.beyond(ASIDE, LEAST_ASIDE)]] = True
    settled = placed & ~few & ~aside
    rows, *beside = _log_neighbours(context, placed & (few | aside), settled)
    reach = context.profile("utility-mismatch", "reach")
    bridged = _same_signal(context, rows, *beside)
    best, line = np.full(len(rows), np.inf), np.full(len(rows), -1)
    limit = np.full(len(rows), reach)
    for neighbour in beside:
        other = np.flatnonzero(
            (neighbour >= 0) & (assembly.utility[assembly.line[neighbour]] != shots.utility[rows])
        )
        distance, gap = _distance_to_line(context, rows[other], neighbour[other], settled)
        # Logged on one hook-up between two shots of the line: a bend may lie in the gap.
        allowed = np.clip(_SAG * gap, reach, max(reach, _SAG_MOST))
        allowed = np.where(bridged[other], allowed, reach)
        nearer = (distance < best[other]) & (distance <= allowed)
        best[other[nearer]] = distance[nearer]
        limit[other[nearer]] = allowed[nearer]
        line[other[nearer]] = assembly.line[neighbour[other[nearer]]]
    found = np.flatnonzero(line >= 0)
    found = found[np.argsort(rows[found])]
    coded = shots.utility[rows[found]]
    words = [
        f"{f'coded {Utility(code).word}' if code else 'has no utility code'}, but it lies "
        f"{distance:.2f} m from {Utility(int(assembly.utility[number])).word} line "
        f"{assembly.names[number]} and was logged along it"
        for code, distance, number in zip(
            coded.tolist(), best[found].tolist(), line[found].tolist(), strict=True
        )
    ]
    severity = np.where(coded == Utility.UNKNOWN, Severity.DOUBT, Severity.FAIL)
    return outcome(
        UTILITY_MISMATCH,
        rows[found],
        severity.astype(np.int8),
        best[found],
        limit[found],
        "m",
        words,
    )


def _same_signal(context: RuleContext, rows: Integers, before: Integers, after: Integers) -> Flags:
    """(k,) True where a shot's neighbours in the log are of one line, by its hook-up and method."""
    shots, line = context.shots, context.assembly.line
    same = (before >= 0) & (after >= 0) & (line[before] == line[after])
    for key in (shots.hookup.codes, shots.method):
        same &= (key[before] == key[rows]) & (key[after] == key[rows])
    return np.asarray(same)


def _log_neighbours(
    context: RuleContext, wanted: Flags, settled: Flags
) -> tuple[Integers, Integers, Integers]:
    """Wanted shots, and the settled shots logged last before and first after each.

    Returns
    -------
    rows, before, after : (k,) int64
        -1 where the same receiver logged none in the same upload.
    """
    shots, log = context.shots, context.log
    at, fixed = np.flatnonzero(wanted[log]), np.flatnonzero(settled[log])
    rows = log[at]
    following = np.searchsorted(fixed, at)
    sides = []
    for place in (following - 1, following):
        near = np.full(len(rows), -1, np.int64)
        there = (place >= 0) & (place < len(fixed))
        near[there] = log[fixed[place[there]]]
        same = shots.source[near] == shots.source[rows]
        same &= shots.receiver.codes[near] == shots.receiver.codes[rows]
        sides.append(np.where(same, near, -1))
    return rows, sides[0], sides[1]


def _distance_to_line(
    context: RuleContext, rows: Integers, members: Integers, settled: Flags
) -> tuple[Floats, Floats]:
    """Distance in plan from each shot to the line that a settled shot is a member of [m].

    The line is taken through its settled shot nearest to the row and the nearest one on the
    row's other side, so that the gap which a run of wrong codes has torn is bridged.

    Parameters
    ----------
    rows, members : (k,) int64

    Returns
    -------
    distance : (k,) float64
        Infinite where the shot lies well beyond the line's end or its depth does not fit.
    gap : (k,) float64
        Between the line's two shots if the row lies between them, else 0.
    """
    shots, ground, runs = context.shots, context.ground, context.lines.only(settled)
    east, north = ground.easting[rows], ground.northing[rows]
    place = np.zeros(len(shots), np.int64)
    place[runs.order] = np.arange(len(runs))
    middle, own = place[members], runs.run[place[members]]
    step = np.arange(-_WINDOW, _WINDOW + 1)
    for _ in range(8):
        near = np.clip(middle[:, None] + step, 0, len(runs) - 1)
        shot = runs.order[near]
        de, dn = ground.easting[shot] - east[:, None], ground.northing[shot] - north[:, None]
        away = np.where(runs.run[near] == own[:, None], np.hypot(de, dn), np.inf)
        nearest = np.take_along_axis(near, away.argmin(axis=1)[:, None], axis=1)[:, 0]
        if (nearest == middle).all():
            break
        middle = nearest

    order = np.argsort(away, axis=1, kind="stable")
    away, de, dn, shot = (np.take_along_axis(x, order, axis=1) for x in (away, de, dn, shot))
    apart = np.hypot(de - de[:, :1], dn - dn[:, :1])
    usable = (apart > 0.5) & np.isfinite(away)
    facing = usable & (de * de[:, :1] + dn * dn[:, :1] < 0) & (apart < _BRIDGE)
    second = np.where(facing.any(axis=1), facing.argmax(axis=1), usable.argmax(axis=1))
    every = np.arange(len(rows))
    length = apart[every, second]
    with np.errstate(divide="ignore", invalid="ignore"):
        east_part = (de[every, second] - de[:, 0]) / length
        north_part = (dn[every, second] - dn[:, 0]) / length
        along = -de[:, 0] * east_part - dn[:, 0] * north_part
        aside = np.abs(dn[:, 0] * east_part - de[:, 0] * north_part)
    good = usable.any(axis=1) & (along <= length + _BEYOND) & (along >= -_BEFORE)
    depth = np.where(np.isfinite(away), shots.depth[shot], np.nan)[:, :4]
    usual = row_median(depth)
    off = np.abs(shots.depth[rows] - usual) > _DEPTH_SHARE * usual + _DEPTH_LEAST
    gap = np.where((along >= 0) & (along <= length), length, 0.0)
    return np.where(good & ~off, aside, np.inf), gap


def row_median(values: Floats) -> Floats:
    """Row-wise median of (n, k) without regard to NaN; NaN where all are."""
    ordered = np.sort(values, axis=1)
    known = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(values))
    low = np.maximum((known - 1) // 2, 0)
    high = np.minimum(known // 2, values.shape[1] - 1)
    return np.asarray(0.5 * (ordered[rows, low] + ordered[rows, high]))


POSITION_OUTLIER = Rule(
    "position-outlier",
    "Position does not fit",
    "The place across the line against the shots before and after on it; and shots that lie on "
    "no line, against the shots logged before and after them.",
    "doubt beyond 5 standard deviations and 0.15 m; on no line: beyond 10 m from its neighbours in "
    "the log, or if they are of one line and hook-up with it",
    "robust regression; multiplicity of several hundred shots allowed for",
    "Check the coordinates for a mistyped digit; log again.",
)


@rule(POSITION_OUTLIER)
def position_outlier(context: RuleContext) -> Outcome:
    places = context.places
    scores = context.profile("position-outlier", "doubt")
    least = context.profile("position-outlier", "least")
    odd = places.beyond(scores, least)
    aside, value = places.rows[odd], places.aside[odd]
    limit = np.maximum(scores * places.spread[odd], least)
    words = [
        f"lies {away:.2f} m aside of the line through its neighbours" for away in value.tolist()
    ]
    rows, away, misplaced = _strays(context)
    rows, away = rows[misplaced], away[misplaced]
    far = context.profile("position-outlier", "stray")
    words += [
        f"on no line; {distance:.1f} m from the shots logged before and after it"
        for distance in away
    ]
    index = np.concatenate([aside, rows])
    value, limit = np.concatenate([value, away]), np.append(limit, np.full(len(rows), far))
    order = np.argsort(index)
    return outcome(
        POSITION_OUTLIER,
        index[order],
        Severity.DOUBT,
        value[order],
        limit[order],
        "m",
        [words[k] for k in order],
    )


ON_NO_LINE = Rule(
    "on-no-line",
    "On no line",
    "Shots that could be joined to no line, though nothing speaks against their place.",
    "a note within 10 m of the shots logged before and after; farther, or logged along one line, "
    "see position-outlier",
    "common practice",
    "Log more shots along what was found here; one shot shows no course.",
)


@rule(ON_NO_LINE)
def on_no_line(context: RuleContext) -> Outcome:
    rows, away, misplaced = _strays(context)
    rows, away = rows[~misplaced], away[~misplaced]
    words = [
        f"could not be joined to a line; {distance:.1f} m from the shots logged before and after it"
        for distance in away
    ]
    limit = context.profile("position-outlier", "stray")
    return outcome(ON_NO_LINE, rows, Severity.NOTE, away, limit, "m", words)


def _strays(context: RuleContext) -> tuple[Integers, Floats, Flags]:
    """Shots on no line, their distance from their neighbours in the log, and if that is odd.

    Returns
    -------
    rows : (k,) int64
    away : (k,) float64
        From the nearer of the shots of lines logged before and after [m].
    misplaced : (k,) bool
        Far from both, or logged along one line of its utility and hook-up.
    """
    shots, ground, assembly = context.shots, context.ground, context.assembly
    joined = assembly.line >= 0
    stray = ~joined & ~context.control & np.isfinite(ground.easting)
    rows, before, after = _log_neighbours(context, stray, joined)
    away = np.full(len(rows), np.inf)
    for near in (before, after):
        distance = np.hypot(
            ground.easting[rows] - ground.easting[near],
            ground.northing[rows] - ground.northing[near],
        )
        away = np.where(near >= 0, np.minimum(away, distance), away)
    known = np.isfinite(away)
    rows, before, after, away = rows[known], before[known], after[known], away[known]
    misplaced = _same_signal(context, rows, before, after)
    misplaced &= shots.utility[rows] == assembly.utility[assembly.line[before]]
    misplaced |= away > context.profile("position-outlier", "stray")
    by_row = np.argsort(rows)
    return rows[by_row], away[by_row], misplaced[by_row]


SPACING = Rule(
    "spacing",
    "Shots too far apart for the line's bends",
    "How far the line may leave the straight between two shots, from their distance and the turn "
    "at both; and the distance itself.",
    "note beyond 0.25 m off the straight, or 15 m apart",
    "common practice; geometry of a circular arc: distance x turn / 8",
    "Log more shots here before anyone relies on the line.",
)


@rule(SPACING)
def spacing(context: RuleContext) -> Outcome:
    assembly, runs = context.assembly, context.lines
    if len(runs) < 2:
        return "no lines"
    here, before = runs.order[1:], runs.order[:-1]
    same = runs.run[1:] == runs.run[:-1]
    distance = np.where(same, assembly.station[here] - assembly.station[before], 0.0)
    turn = np.abs(assembly.bearing[here] - assembly.bearing[before])
    turn = np.fmin(turn, 2 * np.pi - turn)
    largest = context.profile("spacing", "off_straight")
    longest = context.profile("spacing", "distance")
    wide = np.flatnonzero((distance * turn > 8 * largest) | (distance > longest))
    wide = wide[np.argsort(here[wide])]
    distance, off = distance[wide], np.nan_to_num(distance[wide] * turn[wide] / 8)
    words = [
        f"{length:.1f} m from the shot before"
        + (f"; the line may lie {aside:.2f} m off the straight between" if aside > 0.05 else "")
        for length, aside in zip(distance, off, strict=True)
    ]
    return outcome(SPACING, here[wide], Severity.NOTE, distance, longest, "m", words)
