"""Rules about lines that were exposed.

They need the fitted lines, so they run after all others: `with_exposures`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.model import ExposureComparison, Findings, Rule, RuleOutcome, Severity

EXPOSURE_CONTRADICTS = Rule(
    "exposure-contradicts",
    "Line is not where it was exposed",
    "What an exposure found, across the line and in height, against the line as located and its "
    "uncertainty, both errors together.",
    "doubt where so large a difference has a probability below 1 %",
    "chi-squared test with two degrees of freedom; the limit is common practice",
    "Locate the line again there with another frequency or hook-up, and expose it once more: the "
    "hole may have shown another line, or the locate was distorted.",
    "line",
)
EXPOSURE_UNPLACED = Rule(
    "exposure-unplaced",
    "Exposure could not be used",
    "Whether each exposure can be put on the line that it names.",
    "doubt where there is no such line, more than one, or it lies more than 25 m away",
    "common practice",
    "Correct the line's name, the place or the depth of the exposure; until then nothing is "
    "learnt from it.",
    "job",
)
NONE_COMPARED = "no exposures"


@rule(EXPOSURE_CONTRADICTS)
def exposure_contradicts(context: RuleContext) -> Outcome:
    return _contradicting(context.compared, len(context.assembly.names))


@rule(EXPOSURE_UNPLACED)
def exposure_unplaced(context: RuleContext) -> Outcome:
    return _unplaced(context.compared, context.unplaced)


def with_exposures(
    findings: Findings,
    compared: Sequence[ExposureComparison],
    unplaced: Sequence[str],
    lines: int,
) -> Findings:
    """Findings with those of exposures, once they have been held against the lines.

    Parameters
    ----------
    findings : Findings
        Of all other rules.
    compared : sequence of ExposureComparison
    unplaced : sequence of str
        Of each exposure that is on no line: which one, and why.
    lines : int
        How many located lines there are; lines from records come after them.
    """
    results: list[tuple[Rule, Outcome]] = [
        (EXPOSURE_CONTRADICTS, _contradicting(compared, lines)),
        (EXPOSURE_UNPLACED, _unplaced(compared, unplaced)),
    ]
    ran = {card.id: result for card, result in results if not isinstance(result, str)}
    return replace(
        findings,
        outcomes=(
            *(item for item in findings.outcomes if item.rule.id not in ran),
            *(result for result in ran.values() if isinstance(result, RuleOutcome)),
        ),
        not_run=tuple(item for item in findings.not_run if item[0].id not in ran),
    )


def _contradicting(compared: Sequence[ExposureComparison], lines: int) -> Outcome:
    if not compared:
        return NONE_COMPARED
    found = [item for item in compared if item.contradicted and item.line_index < lines]
    return outcome(
        EXPOSURE_CONTRADICTS,
        np.array([item.line_index for item in found], np.int64),
        Severity.DOUBT,
        np.array([float(np.hypot(item.left, item.up)) for item in found]),
        np.array([_bound(item) for item in found]),
        "m",
        [
            f"exposure {item.exposure.name} at station {item.station:.2f} m found it "
            f"{abs(item.left):.2f} m to the {'left' if item.left > 0 else 'right'} and "
            f"{abs(item.up):.2f} m {'higher' if item.up > 0 else 'lower'} than located; so large "
            f"a difference has a probability of {100 * item.p_value:.2g} %"
            for item in found
        ],
    )


def _bound(item: ExposureComparison) -> float:
    """How far apart they may be in that direction before they contradict each other [m]."""
    # A probability of 1 % of chi-squared with two degrees of freedom: -2 ln 0.01.
    size = float(np.hypot(item.left, item.up))
    return size * float(np.sqrt(-2.0 * np.log(0.01) / item.distance_squared))


def _unplaced(compared: Sequence[ExposureComparison], unplaced: Sequence[str]) -> Outcome:
    if not compared and not unplaced:
        return NONE_COMPARED
    if not unplaced:
        return nothing(EXPOSURE_UNPLACED)
    return outcome(
        EXPOSURE_UNPLACED,
        np.zeros(len(unplaced), np.int64),
        Severity.DOUBT,
        detail=list(unplaced),
    )
