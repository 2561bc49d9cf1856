"""Rules about shots and the lines they belong to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.model import Rule, Severity, Utility

UTILITY_MISMATCH = Rule(
    "utility-mismatch",
    "Utility code does not fit",
    "A shot on no line of its own utility, or aside of it, that lies on a line of another "
    "utility at that line's depth, logged between or beside shots of that line.",
    "doubt within 0.35 m of the other line and where the log agrees",
    "common practice",
    "Check the code; if it was a slip, correct it in the mapping or leave the shot out.",
)

_FEW = 7
_BRIDGE = 30.0


@rule(UTILITY_MISMATCH)
def utility_mismatch(context: RuleContext) -> Outcome:
    shots, assembly, ground = context.shots, context.assembly, context.ground
    if not len(assembly.names):
        return "no lines"
    sizes = np.bincount(assembly.line[assembly.line >= 0], minlength=len(assembly.names))
    size_here = np.where(assembly.line >= 0, sizes[assembly.line], 0)
    placed = np.isfinite(ground.easting) & ~context.control
    with np.errstate(invalid="ignore"):
        aside = np.abs(context.along.lateral) > np.maximum(4 * context.along.lateral_spread, 0.15)
    candidate = placed & ((size_here < _FEW) | aside)
    settled = np.flatnonzero(placed & (size_here >= _FEW) & ~aside)
    rows = np.flatnonzero(candidate)
    if not len(rows) or not len(settled):
        return nothing(UTILITY_MISMATCH)
    reach = context.profile("utility-mismatch", "reach")
    before, after = _log_neighbours(context, settled)
    tree = cKDTree(np.stack([ground.easting[settled], ground.northing[settled]], axis=1))
    position = np.stack([ground.easting[rows], ground.northing[rows]], axis=1)
    near = tree.query(position, k=min(64, len(settled)), distance_upper_bound=_BRIDGE)[1]
    near = near.reshape(len(rows), -1)
    found: dict[int, str] = {}
    values: dict[int, float] = {}
    for row, neighbours in zip(rows.tolist(), near, strict=True):
        inside = settled[neighbours[neighbours < len(settled)]]
        others = inside[shots.utility[inside] != shots.utility[row]]
        best: tuple[float, int] | None = None
        for line in np.unique(assembly.line[others]):
            distance = _distance_to_line(context, row, others[assembly.line[others] == line])
            if distance is not None and (best is None or distance < best[0]):
                best = (distance, int(line))
        if best is None or best[0] > reach:
            continue
        logged_beside = [k for k in (before[row], after[row]) if k >= 0]
        if not any(assembly.line[k] == best[1] for k in logged_beside):
            continue
        utility = Utility(int(assembly.utility[best[1]])).word
        own = Utility(int(shots.utility[row])).word
        found[row] = (
            f"coded {own}, but it lies {best[0]:.2f} m from {utility} line "
            f"{assembly.names[best[1]]} and was logged along it"
        )
        values[row] = best[0]
    index = np.array(sorted(found), np.int64)
    return outcome(
        UTILITY_MISMATCH,
        index,
        Severity.FAIL,
        np.array([values[int(k)] for k in index]),
        reach,
        "m",
        [found[int(k)] for k in index],
    )


def _log_neighbours(
    context: RuleContext, settled: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """For every shot the settled shots logged last before and first after it, -1 for none."""
    shots = context.shots
    order = np.lexsort((shots.row, shots.time, shots.source))
    is_settled = np.zeros(len(shots), bool)
    is_settled[settled] = True
    mark = np.where(is_settled[order], np.arange(len(order)), -1)
    last = np.maximum.accumulate(np.concatenate([[-1], mark[:-1]]))
    ahead = np.where(is_settled[order], np.arange(len(order)), len(order))
    following = np.minimum.accumulate(np.concatenate([ahead[1:], [len(order)]])[::-1])[::-1]
    before = np.full(len(shots), -1, np.int64)
    after = np.full(len(shots), -1, np.int64)
    before[order] = np.where(last >= 0, order[np.maximum(last, 0)], -1)
    after[order] = np.where(
        following < len(order), order[np.minimum(following, len(order) - 1)], -1
    )
    for side in (before, after):
        side[(side >= 0) & (shots.source[side] != shots.source)] = -1
    return before, after


def _distance_to_line(
    context: RuleContext, row: int, members: npt.NDArray[np.int64]
) -> float | None:
    """Distance in plan from a shot to the line through its two nearest members [m].

    None where the shot lies well beyond the line's end or its depth does not fit.
    """
    ground, shots = context.ground, context.shots
    if len(members) < 2:
        return None
    here = np.array([ground.easting[row], ground.northing[row]])
    points = np.stack([ground.easting[members], ground.northing[members]], axis=1)
    order = np.argsort(np.hypot(*(points - here).T))
    first = points[order[0]]
    apart = np.hypot(*(points[order] - first).T)
    # The second point lies on the other side of the shot if the line goes on there, so that the
    # middle of a gap which a run of wrong codes has torn is bridged.
    facing = (points[order] - here) @ (first - here) < 0
    others = np.flatnonzero((apart > 0.5) & facing & (apart < _BRIDGE))
    if not len(others):
        others = np.flatnonzero(apart > 0.5)
    if not len(others):
        return None
    direction = points[order[others[0]]] - first
    length = float(np.hypot(*direction))
    direction = direction / length
    along = float((here - first) @ direction)
    if along > length + 3.0 or along < -6.0:
        return None
    depths = shots.depth[members[order[:4]]]
    depths = depths[np.isfinite(depths)]
    if len(depths) and np.isfinite(shots.depth[row]):
        usual = float(np.median(depths))
        if abs(shots.depth[row] - usual) > 0.25 * usual + 0.15:
            return None
    return abs(float((here - first) @ np.array([-direction[1], direction[0]])))


POSITION_OUTLIER = Rule(
    "position-outlier",
    "Position does not fit",
    "The place across the line against the shots before and after on it; and shots that lie on "
    "no line, against the shots logged before and after them.",
    "doubt beyond 5 standard deviations and 0.15 m, or 10 m from its neighbours in the log",
    "robust regression; multiplicity of several hundred shots allowed for",
    "Check the coordinates for a mistyped digit; log again.",
)


@rule(POSITION_OUTLIER)
def position_outlier(context: RuleContext) -> Outcome:
    along, assembly, ground = context.along, context.assembly, context.ground
    scores = context.profile("position-outlier", "doubt")
    least = context.profile("position-outlier", "least")
    with np.errstate(invalid="ignore"):
        aside = np.abs(along.lateral) > np.maximum(scores * along.lateral_spread, least)
    value = np.abs(along.lateral)
    limit = np.maximum(scores * along.lateral_spread, least)
    stray = (assembly.line < 0) & ~context.control & np.isfinite(ground.easting)
    settled = np.flatnonzero(assembly.line >= 0)
    words: dict[int, str] = {
        int(row): f"lies {value[row]:.2f} m aside of the line through its neighbours"
        for row in np.flatnonzero(aside)
    }
    if stray.any() and len(settled):
        before, after = _log_neighbours(context, settled)
        far = context.profile("position-outlier", "stray")
        for row in np.flatnonzero(stray).tolist():
            beside = [k for k in (before[row], after[row]) if k >= 0]
            if not beside:
                continue
            away = min(
                float(
                    np.hypot(
                        ground.easting[row] - ground.easting[k],
                        ground.northing[row] - ground.northing[k],
                    )
                )
                for k in beside
            )
            value[row], limit[row] = away, far
            words[row] = f"on no line; {away:.1f} m from the shots logged before and after it"
    rows = np.array(sorted(words), np.int64)
    return outcome(
        POSITION_OUTLIER,
        rows,
        Severity.DOUBT,
        value[rows],
        limit[rows],
        "m",
        [words[int(row)] for row in rows],
    )


SPACING = Rule(
    "spacing",
    "Shots too far apart for the line's bends",
    "How far the line may leave the straight between two shots, from their distance and the turn "
    "at both; and the distance itself.",
    "note beyond 0.25 m off the straight, or 15 m apart",
    "common practice; geometry of a circular arc: distance x turn / 8",
    "Log more shots here before anyone digs.",
)


@rule(SPACING)
def spacing(context: RuleContext) -> Outcome:
    assembly = context.assembly
    order, _ = assembly.members()
    if len(order) < 2:
        return "no lines"
    here, before = order[1:], order[:-1]
    same = assembly.line[here] == assembly.line[before]
    distance = np.where(same, assembly.station[here] - assembly.station[before], 0.0)
    turn = np.abs(np.angle(np.exp(1j * (assembly.bearing[here] - assembly.bearing[before]))))
    off = distance * np.nan_to_num(turn) / 8
    largest = context.profile("spacing", "off_straight")
    longest = context.profile("spacing", "distance")
    rows_at = np.flatnonzero((off > largest) | (distance > longest))
    rows = here[rows_at]
    words = [
        f"{distance[k]:.1f} m from the shot before; the line may lie {off[k]:.2f} m off the "
        "straight between them"
        for k in rows_at
    ]
    by_row = np.argsort(rows)
    return outcome(
        SPACING,
        rows[by_row],
        Severity.NOTE,
        distance[rows_at][by_row],
        longest,
        "m",
        [words[k] for k in by_row],
    )
