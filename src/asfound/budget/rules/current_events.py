"""Rule about the current along a line: where it drops, and what that may mean."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.budget.ellipses import NORMAL_95
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

_SIDE = 5


@rule(CURRENT_EVENT)
def current_event(context: RuleContext) -> Outcome:
    shots, assembly = context.shots, context.assembly
    usable = (shots.current > 0) & np.isfinite(shots.current) & np.isfinite(assembly.station)
    runs = context.signals.only(usable)
    order, group = runs.order, runs.run
    if not len(order):
        return "no upload records currents along a line"
    worth = _worth_a_fit(np.log(shots.current[order]), group)[group]
    kept, group = order[worth], group[worth]
    if not len(kept):
        return nothing(CURRENT_EVENT)
    fit = current_along_lines(
        assembly.station[kept],
        shots.current[kept],
        group,
        noise=context.profile("current-event", "noise"),
    )
    events = fit.events
    sure = np.flatnonzero(events.confidence > context.profile("current-event", "confidence"))
    found: dict[int, tuple[float, str]] = {}
    for k in sure.tolist():
        first, last = np.searchsorted(group, (events.line[k], events.line[k] + 1))
        mine = kept[first:last]
        shot = int(mine[np.argmin(np.abs(assembly.station[mine] - events.station[k]))])
        kind = EventKind(int(events.kind[k]))
        words = (
            f"current changes to {100 * events.ratio[k]:.0f} % within "
            f"{NORMAL_95 * events.station_sd[k]:.1f} m of here: {_MEANING[kind]} "
            f"({_sure(float(events.confidence[k]))} of the step)"
        )
        found[shot] = (float(events.ratio[k]), words)
    index = np.array(sorted(found), np.int64)
    return outcome(
        CURRENT_EVENT,
        index,
        Severity.NOTE,
        np.array([found[int(k)][0] for k in index]),
        float("nan"),
        "",
        [found[int(k)][1] for k in index],
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


def _worth_a_fit(
    log_current: npt.NDArray[np.float64], group: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """(groups,) whether the means of five shots on either side ever differ by a tenth.

    A cheap look that spares most lines the exact fit.
    """
    count = int(group[-1]) + 1
    worth = np.zeros(count, bool)
    if len(group) < 2 * _SIDE:
        return worth
    total = np.concatenate([[0.0], np.cumsum(log_current)])
    mean = (total[_SIDE:] - total[:-_SIDE]) / _SIDE
    step = np.abs(mean[_SIDE:] - mean[:-_SIDE])
    same = group[2 * _SIDE - 1 :] == group[: len(step)]
    worth[group[: len(step)][same & (step > 0.12)]] = True
    return worth
