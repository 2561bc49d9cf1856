"""The tables of findings and of rows that need a look."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from asfound.deliver.columns import Table, Value, integer, number, text
from asfound.deliver.delivery import Delivery
from asfound.model import Finding, Rule
from asfound.units import LengthUnit, lengths_in


@dataclass(frozen=True)
class Quantity:
    """A finding's value or limit in the unit people read."""

    value: float
    unit: str
    decimals: int


def for_people(value: float, unit: str, length: LengthUnit) -> Quantity:
    """A finding's SI value in the job's length unit, degrees, or unchanged."""
    if unit == "m":
        return Quantity(value / length.metres, length.symbol, 3)
    if unit == "m/s":
        return Quantity(value / length.metres, f"{length.symbol}/s", 2)
    if unit == "rad":
        return Quantity(float(np.degrees(value)), "deg", 1)
    if unit == "A" and abs(value) < 1.0:
        return Quantity(value * 1e3, "mA", 1)
    return Quantity(value, unit, 3)


def plain_number(value: float, decimals: int) -> str:
    """``'0.125'``, ``'12'``: no needless zeros."""
    word = f"{value:.{decimals}f}"
    word = word.rstrip("0").rstrip(".") if "." in word else word
    return "0" if word == "-0" else word


def quantity_text(value: float, unit: str, length: LengthUnit) -> str:
    """``'0.125 m'``; empty if the value is not finite."""
    if not np.isfinite(value):
        return ""
    shown = for_people(value, unit, length)
    return f"{plain_number(shown.value, shown.decimals)} {shown.unit}".strip()


def detail_text(finding: Finding, length: LengthUnit) -> str:
    """The finding's own sentence, or one made from its value and limit."""
    if finding.detail:
        return lengths_in(finding.detail, length)
    value = quantity_text(finding.value, finding.unit, length)
    limit = quantity_text(finding.limit, finding.unit, length)
    if value and limit:
        return f"{value}, limit {limit}"
    return value or (f"limit {limit}" if limit else "")


def subject_name(delivery: Delivery, rule: Rule, index: int) -> str:
    """What a finding is about: a shot's or line's name, an upload, or the job."""
    if rule.subject == "shot":
        return delivery.shot_names[index]
    if rule.subject == "line":
        return delivery.results.assembly.names[index]
    if rule.subject == "source":
        return delivery.results.intake.sources[index].tag
    return "job"


def sorted_findings(delivery: Delivery) -> list[Finding]:
    """All findings, gravest first, then by rule in the order run, then by subject."""
    findings = list(delivery.results.findings)
    place = {id(o.rule): k for k, o in enumerate(delivery.results.findings.outcomes)}
    return sorted(findings, key=lambda f: (-int(f.severity), place[id(f.rule)], f.index))


def _each(value: Callable[[Delivery, Finding], Value]) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(d, finding) for finding in sorted_findings(d)]


def _shown(which: str) -> Callable[[Delivery], list[float]]:
    def values(delivery: Delivery) -> list[float]:
        unit = delivery.about.unit
        shown = []
        for finding in sorted_findings(delivery):
            # The limit decides between A and mA for both, so that they can be compared.
            scale = finding.limit if np.isfinite(finding.limit) else finding.value
            factor = for_people(scale, finding.unit, unit)
            ratio = factor.value / scale if scale and np.isfinite(scale) else 1.0
            shown.append(float(getattr(finding, which)) * ratio)
        return shown

    return values


def _unit(delivery: Delivery, finding: Finding) -> str:
    scale = finding.limit if np.isfinite(finding.limit) else finding.value
    return for_people(scale, finding.unit, delivery.about.unit).unit


FINDINGS = Table(
    "findings",
    "Findings",
    "one finding: what one rule says of one shot, line, upload or the job",
    (
        text("Rule", "rule", "RULE", "Id of the rule.", _each(lambda _, f: f.rule.id)),
        text("Title", "title", "TITLE", "What is wrong.", _each(lambda _, f: f.rule.title)),
        text(
            "About",
            "about",
            "ABOUT",
            "Kind of subject: shot, line, source (an upload) or job.",
            _each(lambda _, f: f.rule.subject),
        ),
        text(
            "Subject",
            "subject",
            "SUBJECT",
            "Its name.",
            _each(lambda d, f: subject_name(d, f.rule, f.index)),
        ),
        text(
            "Severity",
            "severity",
            "SEVERITY",
            "Note (verdict unchanged), doubt (makes it doubtful) or fail (makes it unfit).",
            _each(lambda _, f: f.severity.word),
        ),
        text(
            "Detail",
            "detail",
            "DETAIL",
            "The numbers in words.",
            _each(lambda d, f: detail_text(f, d.about.unit)),
        ),
        number(
            "Value",
            "value",
            "VALUE",
            "Measured, in the unit given; empty if the rule has none.",
            _shown("value"),
            4,
        ),
        number("Limit", "limit", "LIMIT", "Allowed, in the same unit.", _shown("limit"), 4),
        text("Unit", "unit", "UNIT", "Of value and limit; empty for a pure number.", _each(_unit)),
        text("Remedy", "remedy", "REMEDY", "What to do.", _each(lambda _, f: f.rule.remedy)),
        text(
            "Threshold",
            "threshold",
            "THRESHOLD",
            "The rule's threshold in words.",
            _each(lambda _, f: f.rule.threshold),
        ),
        text(
            "Basis", "basis", "BASIS", "Source of the threshold.", _each(lambda _, f: f.rule.basis)
        ),
    ),
)


def _reports(attribute: str) -> Callable[[Delivery], list[Value]]:
    return lambda d: [getattr(report, attribute) for report in d.results.intake.reports]


ROWS = Table(
    "rows",
    "Rows reported",
    "one row of an upload that did not become a shot, or did with a remark",
    (
        text("Upload", "upload", "UPLOAD", "Letter of the upload in the job.", _reports("upload")),
        text("File", "file", "FILE", "File the row is in, as received.", _reports("file")),
        integer("Row", "row", "ROW", "Data row, from 1.", _reports("row")),
        integer(
            "Line number",
            "line_number",
            "LINE_NO",
            "Physical line (or feature number).",
            _reports("line_number"),
        ),
        text(
            "Accepted",
            "accepted",
            "ACCEPTED",
            "Yes for a remark on a row that became a shot all the same; else no.",
            lambda d: ["yes" if r.accepted else "no" for r in d.results.intake.reports],
        ),
        text("Field", "field", "FIELD", "Field that could not be read.", _reports("field")),
        text("Value", "value", "VALUE", "What stood there.", _reports("value")),
        text("Reason", "reason", "REASON", "Why.", _reports("reason")),
        text("Remedy", "remedy", "REMEDY", "What to do.", _reports("remedy")),
    ),
)
