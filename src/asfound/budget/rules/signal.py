"""Rules about the signal on the line and what it says of other conductors."""

from __future__ import annotations

import numpy as np

from asfound.budget.rules.alongline import sequences
from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.budget.rules.steps import (
    LoggedRun,
    Stretch,
    line_sequence,
    pair_steps,
    window_steps,
)
from asfound.model import Fix, Rule, Severity

PEAK_NULL = Rule(
    "peak-null",
    "Peak and null apart",
    "Distance between the peak and the null position against what pinpointing alone explains.",
    "note beyond 2.6, doubt beyond 4 standard deviations of two pinpointings",
    "common practice: peak and null fall together over a single conductor only",
    "Another conductor distorts the field. Take a sweep across the line, change the hook-up, or "
    "expose.",
)


@rule(PEAK_NULL)
def peak_null(context: RuleContext) -> Outcome:
    apart = context.shots.peak_null_separation
    if not np.isfinite(apart).any():
        return "no upload records the distance between peak and null"
    depth = np.nan_to_num(context.shots.depth, nan=1.0)
    fixed = context.profile("errors", "pinpoint_fixed")
    relative = context.profile("errors", "pinpoint_relative")
    single = np.sqrt(2 * (fixed**2 + (relative * depth) ** 2))
    note = context.profile("peak-null", "note") * single
    doubt = context.profile("peak-null", "doubt") * single
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(apart > note)
    worse = apart[rows] > doubt[rows]
    limit = np.where(worse, doubt[rows], note[rows])
    words = [
        f"peak and null lie {value:.2f} m apart; pinpointing alone explains {bound:.2f} m"
        for value, bound in zip(apart[rows], limit, strict=True)
    ]
    severity = np.where(worse, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    return outcome(PEAK_NULL, rows, severity, apart[rows], limit, "m", words)


DISTORTED_FIELD = Rule(
    "distorted-field",
    "Field distorted by another conductor",
    "Whether depth, place across the line, current, and peak/null distance all step aside at one "
    "place of the line and back at another.",
    "doubt where the joint step exceeds 22 (sum of squared standard scores) at both ends",
    "physics of two conductors; see what-the-receiver-hides",
    "Take sweeps across this stretch, or try another hook-up or frequency; expose before digging.",
)


@rule(DISTORTED_FIELD)
def distorted_field(context: RuleContext) -> Outcome:
    shots, budget = context.shots, context.budget
    assembly = context.assembly
    usable = ~context.control & np.isfinite(shots.depth)
    usable &= (shots.fix == Fix.RTK_FIXED) | (shots.fix == Fix.NOT_RECORDED)
    usable &= ~_typing_suspects(context)
    sequence = line_sequence(shots, assembly, usable)
    lateral = _lateral(context)
    depth_sd = np.sqrt(np.maximum(budget.independent[:, 2, 2], 0.0))
    plan_sd = np.sqrt(np.maximum(budget.independent[:, 0, 0], budget.independent[:, 1, 1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        log_current = np.log(shots.current)
    current_sd = np.full(len(shots), context.profile("distorted-field", "current_noise"))
    fixed = context.profile("errors", "pinpoint_fixed")
    apart_sd = np.sqrt(fixed**2 + (0.02 * np.nan_to_num(shots.depth, nan=1.0)) ** 2)
    steps = window_steps(
        sequence,
        [shots.depth, lateral, log_current, shots.peak_null_separation],
        [np.hypot(depth_sd, 0.02 * shots.depth), plan_sd, current_sd, apart_sd],
        assembly.station,
        least=(0.10, 0.08, 0.15, 0.08),
        score=context.profile("distorted-field", "score"),
    )
    stretches = [
        stretch
        for stretch in pair_steps(sequence, steps, longest=30)
        if _several_agree(stretch.size, float(np.median(shots.depth[stretch.rows])))
        and _holds_throughout(stretch, sequence, shots.depth, log_current)
    ]
    if not stretches:
        return nothing(DISTORTED_FIELD)
    rows = np.concatenate([stretch.rows for stretch in stretches])
    words = [
        f"on a stretch of {len(stretch.rows)} shots depth reads {stretch.size[0]:+.2f} m, the "
        f"line lies {abs(stretch.size[1]):.2f} m aside and the current reads "
        f"{100 * np.expm1(stretch.size[2]):+.0f} %"
        for stretch in stretches
        for _ in stretch.rows
    ]
    value = np.concatenate([np.full(len(s.rows), abs(s.size[0])) for s in stretches])
    keep = np.unique(rows, return_index=True)[1]
    return outcome(
        DISTORTED_FIELD,
        rows[keep],
        Severity.DOUBT,
        value[keep],
        float("nan"),
        "m",
        [words[k] for k in keep],
    )


def _several_agree(size: np.ndarray, depth: float) -> bool:
    """At least two of depth, place, current and peak/null distance step by what matters."""
    return (
        int(abs(size[0]) > 0.07 * max(depth, 0.5))
        + int(abs(size[1]) > 0.07)
        + int(abs(size[2]) > 0.12)
        + int(abs(size[3]) > 0.07)
    ) >= 2


def _holds_throughout(
    stretch: Stretch, sequence: LoggedRun, depth: np.ndarray, log_current: np.ndarray
) -> bool:
    """Depth or current is off along the whole stretch, not only at two shots that bound it."""
    first = int(np.flatnonzero(sequence.order == stretch.rows[0])[0])
    last = first + len(stretch.rows)
    around = np.concatenate([np.arange(first - 5, first), np.arange(last, last + 5)])
    around = around[(around >= 0) & (around < len(sequence.order))]
    outside = sequence.order[around[sequence.run[around] == sequence.run[first]]]
    for values, size in ((depth, stretch.size[0]), (log_current, stretch.size[2])):
        inner, outer = values[stretch.rows], values[outside]
        if not (np.isfinite(inner).any() and np.isfinite(outer).any()) or size == 0.0:
            continue
        moved = np.median(inner[np.isfinite(inner)]) - np.median(outer[np.isfinite(outer)])
        if moved * np.sign(size) > 0.6 * abs(size):
            return True
    return False


def _typing_suspects(context: RuleContext) -> np.ndarray:
    """Single depths far off their neighbours: they would make two steps of their own."""
    along = context.along
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(along.depth) > 6 * along.depth_spread)


_STRAIGHT = np.deg2rad(6.0)


def _lateral(context: RuleContext) -> np.ndarray:
    """(n,) metres moved to the left along each line where it runs straight, NaN at bends.

    On a straight a jump aside is a step of this; at a bend it would be taken for one.
    """
    order, _ = context.assembly.members()
    lateral = np.full(len(context.shots), np.nan)
    if len(order) < 2:
        return lateral
    east, north = context.ground.easting[order], context.ground.northing[order]
    course = np.nan_to_num(context.assembly.bearing[order])
    middle = course[1:] + 0.5 * np.angle(np.exp(1j * (course[:-1] - course[1:])))
    moved = -np.diff(east) * np.cos(middle) + np.diff(north) * np.sin(middle)
    total = np.concatenate([[0.0], np.cumsum(moved)])
    place = np.arange(len(order))
    bent = np.zeros(len(order), bool)
    for reach in (-4, -3, 3, 4):
        other = np.clip(place + reach, 0, len(order) - 1)
        same = context.assembly.line[order[other]] == context.assembly.line[order]
        turn = np.abs(np.angle(np.exp(1j * (course[other] - course))))
        bent |= same & (turn > _STRAIGHT)
    lateral[order] = np.where(bent, np.nan, total)
    return lateral


WEAK_SIGNAL = Rule(
    "weak-signal",
    "Weak signal",
    "The current reading against the profile's limits.",
    "note under 5 mA, doubt under 2 mA",
    "common practice",
    "Improve the ground or connection of the transmitter, or move it nearer.",
)


@rule(WEAK_SIGNAL)
def weak_signal(context: RuleContext) -> Outcome:
    current = context.shots.current
    if not np.isfinite(current).any():
        return "no upload records the current"
    note, doubt = (context.profile("weak-signal", key) / 1000 for key in ("note", "doubt"))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero((current < note) & ~context.control)
    worse = current[rows] < doubt
    limit = np.where(worse, doubt, note)
    words = [
        f"{1000 * value:.1f} mA, less than {1000 * bound:g} mA"
        for value, bound in zip(current[rows], limit, strict=True)
    ]
    severity = np.where(worse, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    return outcome(WEAK_SIGNAL, rows, severity, current[rows], limit, "A", words)


SATURATED_SIGNAL = Rule(
    "saturated-signal",
    "Receiver saturated",
    "The signal strength against the receiver's upper end.",
    "doubt from 100 dB on",
    "common practice",
    "Lower the gain or the transmitter's power and log again.",
)


@rule(SATURATED_SIGNAL)
def saturated_signal(context: RuleContext) -> Outcome:
    signal = context.shots.signal
    if not np.isfinite(signal).any():
        return "no upload records the signal strength"
    limit = context.profile("saturated-signal", "limit")
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(signal >= limit)
    words = [f"signal {value:.0f} dB, at or over {limit:.0f} dB" for value in signal[rows]]
    return outcome(SATURATED_SIGNAL, rows, Severity.DOUBT, signal[rows], limit, "dB", words)


CURRENT_CHANGE = Rule(
    "current-change",
    "Current does not fit its neighbours",
    "The current reading against those before and after it on the same line and hook-up.",
    "note beyond a factor of 1.6, doubt beyond 2.5",
    "common practice: current along a line falls steadily, steps at branches and faults",
    "Look for a branch, a fault or a jump to another line here; log again.",
)


@rule(CURRENT_CHANGE)
def current_change(context: RuleContext) -> Outcome:
    change = context.along.log_current
    if not np.isfinite(change).any():
        return "no upload records currents of neighbouring shots"
    note, doubt = (np.log(context.profile("current-change", key)) for key in ("note", "doubt"))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero((np.abs(change) > note) & ~context.control)
    worse = np.abs(change[rows]) > doubt
    limit = np.exp(np.where(worse, doubt, note))
    factor = np.exp(np.abs(change[rows]))
    words = [
        f"{amount:.1f} times {'more' if sign > 0 else 'less'} than its neighbours lead to expect"
        for amount, sign in zip(factor, change[rows], strict=True)
    ]
    severity = np.where(worse, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    return outcome(CURRENT_CHANGE, rows, severity, factor, limit, "", words)


FREQUENCY_CHANGE = Rule(
    "frequency-change",
    "Frequency changed on a line",
    "The frequency of each shot against the one before on the same line, upload and hook-up.",
    "any change",
    "common practice",
    "Make sure that the transmitter and the receiver were on the same frequency.",
)


@rule(FREQUENCY_CHANGE)
def frequency_change(context: RuleContext) -> Outcome:
    frequency = context.shots.frequency
    if not np.isfinite(frequency).any():
        return "no upload records the frequency"
    near = sequences(context.assembly, context.shots.source, context.shots.hookup.codes)
    here, before = near.order[1:], near.order[:-1]
    same = near.first[1:] == near.first[:-1]
    with np.errstate(invalid="ignore"):
        changed = same & (np.abs(frequency[here] - frequency[before]) > 0.5)
    rows = np.sort(here[changed])
    words = [f"logged at {frequency[row]:.0f} Hz, its neighbour at another" for row in rows]
    return outcome(FREQUENCY_CHANGE, rows, Severity.NOTE, frequency[rows], unit="Hz", detail=words)


HOOKUP_CHANGE = Rule(
    "hookup-change",
    "Hook-up changed on a line",
    "The hook-up of each shot against the one before it in the log on the same line.",
    "any change",
    "common practice",
    "Nothing if it was meant; depth scales may differ between hook-ups.",
)


@rule(HOOKUP_CHANGE)
def hookup_change(context: RuleContext) -> Outcome:
    shots, assembly = context.shots, context.assembly
    if not len(shots.hookup.names):
        return "no upload records hook-ups"
    rows = np.flatnonzero(assembly.line >= 0)
    order = rows[np.lexsort((shots.row[rows], shots.time[rows], shots.source[rows]))]
    here, before = order[1:], order[:-1]
    changed = (
        (shots.source[here] == shots.source[before])
        & (assembly.line[here] == assembly.line[before])
        & (shots.hookup.codes[here] != shots.hookup.codes[before])
    )
    found = np.sort(here[changed])
    words = [f"hook-up {shots.hookup.word(int(row)) or 'not named'} from here on" for row in found]
    return outcome(HOOKUP_CHANGE, found, Severity.NOTE, detail=words)
