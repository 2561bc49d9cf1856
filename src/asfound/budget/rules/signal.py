"""Rules about the signal on the line and what it says of other conductors."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from asfound.budget.rules.alongline import TYPED
from asfound.budget.rules.context import Outcome, RuleContext, graded, nothing, outcome, rule
from asfound.budget.rules.runs import Runs
from asfound.budget.rules.stretches import (
    Quantity,
    Stretch,
    find_stretches,
    noise_of,
    take_apart,
    trimmed,
)
from asfound.model import Rule, Severity

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
    fixed = context.profile("errors", "pinpoint_fixed")
    relative = context.profile("errors", "pinpoint_relative")
    note, doubt = (np.sqrt(2) * context.profile("peak-null", key) for key in ("note", "doubt"))
    rows = np.flatnonzero(apart > note * fixed)
    depth = np.nan_to_num(context.shots.depth[rows], nan=1.0)
    single = np.hypot(fixed, relative * depth)
    over = apart[rows] > note * single
    rows, single = rows[over], single[over]
    value = apart[rows]
    return graded(
        PEAK_NULL,
        rows,
        value,
        value > doubt * single,
        (note * single, doubt * single),
        "m",
        lambda found, bound: (
            f"peak and null lie {found:.3f} m apart; pinpointing alone explains up to {bound:.3f} m"
        ),
    )


DISTORTED_FIELD = Rule(
    "distorted-field",
    "Field distorted by another conductor",
    "Whether the field (current over depth) steps aside at one place of the line and back at "
    "another, with the depth erring the same way or the line lying aside or peak and null apart "
    "between; without currents, whether depth and one of the others do.",
    "doubt where the field steps by 10 % and 4 standard deviations at both ends, the current "
    "reads 12 % off, and depth, place or peak/null distance are 3 standard deviations off, or the "
    "current 25 %",
    "physics of two conductors; see what-the-receiver-hides",
    "Take sweeps across this stretch, or try another hook-up or frequency; expose before digging.",
)


@rule(DISTORTED_FIELD)
def distorted_field(context: RuleContext) -> Outcome:
    shots = context.shots
    usable = ~context.control & (shots.depth > 0)
    # Single depths far off their neighbours would make two steps of their own.
    usable[context.depths.rows[context.depths.beyond(TYPED)]] = False
    if not usable.any():
        return "no upload records depths"
    lateral = _lateral(context)
    lateral[~context.steady] = np.nan
    measured = usable & (shots.current > 0)
    rows: list[np.ndarray] = []
    value: list[np.ndarray] = []
    words: list[str] = []
    for runs, with_current in (
        (context.signals.only(measured), True),
        (context.signals.only(usable & ~measured), False),
    ):
        for stretch in _distorted_stretches(context, runs, lateral, with_current):
            members = runs.order[stretch.first : stretch.last]
            rows.append(members)
            value.append(np.full(len(members), abs(np.expm1(stretch.size[_DEPTH]))))
            words += [_describe(stretch, len(members))] * len(members)
    if not rows:
        return nothing(DISTORTED_FIELD)
    index = np.concatenate(rows)
    by_row = np.argsort(index)
    return outcome(
        DISTORTED_FIELD,
        index[by_row],
        Severity.DOUBT,
        np.concatenate(value)[by_row],
        float("nan"),
        "",
        [words[k] for k in by_row],
    )


_DEPTH, _CURRENT, _ASIDE, _APART = 1, 2, 3, 4
"""Places of quantities in a stretch; the leading one, 0, is the field or, lacking that, depth."""


def _distorted_stretches(
    context: RuleContext, runs: Runs, lateral: np.ndarray, with_current: bool
) -> list[Stretch]:
    """Believable stretches of one kind of runs, none overlapping another."""
    if len(runs) < 9:
        return []
    shots, limit = context.shots, context.profile.tables["distorted-field"]
    order = runs.order
    depth = np.log(shots.depth[order])
    budget_sd = np.sqrt(np.maximum(context.budget.independent[order, 2, 2], 0.0))
    depth_sd = np.minimum(np.nan_to_num(budget_sd / shots.depth[order], nan=0.1), 0.3)
    depth_of = Quantity(depth, depth_sd, 0.02)
    plan = context.budget.independent
    plan_sd = np.sqrt(np.maximum(plan[order, 0, 0], plan[order, 1, 1]))
    pinpoint = np.hypot(
        context.profile("errors", "pinpoint_fixed"),
        context.profile("errors", "pinpoint_relative") * shots.depth[order],
    )
    aside = Quantity(lateral[order], plan_sd, 0.03)
    apart = Quantity(shots.peak_null_separation[order], pinpoint, 0.01)
    if not with_current:
        unknown = Quantity(np.full(len(order), np.nan), depth_sd, 0.0)
        quantities = [depth_of, depth_of, unknown, aside, apart]
        least, clear, convinces = limit["depth_step"], 2.5, _depth_convinces
    else:
        current = np.log(shots.current[order])
        # A receiver reckons the current from the field and the depth it reads.
        field = current - np.log(shots.depth[order] + context.profile("errors", "coil_height"))
        noise = noise_of(field, runs, limit["field_noise"])
        field_of = Quantity(field, noise, 0.02)
        current_of = Quantity(current, np.hypot(noise, depth_sd), 0.03)
        quantities = [field_of, depth_of, current_of, aside, apart]
        least, clear, convinces = limit["field_step"], limit["clear"], _field_convinces
    found = find_stretches(
        runs, quantities, least=least, clear=clear, longest=int(limit["longest"])
    )
    apart_from_others = take_apart([s for s in found if convinces(s, limit)], len(order))
    return trimmed(runs, apart_from_others, quantities)


def _field_convinces(stretch: Stretch, limit: Mapping[str, float]) -> bool:
    """Field and current off together, and something else that shows a second conductor."""
    size, score = stretch.size, stretch.score
    if abs(size[0]) < limit["field_step"] or abs(score[0]) < limit["clear"]:
        return False
    # A line that runs deeper weakens the field and leaves the current as it is.
    if size[0] * size[_CURRENT] <= 0 or abs(size[_CURRENT]) < limit["current_step"]:
        return False
    depth = score[_DEPTH] * np.sign(size[0])
    proof = max(depth, abs(score[_ASIDE]), score[_APART])
    sure = abs(size[_CURRENT]) >= limit["current_sure"]
    return stretch.steady >= 0.6 and (proof >= limit["proof"] or (sure and depth > 0))


def _depth_convinces(stretch: Stretch, limit: Mapping[str, float]) -> bool:
    """Depth off throughout, and the place or the distance of peak and null with it."""
    proof = max(abs(stretch.score[_ASIDE]), stretch.score[_APART])
    off = abs(stretch.score[0]) >= limit["clear"] and abs(stretch.size[0]) >= limit["depth_step"]
    return off and stretch.steady >= 0.7 and proof >= limit["proof"]


def _describe(stretch: Stretch, count: int) -> str:
    size, score = stretch.size, stretch.score
    parts = [f"depth reads {100 * np.expm1(size[_DEPTH]):+.0f} %"]
    if score[_CURRENT]:
        parts.append(f"the current {100 * np.expm1(size[_CURRENT]):+.0f} %")
    if score[_ASIDE]:
        parts.append(f"the line lies {abs(size[_ASIDE]):.2f} m aside")
    if score[_APART]:
        parts.append(f"peak and null lie {max(size[_APART], 0.0):.2f} m farther apart")
    listed = ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else parts[0]
    return f"on a stretch of {count} shots, against those before and after, {listed}"


_STRAIGHT = np.deg2rad(6.0)


def _lateral(context: RuleContext) -> np.ndarray:
    """(n,) metres moved to the left along each line where it runs straight, NaN at bends.

    On a straight a jump aside is a step of this; at a bend it would be taken for one.
    """
    lines = context.lines
    order = lines.order
    lateral = np.full(len(context.shots), np.nan)
    if len(order) < 2:
        return lateral
    east, north = context.ground.easting[order], context.ground.northing[order]
    course = np.nan_to_num(context.assembly.bearing[order])
    sine, cosine = np.sin(course), np.cos(course)
    # Along the mean of both ends' courses; its length (the cosine of half the turn) hardly counts.
    moved = 0.5 * (
        np.diff(north) * (sine[1:] + sine[:-1]) - np.diff(east) * (cosine[1:] + cosine[:-1])
    )
    total = np.concatenate([[0.0], np.cumsum(moved)])
    bent = np.zeros(len(order), bool)
    for reach in (3, 4):
        if len(order) <= reach:
            break
        straight = sine[reach:] * sine[:-reach] + cosine[reach:] * cosine[:-reach]
        turned = (straight < np.cos(_STRAIGHT)) & (lines.run[reach:] == lines.run[:-reach])
        bent[reach:] |= turned
        bent[:-reach] |= turned
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
    value = current[rows]
    return graded(
        WEAK_SIGNAL,
        rows,
        value,
        value < doubt,
        (note, doubt),
        "A",
        lambda read, bound: f"{1000 * read:.1f} mA, less than {1000 * bound:g} mA",
    )


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
    odd = context.currents
    if not odd.known:
        return "no upload records currents of neighbouring shots"
    note, doubt = (np.log(context.profile("current-change", key)) for key in ("note", "doubt"))
    shots = ~context.control[odd.rows]
    rows, change = odd.rows[shots], odd.change[shots]
    worse = np.abs(change) > doubt
    limit = np.exp(np.where(worse, doubt, note))
    factor, current = np.exp(np.abs(change)), context.shots.current[rows]
    words = [
        f"reads {1000 * read:.3g} mA where neighbours lead to expect {1000 * usual:.3g} mA"
        for read, usual in zip(current.tolist(), (current / np.exp(change)).tolist(), strict=True)
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
    runs = context.signals
    here, before = runs.order[1:], runs.order[:-1]
    same = runs.run[1:] == runs.run[:-1]
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
    order = context.log[assembly.line[context.log] >= 0]
    here, before = order[1:], order[:-1]
    changed = (
        (shots.source[here] == shots.source[before])
        & (assembly.line[here] == assembly.line[before])
        & (shots.hookup.codes[here] != shots.hookup.codes[before])
    )
    found = np.sort(here[changed])
    words = [f"hook-up {shots.hookup.word(int(row)) or 'not named'} from here on" for row in found]
    return outcome(HOOKUP_CHANGE, found, Severity.NOTE, detail=words)
