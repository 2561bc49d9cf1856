"""The report's long lists: shots, findings, rows. Cut where paper ends, and said so."""

from __future__ import annotations

from typing import Any

import numpy as np

from asfound.deliver.columns import cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.finding_columns import detail_text, subject_name
from asfound.deliver.report.facts import clean
from asfound.deliver.tables import SHOTS
from asfound.model import Finding, Severity, Verdict
from asfound.units import lengths_in

MOST_SHOTS = 1500
MOST_SUBJECTS = 60
MOST_REPORTS = 200

_COLUMNS = (
    "shot",
    "line",
    "station",
    "easting",
    "northing",
    "ground_height",
    "depth",
    "centre_height",
    "horizontal_95",
    "vertical_95",
    "fix",
    "time",
    "verdict",
    "findings",
)
_FIX = _COLUMNS.index("fix")
_DECIMALS = {"station": 2, "depth": 2}


def shots_table(delivery: Delivery) -> dict[str, Any]:
    """Every shot; of a huge job only those that are not sound, and a pointer to the CSV."""
    table = cells(delivery, SHOTS)
    about = delivery.about
    rows = np.arange(len(table))
    note = ""
    if len(rows) > MOST_SHOTS:
        rows = np.flatnonzero(delivery.results.verdict != Verdict.SOUND)[:MOST_SHOTS]
        note = (
            f"This job has {len(table):,} shots. Printed are the first {len(rows):,} that are "
            "doubtful or unfit; every shot stands in shots.csv, with more columns."
        )
    columns = [
        (c, table.column(c.name))
        for name in _COLUMNS
        for c in table.table.columns
        if c.name == name
    ]
    body = []
    for k in rows.tolist():
        row = []
        for column, values in columns:
            value = values[k]
            if value is None:
                row.append("\u2013")
            elif column.kind == "number":
                row.append(f"{float(value):.{_DECIMALS.get(column.name, column.decimals)}f}")
            elif column.kind == "time":
                row.append(str(value)[5:16].replace("T", " "))
            else:
                row.append(clean(value))
        row[_FIX] = row[_FIX].replace("rtk", "RTK")
        body.append(row)
    heads = [[_SHORT.get(c.name, c.heading), c.unit(about)] for c, _ in columns]
    return {"heads": heads, "rows": body, "note": note}


_SHORT = {
    "ground_height": "Ground",
    "centre_height": "Centre",
    "horizontal_95": "H 95 %",
    "vertical_95": "V 95 %",
    "time": "UTC",
}


def findings_list(delivery: Delivery) -> list[dict[str, Any]]:
    """Findings grouped by rule, gravest rule first."""
    groups = []
    for place, outcome in enumerate(delivery.results.findings.outcomes):
        if not len(outcome.index):
            continue
        rule = outcome.rule
        order = np.argsort(-outcome.severity, kind="stable")
        subjects = []
        for k in order[:MOST_SUBJECTS].tolist():
            finding = Finding(
                rule,
                int(outcome.index[k]),
                Severity(int(outcome.severity[k])),
                float(outcome.value[k]),
                float(outcome.limit[k]),
                outcome.unit,
                outcome.detail[k] if outcome.detail else "",
            )
            subjects.append(
                [
                    _KIND.get(rule.subject, "")
                    + clean(subject_name(delivery, rule, finding.index)),
                    finding.severity.word,
                    clean(detail_text(finding, delivery.about.unit)),
                ]
            )
        subjects = _gathered(subjects)
        groups.append(
            {
                "order": (-int(outcome.severity.max()), place),
                "id": rule.id,
                "title": clean(rule.title),
                "severity": Severity(int(outcome.severity.max())).word,
                "count": len(outcome.index),
                "fails": int(np.count_nonzero(outcome.severity == Severity.FAIL)),
                "checks": clean(lengths_in(rule.checks, delivery.about.unit)),
                "threshold": clean(lengths_in(rule.threshold, delivery.about.unit)).rstrip("."),
                "basis": clean(rule.basis).rstrip("."),
                "remedy": clean(rule.remedy),
                "subjects": subjects,
                "more": max(0, len(outcome.index) - MOST_SUBJECTS),
            }
        )
    groups.sort(key=lambda group: group["order"])  # type: ignore[arg-type, return-value]
    return groups


def _gathered(subjects: list[list[str]]) -> list[list[str]]:
    """Subjects of which the same is said, in one row."""
    rows: dict[tuple[str, str], list[str]] = {}
    for name, severity, detail in subjects:
        rows.setdefault((severity, detail), []).append(name)
    return [[", ".join(names), severity, detail] for (severity, detail), names in rows.items()]


_KIND = {"line": "line ", "source": "upload "}


def rules_not_run(delivery: Delivery) -> list[list[str]]:
    """Rules that had nothing to work on, and why."""
    return [
        [rule.id, clean(rule.title), clean(why)] for rule, why in delivery.results.findings.not_run
    ]


def row_reports(delivery: Delivery) -> dict[str, Any]:
    """Rows that did not become shots, or did with a remark."""
    reports = delivery.results.intake.reports
    tags = {source.file: source.tag for source in delivery.results.intake.sources}
    rows = [
        [
            tags.get(report.file) or clean(report.file),
            str(report.line_number),
            "kept" if report.accepted else "not used",
            clean(f"{report.field}: {report.value}" if report.field else report.value),
            clean(report.reason),
            clean(report.remedy),
        ]
        for report in reports[:MOST_REPORTS]
    ]
    return {"rows": rows, "more": max(0, len(reports) - MOST_REPORTS)}


def decisions(delivery: Delivery) -> list[list[str]]:
    """What people decided: kind, who and when, outcome, reason."""
    return [
        [
            f"{item.decision.kind} {item.decision.value_words}".strip(),
            f"{item.decision.who}, {item.decision.when:%Y-%m-%d %H:%M}",
            item.words if item.done else f"not carried out: {item.words}",
            item.decision.why,
        ]
        for item in delivery.results.decided
    ]
