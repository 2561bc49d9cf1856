"""Findings: what rules say of shots, lines, uploads and the job."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model.vocabulary import Severity

SUBJECTS = ("shot", "line", "source", "job")


@dataclass(frozen=True)
class Rule:
    """A rule's card: what it checks and on what authority (the function lives in `budget`).

    Parameters
    ----------
    id : str
        Stable, lower case with dashes: ``'fix-kind'``.
    title : str
        What is wrong, as a technician would say it.
    checks : str
        One sentence: what it compares.
    threshold : str
        In words, with the default value and unit.
    basis : str
        Source, or "common practice".
    remedy : str
        What to do.
    subject : str
        One of `SUBJECTS`.
    """

    id: str
    title: str
    checks: str
    threshold: str
    basis: str
    remedy: str
    subject: str = "shot"


@dataclass(frozen=True, eq=False)
class RuleOutcome:
    """All findings of one rule.

    Parameters
    ----------
    rule : Rule
    index : (k,) int64
        Subjects: shot, line or source index; 0 for the job.
    severity : (k,) int8
        `Severity` codes.
    value, limit : (k,) float64
        Measured and allowed; NaN where a rule has none.
    unit : str
        Of both: ``'m'``, ``'rad'``, ``'s'``, ``'A'``, ``''`` ...
    detail : tuple of str
        k sentences with the numbers, or empty: then made from value and limit.
    """

    rule: Rule
    index: npt.NDArray[np.int64]
    severity: npt.NDArray[np.int8]
    value: npt.NDArray[np.float64]
    limit: npt.NDArray[np.float64]
    unit: str = ""
    detail: tuple[str, ...] = ()


@dataclass(frozen=True)
class Finding:
    """One finding, for people."""

    rule: Rule
    index: int
    severity: Severity
    value: float
    limit: float
    unit: str
    detail: str


@dataclass(frozen=True, eq=False)
class Findings:
    """All findings of a run; `not_run` says which rules had no data to work on, and why."""

    outcomes: tuple[RuleOutcome, ...]
    not_run: tuple[tuple[Rule, str], ...] = ()

    def __len__(self) -> int:
        return sum(len(outcome.index) for outcome in self.outcomes)

    def __iter__(self) -> Iterator[Finding]:
        for outcome in self.outcomes:
            for k in range(len(outcome.index)):
                yield Finding(
                    outcome.rule,
                    int(outcome.index[k]),
                    Severity(int(outcome.severity[k])),
                    float(outcome.value[k]),
                    float(outcome.limit[k]),
                    outcome.unit,
                    outcome.detail[k] if outcome.detail else "",
                )

    def about(self, subject: str, index: int) -> tuple[Finding, ...]:
        """Findings about one shot, line or source (by index), or the job (index 0)."""
        return tuple(f for f in self if f.rule.subject == subject and f.index == index)

    def worst(self, subject: str, count: int) -> npt.NDArray[np.int8]:
        """(count,) int8: the gravest `Severity` found of each subject, -1 where none."""
        worst = np.full(count, -1, np.int8)
        for outcome in self.outcomes:
            if outcome.rule.subject == subject:
                np.maximum.at(worst, outcome.index, outcome.severity)
        return worst
