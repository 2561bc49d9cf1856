"""Rule about the current along a line: where it drops, and what that may mean."""

from __future__ import annotations

import numpy as np

from asfound.budget.ellipses import NORMAL_95
from asfound.budget.rules._current_kernels import worth_a_fit
from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.em import EventKind, current_along_lines
from asfound.model import Rule, Severity

CURRENT_EVENT = Rule(
    "current-event",
    "Current steps along the line",
    "The logarithm of the current along each line, upload and hook-up, cut into straight pieces "
    "by penalised likelihood; shots of other findings left out.",
    "note where a step is surer than 95 %",
    "physics of a lossy line; Bayes information criterion",
    "A branch or a fault lies near here, or the receiver changed to another line: look for it.",
)


@rule(CURRENT_EVENT)
def current_event(context: RuleContext) -> Outcome:
    shots, station, signals = context.shots, context.assembly.station, context.signals
    kept, starts = np.empty(len(signals), np.int64), np.empty(signals.count + 1, np.int64)
    count, usable = worth_a_fit(signals.order, signals.starts, station, shots.current, kept, starts)
    if not usable:
        return "no upload records currents along a line"
    if not count:
        return nothing(CURRENT_EVENT)
    starts = starts[: count + 1]
    kept = kept[: starts[-1]]
    fit = current_along_lines(
        station[kept],
        shots.current[kept],
        np.repeat(np.arange(count), np.diff(starts)),
        noise=context.profile("current-event", "noise"),
    )
    events = fit.events
    sure = np.flatnonzero(events.confidence > context.profile("current-event", "confidence"))
    found: dict[int, tuple[float, str]] = {}
    for line, place, place_sd, ratio, confidence, kind in zip(
        *(
            column[sure].tolist()
            for column in (
                events.line,
                events.station,
                events.station_sd,
                events.ratio,
                events.confidence,
                events.kind,
            )
        ),
        strict=True,
    ):
        mine = kept[starts[line] : starts[line + 1]]
        shot = int(mine[np.abs(station[mine] - place).argmin()])
        words = (
            f"current changes to {100 * ratio:.0f} % within {NORMAL_95 * place_sd:.1f} m of here: "
            f"{_MEANING[kind]} ({_sure(confidence)} of the step)"
        )
        found[shot] = (ratio, words)
    index = sorted(found)
    return outcome(
        CURRENT_EVENT,
        np.array(index, np.int64),
        Severity.NOTE,
        np.array([found[shot][0] for shot in index]),
        float("nan"),
        "",
        [found[shot][1] for shot in index],
    )


def _sure(confidence: float) -> str:
    """``'97 % sure'``; never wholly."""
    return f"{100 * confidence:.0f} % sure" if confidence < 0.99 else "more than 99 % sure"


_MEANING = {
    EventKind.UNCLEAR: "a branch, a fault or another line",
    EventKind.BRANCH: "probably a branch",
    EventKind.FAULT: "probably a fault of the coating",
    EventKind.SWAP: "another line is followed from here on, or another conductor adds its field",
}
