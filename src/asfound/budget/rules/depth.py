"""Rules about depth readings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations

import numpy as np
import numpy.typing as npt

from asfound.budget.rules.context import Outcome, RuleContext, outcome, rule
from asfound.model import Rule, Severity

Floats = npt.NDArray[np.float64]

DEPTH_TYPING = Rule(
    "depth-typing",
    "Depth probably mistyped",
    "A depth far off its neighbours that fits them once a decimal is moved, feet and metres or "
    "inches and centimetres are exchanged, or two digits are swapped.",
    "unfit where the reading is 4 standard deviations and a quarter off and the changed one fits: "
    "a moved decimal within 40 %, a unit within a quarter and 2.5 standard deviations; swapped "
    "digits and inches within 1.5, if the reading is 5 off",
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

TOP_ABOVE_GROUND = Rule(
    "top-above-ground",
    "Top of the utility above the ground",
    "The depth of the centre against half of the outside diameter declared for the line.",
    "doubt where the depth is less than half of the diameter",
    "geometry: the top lies half of the outside diameter above the centre",
    "Check outside_diameter under [[size]] in job.toml, in metres (4.5 inches are 0.114), and "
    "the depth.",
)

_SLIPS: tuple[tuple[float, str, str], ...] = (
    (10.0, "a decimal place (x 10)", "decimal"),
    (0.1, "a decimal place (/ 10)", "decimal"),
    (0.3048, "feet read as metres", "unit"),
    (1 / 0.3048, "metres read as feet", "unit"),
    (100.0, "two decimal places (x 100)", "decimal"),
    (0.01, "two decimal places (/ 100)", "decimal"),
    (2.54, "centimetres read as inches", "rare"),
    (1 / 2.54, "inches read as centimetres", "rare"),
)


@rule(DEPTH_TYPING)
def depth_typing(context: RuleContext) -> Outcome:
    if not np.isfinite(context.shots.depth).any():
        return "no upload records depths"
    limit = context.profile.tables["depth-typing"]
    odd = context.depths.where(context.depths.beyond(limit["off"]))
    rows, reading, expected, spread = odd.rows, odd.read, odd.expected, odd.spread
    off = np.abs(reading - expected)
    rare_too = off > limit["off_rare"] * spread
    # How far each slip, put right, misses what is expected, over what it may.
    miss = np.stack(
        [
            np.abs(reading * factor - expected) / _tolerance(kind, expected, spread, limit)
            for factor, _, kind in _SLIPS
        ]
    )
    for number, (_, _, kind) in enumerate(_SLIPS):
        if kind == "rare":
            miss[number, ~rare_too] = np.inf
    far = off >= limit["least"] * expected
    found: dict[int, tuple[float, str]] = {}
    for k in np.flatnonzero(far & (miss.min(axis=0, initial=np.inf) <= 1.0)).tolist():
        factor, words, _ = _SLIPS[int(miss[:, k].argmin())]
        found[k] = (float(reading[k]) * factor, words)
    allowed = _tolerance("rare", expected, spread, limit)
    for k in np.flatnonzero(far & rare_too).tolist():
        if k not in found:
            meant, words = min(
                _swapped(float(reading[k])), key=lambda slip: abs(slip[0] - expected[k])
            )
            if abs(meant - expected[k]) <= allowed[k]:
                found[k] = (meant, words)
    chosen = np.array(sorted(found), np.int64)
    details = [
        f"read {reading[k]:.2f} m where neighbours lead to expect {expected[k]:.2f} m; "
        f"{found[k][1]} would make it {found[k][0]:.2f} m"
        for k in chosen.tolist()
    ]
    return outcome(
        DEPTH_TYPING, rows[chosen], Severity.FAIL, reading[chosen], expected[chosen], "m", details
    )


def _tolerance(kind: str, expected: Floats, spread: Floats, limit: Mapping[str, float]) -> Floats:
    """How far a corrected depth may lie from the expected one [m].

    Nothing but a slip makes a depth ten times too large, so a moved decimal need fit only
    roughly; swapped digits and inches fit something by chance, so they must fit well. Where
    heights scatter so much that they tell little, no correction may excuse itself by that: one
    that is as far off as a mistyped reading must be corrects nothing.
    """
    if kind == "decimal":
        return limit["fits_decimal"] * expected
    within = limit["fits_rare" if kind == "rare" else "fits"] * spread
    return np.minimum(within, limit["least"] * expected)


def _swapped(reading: float) -> Iterator[tuple[float, str]]:
    """What a depth may have been meant to be if two of its digits changed places."""
    yield reading, "nothing"
    for unit, name in ((1.0, "metres"), (0.3048, "feet")):
        digits = f"{reading / unit:.2f}"
        places = [k for k, c in enumerate(digits) if c.isdigit()]
        for left, right in combinations(places, 2):
            swapped = list(digits)
            swapped[left], swapped[right] = swapped[right], swapped[left]
            if swapped[left] != swapped[right]:
                yield float("".join(swapped)) * unit, f"two digits swapped ({name})"


@rule(DEPTH_NEIGHBOURS)
def depth_neighbours(context: RuleContext) -> Outcome:
    if not np.isfinite(context.shots.depth).any():
        return "no upload records depths"
    scores = context.profile("depth-neighbours", "doubt")
    odd = context.depths.where(context.depths.beyond(scores))
    words = [
        f"reads {read:.2f} m, neighbours lead to expect {usual:.2f} m"
        for read, usual in zip(odd.read.tolist(), odd.expected.tolist(), strict=True)
    ]
    off, limit = np.abs(odd.read - odd.expected), scores * odd.spread
    return outcome(DEPTH_NEIGHBOURS, odd.rows, Severity.DOUBT, off, limit, "m", words)


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


@rule(TOP_ABOVE_GROUND)
def top_above_ground(context: RuleContext) -> Outcome:
    half = context.budget.outside_diameter / 2
    if not np.isfinite(half).any():
        return "no sizes are declared"
    depth = context.shots.depth
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero((depth < half) & ~context.control)
    words = [
        f"centre {below:.2f} m deep, but the outside diameter is declared as {2 * radius:.3f} m: "
        f"the top would lie {radius - below:.2f} m above the ground"
        for below, radius in zip(depth[rows], half[rows], strict=True)
    ]
    return outcome(TOP_ABOVE_GROUND, rows, Severity.DOUBT, depth[rows], half[rows], "m", words)
