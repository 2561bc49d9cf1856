"""Rules about shots and the lines they belong to."""

from __future__ import annotations

import numpy as np

from asfound.budget.rules._line_kernels import distances_to_lines, settle, wide_spacings
from asfound.budget.rules.alongline import ASIDE, LEAST_ASIDE
from asfound.budget.rules.beside import logged_beside
from asfound.budget.rules.context import Outcome, RuleContext, outcome, rule
from asfound.model import Rule, Severity, Utility

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
_SAG, _SAG_MOST = 0.1, 1.5
"""How far a line may leave the straight across a gap: share of the gap, and at most [m]."""


@rule(UTILITY_MISMATCH)
def utility_mismatch(context: RuleContext) -> Outcome:
    shots, assembly, lines = context.shots, context.assembly, context.lines
    if not len(assembly.names):
        return "no lines"
    ground, places = context.ground, context.places
    aside = places.rows[places.beyond(ASIDE, LEAST_ASIDE)]
    state = np.empty(len(shots), np.int8)
    wanted = settle(
        assembly.line, lines.starts, ground.easting, context.control, aside, _FEW, state
    )
    beside = logged_beside(shots, context.log, state, wanted)
    rows = beside.rows
    reach = context.profile("utility-mismatch", "reach")
    bridged = beside.same_signal(shots, assembly)
    best, line = np.full(len(rows), np.inf), np.full(len(rows), -1)
    limit = np.full(len(rows), reach)
    for neighbour in (beside.before, beside.after):
        other = np.flatnonzero(
            (neighbour >= 0) & (assembly.utility[assembly.line[neighbour]] != shots.utility[rows])
        )
        distance, gap = np.empty(len(other)), np.empty(len(other))
        distances_to_lines(
            lines.order,
            lines.starts,
            assembly.line,
            assembly.rank,
            state,
            ground.easting,
            ground.northing,
            shots.depth,
            rows[other],
            neighbour[other],
            distance,
            gap,
        )
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
    named = [Utility(code).word for code in assembly.utility[line[found]].tolist()]
    words = [
        f"{f'coded {Utility(code).word}' if code else 'has no utility code'}, but it lies "
        f"{distance:.2f} m from {word} line {assembly.names[number]} and was logged along it"
        for code, distance, word, number in zip(
            coded.tolist(), best[found].tolist(), named, line[found].tolist(), strict=True
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
    strays = context.strays
    rows, away = strays.rows[strays.misplaced], strays.away[strays.misplaced]
    far = context.profile("position-outlier", "stray")
    words += [
        f"on no line; {distance:.1f} m from the shots logged before and after it"
        for distance in away.tolist()
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
        [words[k] for k in order.tolist()],
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
    strays = context.strays
    rows, away = strays.rows[~strays.misplaced], strays.away[~strays.misplaced]
    words = [
        f"could not be joined to a line; {distance:.1f} m from the shots logged before and after it"
        for distance in away.tolist()
    ]
    limit = context.profile("position-outlier", "stray")
    return outcome(ON_NO_LINE, rows, Severity.NOTE, away, limit, "m", words)


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
    largest = context.profile("spacing", "off_straight")
    longest = context.profile("spacing", "distance")
    rows, distance, off = np.empty(len(runs), np.int64), np.empty(len(runs)), np.empty(len(runs))
    count = wide_spacings(
        runs.order,
        runs.starts,
        assembly.station,
        assembly.bearing,
        largest,
        longest,
        rows,
        distance,
        off,
    )
    by_row = np.argsort(rows[:count])
    rows, distance, off = rows[by_row], distance[by_row], off[by_row]
    words = [
        f"{length:.1f} m from the shot before"
        + (f"; the line may lie {aside:.2f} m off the straight between" if aside > 0.05 else "")
        for length, aside in zip(distance.tolist(), off.tolist(), strict=True)
    ]
    return outcome(SPACING, rows, Severity.NOTE, distance, longest, "m", words)
