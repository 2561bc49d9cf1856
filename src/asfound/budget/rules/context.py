"""What rules look at, how a rule is declared, and how they are run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from asfound.budget.profile import Profile
from asfound.budget.rules.alongline import (
    ASIDE,
    LEAST_ASIDE,
    TYPED,
    OddCurrents,
    OddDepths,
    OddPlaces,
    find_odd_currents,
    find_odd_depths,
    find_odd_places,
)
from asfound.budget.rules.beside import Strays, find_strays
from asfound.budget.rules.logged import Logged, survey
from asfound.budget.rules.runs import Runs, along_lines, by_signal, in_the_log
from asfound.model import (
    Assembly,
    Budget,
    ExposureComparison,
    Findings,
    Fix,
    Ground,
    JobSettings,
    MixUpReport,
    Rule,
    RuleOutcome,
    Severity,
    Shots,
    Source,
    SweepCorrection,
)

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class RuleContext:
    """All that rules may look at. `profile` gives thresholds by rule id and key; `misread` says of
    uploads whose control does not close what that looks like. `compared` and `unplaced` are of
    exposures, which can only be held against lines once there are some: see `with_exposures`."""

    shots: Shots
    ground: Ground
    budget: Budget
    assembly: Assembly
    sources: Sequence[Source]
    settings: JobSettings
    profile: Profile
    corrections: Sequence[SweepCorrection] = ()
    misread: Sequence[MixUpReport] = ()
    compared: Sequence[ExposureComparison] = ()
    unplaced: Sequence[str] = ()

    @cached_property
    def depths(self) -> OddDepths:
        """Depths off what their neighbours lead one to expect, as far as any rule asks."""
        scores = min(
            self.profile("depth-typing", "off"), self.profile("depth-neighbours", "doubt"), TYPED
        )
        return find_odd_depths(
            self.shots, self.ground, self.budget, self.assembly, self.lines, scores
        )

    @cached_property
    def places(self) -> OddPlaces:
        """Places aside of where their neighbours lead one to expect them."""
        scores = min(self.profile("position-outlier", "doubt"), ASIDE)
        least = min(self.profile("position-outlier", "least"), LEAST_ASIDE)
        return find_odd_places(self.ground, self.budget, self.lines, self.steady, scores, least)

    @cached_property
    def currents(self) -> OddCurrents:
        """Currents off what their neighbours lead one to expect."""
        factor = self.profile("current-change", "note")
        return find_odd_currents(self.shots, self.assembly, self.signals, factor)

    @cached_property
    def strays(self) -> Strays:
        """Shots on no line."""
        far = self.profile("position-outlier", "stray")
        return find_strays(self.shots, self.ground, self.assembly, self.control, self.log, far)

    @cached_property
    def lines(self) -> Runs:
        """Every line's shots in order along it."""
        return along_lines(self.assembly)

    @cached_property
    def signals(self) -> Runs:
        """The same, split by upload and hook-up."""
        return by_signal(self.lines, self.shots)

    @cached_property
    def log(self) -> npt.NDArray[np.int64]:
        """(n,) int64: shots by upload, receiver, time and row."""
        return in_the_log(self.shots)

    @cached_property
    def logged(self) -> Logged:
        """What every upload's log holds."""
        return survey(self.shots, len(self.sources))

    @cached_property
    def steady(self) -> Flags:
        """(n,) bool: positions good to centimetres, as far as is known."""
        fix = self.shots.fix
        return np.asarray((fix == Fix.RTK_FIXED) | (fix == Fix.NOT_RECORDED))

    @cached_property
    def control(self) -> Flags:
        """(n,) bool: rows that are control checks."""
        return np.asarray(self.shots.control.codes >= 0)


Outcome = RuleOutcome | str
"""What a rule returns: its findings, or in words why it had nothing to work on."""

_REGISTRY: list[tuple[Rule, Callable[[RuleContext], Outcome]]] = []


def rule(card: Rule) -> Callable[[Callable[[RuleContext], Outcome]], Callable[..., Outcome]]:
    """Register a function as the rule of a card."""

    def register(function: Callable[[RuleContext], Outcome]) -> Callable[..., Outcome]:
        _REGISTRY.append((card, function))
        return function

    return register


def registered() -> tuple[tuple[Rule, Callable[[RuleContext], Outcome]], ...]:
    """All rules in the order of their registration."""
    return tuple(_REGISTRY)


