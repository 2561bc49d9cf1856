"""Rules about the pole: its tilt and the height of the antenna on it."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.budget.rules.steps import Stretch, pair_steps, time_sequence, window_steps
from asfound.model import Fix, Rule, Severity

TILT = Rule(
    "tilt",
    "Pole leaned",
    "The measured tilt of the pole.",
    "note beyond 5 degrees, doubt beyond 10 degrees",
    "common practice",
    "Hold the pole upright and log again; a measured tilt is corrected, but less surely.",
)


@rule(TILT)
def tilt(context: RuleContext) -> Outcome:
    lean = context.shots.tilt
    if not np.isfinite(lean).any():
        return "no upload records tilt"
    note, doubt = (np.deg2rad(context.profile("tilt", key)) for key in ("note", "doubt"))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(lean > note)
    worse = lean[rows] > doubt
    limit = np.where(worse, doubt, note)
    words = [
        f"pole leaned {np.rad2deg(angle):.1f} degrees, more than {np.rad2deg(bound):.0f}"
        for angle, bound in zip(lean[rows], limit, strict=True)
    ]
    severity = np.where(worse, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    return outcome(TILT, rows, severity, lean[rows], limit, "rad", words)


ANTENNA_HEIGHT_MISSING = Rule(
    "antenna-height-missing",
    "Antenna height not known",
    "Whether rows whose coordinates are the antenna's say how high it stood.",
    "must be there",
    "common practice",
    "Give the pole's height when adding the upload: --antenna-height '1.8 m'.",
)


@rule(ANTENNA_HEIGHT_MISSING)
def antenna_height_missing(context: RuleContext) -> Outcome:
    of_antenna = np.array([s.position_of == "antenna" for s in context.sources] or [False])
    declared = np.array([s.antenna_height for s in context.sources] or [np.nan])
    source = context.shots.source
    missing = of_antenna[source] & ~np.isfinite(context.shots.antenna_height)
    missing &= ~np.isfinite(declared[source])
    rows = np.flatnonzero(missing)
    words = ["no antenna height in the row or declared for the upload"] * len(rows)
    return outcome(ANTENNA_HEIGHT_MISSING, rows, Severity.FAIL, detail=words)


ANTENNA_HEIGHT_JUMP = Rule(
    "antenna-height-jump",
    "Antenna height probably wrong",
    "Ground heights of a stretch of shots against the same line before and after and against "
    "other shots nearby; and antenna heights that no pole has.",
    "doubt where a stretch lies off by more than 0.15 m and 5 standard deviations",
    "common practice",
    "Ask which pole setting was used on this stretch; correct the antenna height and process "
    "again.",
)


@rule(ANTENNA_HEIGHT_JUMP)
def antenna_height_jump(context: RuleContext) -> Outcome:
    shots, ground = context.shots, context.ground
    tallest = context.profile("antenna-height-jump", "tallest_pole")
    with np.errstate(invalid="ignore"):
        odd = np.flatnonzero(shots.antenna_height > tallest)
    found: dict[int, tuple[float, str]] = {
        int(row): (
            float(shots.antenna_height[row]),
            f"antenna height {shots.antenna_height[row]:.2f} m is more than any pole has; "
            f"as feet it would be {shots.antenna_height[row] * 0.3048:.2f} m",
        )
        for row in odd
    }
    if np.isfinite(ground.height).any():
        for stretch in _height_stretches(context):
            recorded = shots.antenna_height[stretch.rows]
            recorded = recorded[np.isfinite(recorded)]
            true = float(np.median(recorded)) + stretch.size[0] if len(recorded) else np.nan
            hint = f"; the pole was probably {true:.2f} m" if np.isfinite(true) else ""
            for row in stretch.rows:
                found[int(row)] = (
                    abs(float(stretch.size[0])),
                    f"ground lies {abs(stretch.size[0]):.2f} m too "
                    f"{'high' if stretch.size[0] > 0 else 'low'} on a stretch of "
                    f"{len(stretch.rows)} shots{hint}",
                )
    elif not len(odd):
        return "no heights"
    rows = np.array(sorted(found), np.int64)
    if not len(rows):
        return nothing(ANTENNA_HEIGHT_JUMP)
    least = context.profile("antenna-height-jump", "least")
    values = np.array([found[int(row)][0] for row in rows])
    words = [found[int(row)][1] for row in rows]
    return outcome(ANTENNA_HEIGHT_JUMP, rows, Severity.DOUBT, values, least, "m", words)


def _height_stretches(context: RuleContext) -> list[Stretch]:
    """Stretches of shots, in time order, whose ground is off by a constant.

    A stretch begins with a step of the ground along the line and ends with the opposite one;
    ground measured nearby by shots that are not part of it must agree that it is off.
    """
    shots, ground = context.shots, context.ground
    least = context.profile("antenna-height-jump", "least")
    usable = np.isfinite(ground.height) & ~context.control
    usable &= (shots.fix == Fix.RTK_FIXED) | (shots.fix == Fix.NOT_RECORDED)
    spread = np.hypot(np.where(np.isfinite(shots.up_sd), shots.up_sd, 0.02), 0.015)
    sequence = time_sequence(shots, context.assembly, usable)
    steps = window_steps(
        sequence, [ground.height], [spread], context.assembly.station, least=(least,), score=25.0
    )
    stretches = pair_steps(sequence, steps)
    if not stretches:
        return []
    known = np.flatnonzero(usable)
    tree = cKDTree(np.stack([ground.easting[known], ground.northing[known]], axis=1))
    return [s for s in stretches if _surface_agrees(context, s, known, tree, least)]


def _surface_agrees(
    context: RuleContext, stretch: Stretch, known: np.ndarray, tree: cKDTree, least: float
) -> bool:
    """True if ground nearby, measured outside the stretch, says it is off by about its size.

    Where no other ground is near, two opposite steps alone decide.
    """
    ground = context.ground
    inside = np.zeros(len(context.shots), bool)
    inside[stretch.rows] = True
    reach = context.profile("antenna-height-jump", "reach")
    offsets = []
    for row in stretch.rows:
        near = known[tree.query_ball_point((ground.easting[row], ground.northing[row]), reach)]
        near = near[~inside[near]]
        if len(near) >= 3:
            offsets.append(ground.height[row] - np.median(ground.height[near]))
    if len(offsets) < 0.3 * len(stretch.rows):
        return True
    offset = float(np.median(offsets))
    return offset * stretch.size[0] > 0 and abs(offset) > 0.5 * max(
        least, abs(float(stretch.size[0]))
    )
