"""Rules about the signal on the line and what it says of other conductors."""

from __future__ import annotations

import numpy as np

from asfound.budget.rules._log_kernels import changes_along, hookup_changes
from asfound.budget.rules._stretch_kernels import APART, ASIDE, CURRENT, DEPTH
from asfound.budget.rules.alongline import TYPED
from asfound.budget.rules.context import Outcome, RuleContext, graded, nothing, outcome, rule
from asfound.budget.rules.stretches import Stretch, Surveyed, find_stretches
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
    job = Surveyed(
        shots,
        context.ground,
        context.budget,
        context.assembly,
        context.profile,
        context.lines,
        context.signals,
        context.steady,
    )
    measured = usable & (shots.current > 0)
    found = list(find_stretches(job, measured, with_current=True))
    if not measured.all():
        found += find_stretches(job, usable & ~measured, with_current=False)
    if not found:
        return nothing(DISTORTED_FIELD)
    counts = [len(stretch.rows) for stretch in found]
    index = np.concatenate([stretch.rows for stretch in found])
    value = np.repeat([abs(np.expm1(stretch.size[DEPTH])) for stretch in found], counts)
    words = np.repeat([_describe(stretch) for stretch in found], counts).tolist()
    by_row = np.argsort(index)
    return outcome(
        DISTORTED_FIELD,
        index[by_row],
        Severity.DOUBT,
        value[by_row],
        float("nan"),
        "",
        [words[k] for k in by_row.tolist()],
    )


def _describe(stretch: Stretch) -> str:
    size, score = stretch.size, stretch.score
    parts = [f"depth reads {100 * np.expm1(size[DEPTH]):+.0f} %"]
    if score[CURRENT]:
        parts.append(f"the current {100 * np.expm1(size[CURRENT]):+.0f} %")
    if score[ASIDE]:
        parts.append(f"the line lies {abs(size[ASIDE]):.2f} m aside")
    if score[APART]:
        parts.append(f"peak and null lie {max(size[APART], 0.0):.2f} m farther apart")
    listed = ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else parts[0]
    return f"on a stretch of {len(stretch.rows)} shots, against those before and after, {listed}"


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
    rows = np.empty(len(runs), np.int64)
    rows = np.sort(rows[: changes_along(runs.order, runs.starts, frequency, 0.5, rows)])
    words = [
        f"logged at {frequency[row]:.0f} Hz, its neighbour at another" for row in rows.tolist()
    ]
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
    rows = np.empty(len(shots), np.int64)
    count = hookup_changes(context.log, assembly.line, shots.source, shots.hookup.codes, rows)
    found = np.sort(rows[:count])
    words = [f"hook-up {shots.hookup.word(int(row)) or 'not named'} from here on" for row in found]
    return outcome(HOOKUP_CHANGE, found, Severity.NOTE, detail=words)