def outcome(
    card: Rule,
    index: npt.NDArray[np.integer] | Flags,
    severity: Severity | npt.NDArray[np.int8],
    value: Floats | float = float("nan"),
    limit: Floats | float = float("nan"),
    unit: str = "",
    detail: Sequence[str] = (),
) -> RuleOutcome:
    """Findings of one rule; scalars are spread, masks become indices.

    `value`, `limit` and `severity` may cover all subjects when `index` is a mask.
    """
    if index.dtype == np.bool_:
        picked = np.flatnonzero(index)
        total = len(index)
    else:
        picked, total = index.astype(np.int64), -1

    def spread(part: npt.NDArray[np.generic] | float, kind: str) -> npt.NDArray[np.generic]:
        array = np.asarray(part)
        if array.ndim and len(array) == total and total != len(picked):
            array = array[picked]
        return np.broadcast_to(array.astype(kind), (len(picked),)).copy()

    return RuleOutcome(
        card,
        picked,
        spread(np.asarray(severity), "int8").astype(np.int8),
        spread(value, "float64").astype(np.float64),
        spread(limit, "float64").astype(np.float64),
        unit,
        tuple(detail),
    )


def graded(
    card: Rule,
    rows: npt.NDArray[np.integer],
    value: Floats,
    worse: Flags,
    limits: tuple[Floats | float, Floats | float],
    unit: str,
    say: Callable[[float, float], str],
) -> RuleOutcome:
    """Findings with two limits: notes beyond the first, doubts beyond the second.

    Parameters
    ----------
    rows : (k,) integers
        Subjects beyond the first limit.
    value : (k,) float64
    worse : (k,) bool
        Beyond the second limit.
    limits : (note, doubt)
        Each () or (k,).
    say : callable
        Sentence for a value and the limit it is beyond.
    """
    limit = np.where(worse, limits[1], limits[0])
    words = list(map(say, value.tolist(), limit.tolist()))
    severity = np.where(worse, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    return outcome(card, rows, severity, value, limit, unit, words)


def nothing(card: Rule) -> RuleOutcome:
    """No findings of a rule that had data to work on."""
    return outcome(card, np.empty(0, np.int64), Severity.NOTE)


def run(context: RuleContext) -> Findings:
    """Run every rule, then drop findings that only follow from another's cause.

    Precedence: a shot whose position is a float solution's or a leaning pole's is not also called
    a position or height outlier; a mistyped depth, or one that a second conductor falsifies, is
    not also called out of line with its neighbours, nor the current there; a shot with another
    line's utility code is not also called an outlier of the line it was wrongly put on. Notes
    explain nothing away, and nothing explains away what is graver than itself.
    """
    outcomes, not_run = [], []
    for card, function in _REGISTRY:
        result = function(context)
        if isinstance(result, str):
            not_run.append((card, result))
        else:
            outcomes.append(result)
    return Findings(tuple(_explained_away(outcomes)), tuple(not_run))


_EXPLAINED_BY: dict[str, tuple[str, ...]] = {
    "depth-neighbours": ("depth-typing", "utility-mismatch", "distorted-field", "depth-range"),
    "depth-range": ("depth-typing",),
    "top-above-ground": ("depth-typing", "utility-mismatch", "distorted-field"),
    "position-outlier": ("utility-mismatch", "fix-kind", "tilt"),
    "on-no-line": ("utility-mismatch",),
    "current-change": ("utility-mismatch", "distorted-field"),
    "hookup-change": ("utility-mismatch",),
    "frequency-change": ("utility-mismatch",),
    "antenna-height-jump": ("fix-kind",),
    "distorted-field": ("utility-mismatch",),
    "spacing": ("utility-mismatch",),
}


def _explained_away(outcomes: Sequence[RuleOutcome]) -> list[RuleOutcome]:
    by_id = {item.rule.id: item for item in outcomes}
    kept = []
    for item in outcomes:
        causes = [
            by_id[name]
            for name in _EXPLAINED_BY.get(item.rule.id, ())
            if name in by_id and by_id[name].rule.subject == item.rule.subject
        ]
        if causes and len(item.index):
            last = max(int(o.index.max(initial=0)) for o in (item, *causes))
            graver = np.full(1 + last, -1, np.int8)
            for cause in causes:
                np.maximum.at(graver, cause.index, cause.severity)
            graver = graver[item.index]
            keep = (graver <= Severity.NOTE) | (item.severity > graver)
            if not keep.all():
                item = RuleOutcome(
                    item.rule,
                    item.index[keep],
                    item.severity[keep],
                    item.value[keep],
                    item.limit[keep],
                    item.unit,
                    tuple(np.array(item.detail, object)[keep]) if item.detail else (),
                )
        kept.append(item)
    return kept
