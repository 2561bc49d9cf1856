"""Rules about depth readings."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from asfound.budget.rules.context import Outcome, RuleContext, outcome, rule
from asfound.model import Rule, Severity

DEPTH_TYPING = Rule(
    "depth-typing",
    "Depth probably mistyped",
    "A depth far off its neighbours that fits them once a decimal is moved, feet and metres or "
    "inches and centimetres are exchanged, or two digits are swapped.",
    "doubt where the reading is 5 standard deviations off and the changed one fits within 2.5",
    "common practice: the slips of the hand",
    "Look at the field notes; correct the mapping or leave the shot out.",
)
DEPTH_NEIGHBOURS = Rule(
    "depth-neighbours",
    "Depth does not fit its neighbours",
    "The depth against what the shots before and after on the line lead to expect; true grade "
    "changes are straight between neighbours and pass.",
    "doubt beyond 4.5 standard deviations of both",
    "robust regression; multiplicity of several hundred shots allowed for",
    "Log again with another hook-up, take a sweep, or expose.",
)
DEPTH_RANGE = Rule(
    "depth-range",
    "Depth outside what the method can read",
    "The depth reading against the profile's range.",
    "doubt under 0.10 m or beyond 6 m; unfit if negative or beyond 10 m",
    "common practice",
    "Check the unit and the reading; verify by sweep or exposure.",
)
DEPTH_MISSING = Rule(
    "depth-missing",
    "No depth",
    "Whether a shot on a line has a depth reading.",
    "must be there for a height",
    "common practice",
    "Treat the depth as unknown; nothing is drawn below ground here.",
)

_SLIPS: tuple[tuple[float, str], ...] = (
    (10.0, "a decimal place (x 10)"),
    (0.1, "a decimal place (/ 10)"),
    (0.3048, "feet read as metres"),
    (1 / 0.3048, "metres read as feet"),
    (100.0, "two decimal places (x 100)"),
    (0.01, "two decimal places (/ 100)"),
    (2.54, "centimetres read as inches"),
    (1 / 2.54, "inches read as centimetres"),
)


def _outliers(context: RuleContext, scores: float) -> np.ndarray:
    along = context.along
    with np.errstate(invalid="ignore"):
        return np.flatnonzero(np.abs(along.depth) > scores * along.depth_spread)


@rule(DEPTH_TYPING)
def depth_typing(context: RuleContext) -> Outcome:
    if not np.isfinite(context.shots.depth).any():
        return "no upload records depths"
    along, shots = context.along, context.shots
    fits = context.profile("depth-typing", "fits")
    found: dict[int, str] = {}
    for row in _outliers(context, context.profile("depth-typing", "off")).tolist():
        reading, expected = float(shots.depth[row]), float(along.depth_expected[row])
        spread = float(along.depth_spread[row])
        if abs(reading - expected) < 0.25 * expected:
            continue
        best = min(_readings(reading), key=lambda slip: abs(slip[0] - expected))
        if abs(best[0] - expected) <= fits * spread:
            found[row] = (
                f"read {reading:.2f} m where neighbours lead to expect {expected:.2f} m; "
                f"{best[1]} would make it {best[0]:.2f} m"
            )
    rows = np.array(sorted(found), np.int64)
    words = [found[int(row)] for row in rows]
    return outcome(
        DEPTH_TYPING, rows, Severity.FAIL, shots.depth[rows], along.depth_expected[rows], "m", words
    )


def _readings(reading: float) -> Iterator[tuple[float, str]]:
    """What a depth may have been meant to be."""
    for factor, words in _SLIPS:
        yield reading * factor, words
    for unit, name in ((1.0, "metres"), (0.3048, "feet")):
        digits = f"{reading / unit:.2f}"
        places = [k for k, c in enumerate(digits) if c.isdigit()]
        for left, right in pairwise(places):
            swapped = list(digits)
            swapped[left], swapped[right] = swapped[right], swapped[left]
            if swapped[left] != swapped[right]:
                yield float("".join(swapped)) * unit, f"two digits swapped ({name})"


@rule(DEPTH_NEIGHBOURS)
def depth_neighbours(context: RuleContext) -> Outcome:
    if not np.isfinite(context.shots.depth).any():
        return "no upload records depths"
    along, shots = context.along, context.shots
    scores = context.profile("depth-neighbours", "doubt")
    rows = _outliers(context, scores)
    words = [
        f"reads {shots.depth[row]:.2f} m, neighbours lead to expect "
        f"{along.depth_expected[row]:.2f} m"
        for row in rows
    ]
    return outcome(
        DEPTH_NEIGHBOURS,
        rows,
        Severity.DOUBT,
        np.abs(along.depth[rows]),
        scores * along.depth_spread[rows],
        "m",
        words,
    )


@rule(DEPTH_RANGE)
def depth_range(context: RuleContext) -> Outcome:
    depth = context.shots.depth
    if not np.isfinite(depth).any():
        return "no upload records depths"
    least, most, never = (context.profile("depth-range", k) for k in ("least", "most", "never"))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(((depth < least) | (depth > most)) & ~context.control)
    fail = (depth[rows] < 0) | (depth[rows] > never)
    words = [f"depth {value:.2f} m is outside {least:g} to {most:g} m" for value in depth[rows]]
    severity = np.where(fail, Severity.FAIL, Severity.DOUBT).astype(np.int8)
    limit = np.where(depth[rows] < least, least, most)
    return outcome(DEPTH_RANGE, rows, severity, depth[rows], limit, "m", words)


@rule(DEPTH_MISSING)
def depth_missing(context: RuleContext) -> Outcome:
    rows = np.flatnonzero(~np.isfinite(context.shots.depth) & ~context.control)
    words = ["no depth reading"] * len(rows)
    return outcome(DEPTH_MISSING, rows, Severity.NOTE, detail=words)
