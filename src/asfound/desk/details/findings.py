"""Findings with what they are about and what to do."""

from __future__ import annotations

import numpy as np

from asfound.deliver.finding_columns import detail_text
from asfound.desk.desk_words import in_desk_words
from asfound.desk.details._json import Json
from asfound.model import (
    Finding,
    Results,
    Severity,
)
from asfound.units import METRE


def findings_list(results: Results) -> list[Json]:
    """All findings, the gravest first, with what they are about and what to do."""
    place = {id(o.rule): k for k, o in enumerate(results.findings.outcomes)}
    ordered = sorted(results.findings, key=lambda f: (-int(f.severity), place[id(f.rule)], f.index))
    return [_finding(results, finding) for finding in ordered]


def findings_about(results: Results, subject: str, index: int) -> list[Json]:
    """Findings about one shot, line or upload (by index)."""
    found = []
    for outcome in results.findings.outcomes:
        if outcome.rule.subject != subject:
            continue
        for k in np.flatnonzero(outcome.index == index).tolist():
            finding = Finding(
                outcome.rule,
                index,
                Severity(int(outcome.severity[k])),
                float(outcome.value[k]),
                float(outcome.limit[k]),
                outcome.unit,
                outcome.detail[k] if outcome.detail else "",
            )
            found.append(_finding(results, finding))
    return found


def _finding(results: Results, finding: Finding) -> Json:
    rule = finding.rule
    subject = {
        "shot": lambda: results.shot_name(finding.index),
        "line": lambda: results.assembly.names[finding.index],
        "source": lambda: results.intake.sources[finding.index].tag,
    }.get(rule.subject, lambda: "")()
    return {
        "rule": rule.id,
        "title": rule.title,
        "severity": Severity(int(finding.severity)).word,
        "about": rule.subject,
        "subject": subject,
        "index": finding.index,
        "detail": in_desk_words(detail_text(finding, METRE)),
        "checks": rule.checks,
        "threshold": rule.threshold,
        "basis": rule.basis,
        "remedy": in_desk_words(rule.remedy),
    }
