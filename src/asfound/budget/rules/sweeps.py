"""Rule about shots beside a sweep."""

from __future__ import annotations

import numpy as np

from asfound.budget.rules.context import Outcome, RuleContext, outcome, rule
from asfound.model import Rule, Severity

SWEEP_CONTRADICTS = Rule(
    "sweep-contradicts",
    "A sweep puts the line elsewhere",
    "Place across the line and depth of a shot against what a sweep close to it found.",
    "note beyond 3 standard deviations of both",
    "physics of several conductors; the sweep's values are used",
    "Nothing if the sweep is right; where the line matters, expose it.",
)


@rule(SWEEP_CONTRADICTS)
def sweep_contradicts(context: RuleContext) -> Outcome:
    if not context.corrections:
        return "no shot lies beside a usable sweep"
    found = [item for item in context.corrections if item.significant]
    words = [
        f"depth {item.depth_before:.2f} m as read, {item.depth:.2f} m by sweep; line "
        f"{abs(item.shift_left):.2f} m to the {'left' if item.shift_left > 0 else 'right'} of "
        f"the shot ({item.reason})"
        for item in found
    ]
    return outcome(
        SWEEP_CONTRADICTS,
        np.array([item.shot for item in found], np.int64),
        Severity.NOTE,
        np.array([abs(item.depth - item.depth_before) for item in found]),
        float("nan"),
        "m",
        words,
    )
