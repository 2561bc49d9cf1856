"""Rules about the pole: its tilt and the height of the antenna on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from asfound.budget.rules._step_kernels import follow_pole, usual_of_groups
from asfound.budget.rules.context import Outcome, RuleContext, graded, nothing, outcome, rule
from asfound.budget.rules.pieces import BEYOND_KERBS, Piece, middle, odd_pieces
from asfound.budget.rules.runs import Runs
from asfound.budget.rules.steps import straight_steps
from asfound.budget.rules.visits import odd_visits
from asfound.model import Rule, Severity

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
    value = lean[rows]
    return graded(
        TILT,
        rows,
        value,
        value > doubt,
        (note, doubt),
        "rad",
        lambda angle, bound: (
            f"pole leaned {np.rad2deg(angle):.1f} degrees, more than {np.rad2deg(bound):.0f}"
        ),
    )


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
    "other lines nearby; of a whole visit against lines that cross it; and antenna heights that "
    "no pole has.",
    "doubt where a stretch lies off by more than 0.15 m and 5 standard deviations and other lines "
    "bear it out, or by more than 0.25 m if none are near; a visit by 0.25 m against two others; "
    "an antenna higher than 4 m, unfit where it was taken off",
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
            f"antenna height {shots.antenna_height[row]:.2f} m is more than any pole has"
            + _in_another_unit(float(shots.antenna_height[row])),
        )
        for row in odd
    }
    if np.isfinite(ground.height).any():
        pieces = _pieces_off(context)
        entered = _usual_heights(context, pieces) if pieces else {}
        for piece in pieces:
            told = _describe(context, piece, entered)
            for row in piece.rows.tolist():
                found[row] = (abs(piece.offset), told)
    elif not len(odd):
        return "no heights"
    rows = np.array(sorted(found), np.int64)
    if not len(rows):
        return nothing(ANTENNA_HEIGHT_JUMP)
    least = context.profile("antenna-height-jump", "least")
    values = np.array([found[int(row)][0] for row in rows])
    words = [found[int(row)][1] for row in rows]
    # A height that no pole has is surely wrong, and with it the ground that was reduced by it.
    by_antenna = np.array([s.position_of == "antenna" for s in context.sources])
    surely = np.isin(rows, odd) & by_antenna[shots.source[rows]]
    severity = np.where(surely, Severity.FAIL, Severity.DOUBT).astype(np.int8)
    return outcome(ANTENNA_HEIGHT_JUMP, rows, severity, values, least, "m", words)


_POLES = (1.2, 3.0)
"""Heights that poles are set to [m]; common practice."""
_OTHER_UNITS = ((0.3048, "feet"), (0.0254, "inches"), (0.01, "centimetres"), (0.001, "millimetres"))


def _in_another_unit(height: float) -> str:
    """In which unit a number taken for metres would be a pole's height, as part of a sentence."""
    for metres, words in _OTHER_UNITS:
        if _POLES[0] <= height * metres <= _POLES[1]:
            return f"; as {words} it would be {height * metres:.2f} m"
    return ""


_USUAL_SD = 0.02
"""Of a ground height whose receiver gave no figure [m]."""
_UNEVEN = 0.015
"""Ground's own unevenness from shot to shot [m], 1 sigma."""
_LEAP = 20.0
"""Walked along a line without a shot [m]: what lies behind is another visit."""


def _pieces_off(context: RuleContext) -> list[Piece]:
    """Pieces of the log whose ground is off by a constant."""
    shots, ground = context.shots, context.ground
    least = context.profile("antenna-height-jump", "least")
    order, starts = np.empty(len(shots), np.int64), np.empty(len(shots) + 1, np.int64)
    runs, count = follow_pole(
        context.log,
        ground.height,
        context.control,
        shots.fix,
        shots.source,
        shots.receiver.codes,
        context.assembly.line,
        context.assembly.station,
        _LEAP,
        order,
        starts,
    )
    log = Runs(order[:count], starts[: runs + 1])
    steps = straight_steps(
        ground.height,
        shots.up_sd,
        context.assembly.station,
        log,
        least=least,
        score=context.profile("antenna-height-jump", "score"),
        usual_sd=_USUAL_SD,
        own_sd=_UNEVEN,
    )
    reach = context.profile("antenna-height-jump", "reach")
    where = ground.easting, ground.northing, ground.height
    pieces = odd_pieces(log, steps, *where, least=least, reach=reach)
    right = np.ones(len(shots), bool)
    for piece in pieces:
        right[piece.rows] = False
    visits = odd_visits(log.only(right), *where, least=max(least, BEYOND_KERBS))
    return [*pieces, *visits]


def _describe(context: RuleContext, piece: Piece, entered: Mapping[Group, float]) -> str:
    recorded = context.shots.antenna_height[piece.rows]
    if not np.isfinite(recorded).any():
        declared = [s.antenna_height for s in context.sources]
        recorded = np.array(declared)[context.shots.source[piece.rows]]
    recorded = recorded[np.isfinite(recorded)]
    hint = ""
    if len(recorded):
        usual = middle(recorded)
        hint = f"; the pole was probably {usual + piece.offset:.2f} m, not {usual:.2f} m"
        elsewhere = entered.get(_group_of(context, piece), usual)
        if abs(usual - elsewhere) > 0.05 and abs(usual - elsewhere + piece.offset) < 0.10:
            hint += f": {elsewhere:.2f} m was entered elsewhere, and the pole stayed so"
    witness = f", by {piece.witnesses} other line{'s' * (piece.witnesses > 1)} nearby too"
    return (
        f"ground lies {abs(piece.offset):.2f} m too {'high' if piece.offset > 0 else 'low'} on a "
        f"stretch of {len(piece.rows)} shots{witness if piece.witnesses else ''}{hint}"
    )


def _usual_heights(context: RuleContext, pieces: Sequence[Piece]) -> dict[Group, float]:
    """Median antenna height as recorded [m], by upload and receiver of the pieces."""
    shots = context.shots
    recorded = shots.antenna_height
    uploads = 1 + int(shots.source.max())
    usual = np.empty((uploads, len(shots.receiver.names) + 1))
    usual_of_groups(shots.source, shots.receiver.codes, recorded, usual)
    heights: dict[Group, float] = {}
    for source, receiver in {_group_of(context, piece) for piece in pieces}:
        median = float(usual[source, receiver + 1])
        if not np.isfinite(median):
            own = (shots.source == source) & (shots.receiver.codes == receiver)
            own &= np.isfinite(recorded)
            if not own.any():
                continue
            median = middle(recorded[own])
        heights[source, receiver] = median
    return heights


Group = tuple[int, int]
"""Upload and receiver."""


def _group_of(context: RuleContext, piece: Piece) -> Group:
    shots, first = context.shots, piece.rows[0]
    return int(shots.source[first]), int(shots.receiver.codes[first])
