"""Depths to the top of a utility whose size nobody declared."""

from __future__ import annotations

import numpy as np

from asfound.budget.cover import covers
from asfound.budget.rules.context import Outcome, RuleContext, outcome, rule
from asfound.model import Rule, Severity

COVER_SIZE_MISSING = Rule(
    "cover-size-missing",
    "Depth to the top, but no size declared",
    "Whether the outside diameter is known of lines whose depths are declared to be to the top.",
    "must be there to bring a depth to the centre",
    "geometry: the centre lies half of the outside diameter below the top",
    "Declare the line's outside diameter under [[size]] in job.toml.",
)


@rule(COVER_SIZE_MISSING)
def cover_size_missing(context: RuleContext) -> Outcome:
    of_top = covers(context.shots, context.sources)
    if not of_top.any():
        return "no upload's depths are to the top"
    rows = np.flatnonzero(of_top & ~np.isfinite(context.budget.outside_diameter))
    words = ["taken as the depth to the centre, which lies deeper by half the diameter"] * len(rows)
    return outcome(COVER_SIZE_MISSING, rows, Severity.NOTE, detail=words)
