"""The report's section on accuracy: checks, statements, whether the budget is honest, levels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.deliver.accuracy_columns import (
    ASSIGNED,
    level_of,
    measured_by,
    result_of,
    scheme_label,
    size_of,
    upload_of,
)
from asfound.deliver.delivery import Delivery
from asfound.deliver.report.facts import clean, quantity
from asfound.deliver.report.svg import FIGURES, GREY, INK, PALE, WORDS, Svg
from asfound.model import BudgetTest, CheckSet, MixUpReport, Proposal
from asfound.units import lengths_in

Floats = npt.NDArray[np.float64]

MOST_CHECKS = 60
MOST_LEVELS = 200
_TITLES = {
    "control": "Checks on control",
    "repeat": "Spots measured again",
    "exposure": "Exposures",
}
_MEANS = {
    "control": "Measured less known, and what the shot's budget and the point's own accuracy allow "
    "with 95 %. One check in twenty lies outside by chance; a failed one lies so far out that its "
    "upload must not be used before the cause is found.",
    "repeat": "Later less earlier. Over a line only the offset across it is compared, after what "
    "the line itself does between the two spots. Repeats tell how well a spot is found again; an "
    "error that both times share does not show.",
    "exposure": "The located line, as it was without the exposures, less what was seen in the "
    "hole: its offset across the line and the height of its centre.",
}


def accuracy_section(delivery: Delivery, width: float) -> dict[str, Any] | None:
    """What the template sets; None where nothing is known.

    Parameters
    ----------
    width : float
        Room for the figure [mm].
    """
    report = delivery.results.accuracy
    if report is None:
        return None
    unit = delivery.about.unit

    def said(words: Sequence[str]) -> list[str]:
        return [clean(lengths_in(sentence, unit), 800) for sentence in words]

    tests = [item.budget for item in report.sets if item.budget is not None]
    return {
        "words": said(report.words),
        "mix_ups": [_mix_up(delivery, item, said) for item in report.mix_ups],
        "sets": [_set(delivery, item, said) for item in report.sets],
        "figure": residual_figure(tests, width) if tests else "",
        "schemes": _schemes(delivery, report.proposals, said),
        "assigned": ASSIGNED,
    }


def _mix_up(delivery: Delivery, report: MixUpReport, said: Any) -> dict[str, Any]:
    files = {source.tag: source.file for source in delivery.results.intake.sources}
    title = (
        "was probably misread" if report.named else "does not close, and no one cause stands out"
    )
    return {
        "title": clean(f"Upload {report.upload} {title}"),
        "file": clean(files.get(report.upload, "")),
        "named": bool(report.named),
        "words": said(report.words),
    }


def _set(delivery: Delivery, item: CheckSet, said: Any) -> dict[str, Any]:
    kind, count = item.checks.kind, len(item.checks)
    counted = int(item.counted.sum())
    title = f"{_TITLES[kind]}: {count}"
    if counted < count:
        title += f", of which {counted} count"
    # the ones that speak against something first, should there be too many for paper
    order = list(range(count))
    if count > MOST_CHECKS:
        order = sorted(np.argsort(item.chance, kind="stable")[:MOST_CHECKS].tolist())
    return {
        "kind": kind,
        "title": title,
        "means": _MEANS[kind],
        "plan": kind == "control",
        "rows": [_row(delivery, item, place) for place in order],
        "more": count - len(order),
        "statements": [
            {
                "standard": clean(statement.standard[:1].upper() + statement.standard[1:]),
                "words": said(statement.words),
            }
            for statement in item.statements
        ],
        "budget": said(item.budget.words) if item.budget is not None else [],
        "words": said(item.words),
    }


def _row(delivery: Delivery, item: CheckSet, place: int) -> list[str]:
    """A check: on control with its axes, else with the offset only."""
    checks = item.checks

    def shown(metres: float) -> str:
        return quantity(delivery, float(metres)).split(" ")[0]

    result = result_of(item, place) + ("" if item.counted[place] else ", not counted")
    ends = [
        shown(size_of(item, place)),
        shown(item.radius[place]),
        shown(checks.difference[place, 2]),
        shown(item.half_height[place]),
        result,
    ]
    if checks.kind == "control":
        east, north = checks.difference[place, :2]
        subject = measured_by(delivery, item, place)
        return [clean(subject), clean(checks.name[place]), shown(east), shown(north), *ends]
    first = clean(checks.name[place])
    if checks.kind == "exposure":
        second = clean(measured_by(delivery, item, place))
    else:
        second = _place_of_repeat(delivery, item, place)
    return [first, second, *ends]


def _place_of_repeat(delivery: Delivery, item: CheckSet, place: int) -> str:
    """Over which line, or that it is a mark."""
    if item.checks.point[place]:
        return "mark"
    assembly = delivery.results.assembly
    number = int(assembly.line[int(item.checks.subject[place])])
    line = clean(assembly.names[number]) if number >= 0 else ""
    upload = upload_of(delivery, item, place)
    return f"{line}, again in upload {upload}" if line else ""


def _schemes(delivery: Delivery, proposals: Sequence[Proposal], said: Any) -> list[dict[str, Any]]:
    unit = delivery.about.unit
    found: dict[str, dict[str, Any]] = {}
    for item in proposals:
        entry = found.setdefault(
            item.scheme.id,
            {
                "label": clean(scheme_label(item.scheme)),
                "title": clean(item.scheme.title),
                "note": clean(item.scheme.note, 800),
                "read": clean(item.scheme.read),
                "rows": [],
                "more": 0,
            },
        )
        if len(entry["rows"]) >= MOST_LEVELS:
            entry["more"] += 1
            continue
        segment = item.segment
        start, end = (f"{value / unit.metres:.1f}" for value in (segment.start, segment.end))
        lacking = "; ".join(said(item.lacking))
        if lacking and item.next_level is not None:
            lacking = f"for {item.next_level.name}: {lacking}"
        entry["rows"].append(
            [
                clean(segment.line),
                start if segment.start == segment.end else f"{start} to {end}",
                level_of(item),
                clean(segment.name) if segment.name else segment.known_by.replace("-", " "),
                _size(segment.horizontal_95, unit.metres),
                _size(segment.vertical_95, unit.metres),
                lacking or "\u2013",
            ]
        )
    return list(found.values())


def _size(metres: float, unit: float) -> str:
    return f"{metres / unit:.2f}" if np.isfinite(metres) else "\u2013"


_ROW, _TOP, _BOTTOM, _LEFT, _MIDDLE = 11.0, 9.0, 12.0, 19.0, 12.0
_REACH = 4.0
_NAMES = {"control": "control", "repeat": "repeats", "exposure": "exposures"}


def residual_figure(tests: Sequence[BudgetTest], width: float) -> str:
    """Normalised residuals of each kind of checks, and the variance factor with its interval.

    Parameters
    ----------
    tests : sequence of BudgetTest
    width : float
        On paper [mm].

    Returns
    -------
    str
        SVG.
    """
    height = _TOP + _ROW * len(tests) + _BOTTOM
    svg = Svg(width, height)
    half = 0.58 * (width - _LEFT - _MIDDLE)
    right = _LEFT + half + _MIDDLE
    _draw_residuals(svg, tests, _LEFT, half)
    _draw_factors(svg, tests, right, width - right - 3.0)
    for row, test in enumerate(tests):
        y = _TOP + (row + 0.5) * _ROW
        svg.text(0.0, y + 0.9, _NAMES[test.kind], font=WORDS, size=3.0)
    return svg.markup()


def _draw_residuals(svg: Svg, tests: Sequence[BudgetTest], left: float, width: float) -> None:
    bottom = _TOP + _ROW * len(tests)

    def x(value: float) -> float:
        return left + (value + _REACH) / (2 * _REACH) * width

    svg.text(
        left, _TOP - 3.5, "Normalised residuals: should scatter like this", font=WORDS, size=3.0
    )
    svg.rect(x(-1.96), _TOP, x(1.96) - x(-1.96), bottom - _TOP, fill="#ececec")
    for mark in range(-4, 5):
        svg.line((x(mark), bottom), (x(mark), bottom + 1.2), stroke=INK)
        svg.text(x(mark), bottom + 4.0, f"{mark:d}".replace("-", "\u2212"), anchor="middle")
    svg.line((x(0), _TOP), (x(0), bottom), stroke=GREY, width=0.2)
    svg.line((left, bottom), (left + width, bottom), stroke=INK, width=0.25)
    svg.text(
        x(0), bottom + 8.3, "standard deviations; grey holds 95 of 100", font=WORDS, size=2.7,
        anchor="middle",
    )  # fmt: skip
    bell = np.linspace(-_REACH, _REACH, 81)
    for row, test in enumerate(tests):
        base = _TOP + (row + 1) * _ROW - 1.6
        curve = base - (_ROW - 4.0) * np.exp(-0.5 * bell**2)
        data = "M" + "L".join(
            f"{x(float(a)):.2f} {float(b):.2f}" for a, b in zip(bell, curve, strict=True)
        )
        svg.path(data, stroke=GREY, width=0.2)
        for value in np.sort(test.residual).tolist():
            beyond = abs(value) > _REACH
            at = x(max(-_REACH, min(_REACH, value)))
            svg.path(f"M{at:.2f} {base - 2.0:.2f}v4", stroke=INK, width=0.35)
            if beyond:
                svg.text(at, base - 2.6, f"{value:+.1f}", anchor="middle", halo=True)


def _draw_factors(svg: Svg, tests: Sequence[BudgetTest], left: float, width: float) -> None:
    bottom = _TOP + _ROW * len(tests)
    low = min(0.25, *(test.low for test in tests))
    high = max(4.0, *(test.high for test in tests))
    low, high = max(low, 0.02), min(high, 1000.0)

    def x(value: float) -> float:
        share = np.log(max(low, min(high, value)) / low) / np.log(high / low)
        return left + float(share) * width

    svg.text(left, _TOP - 3.5, "Variance factor: should hold 1", font=WORDS, size=3.0)
    last = -np.inf
    for mark in (0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 10.0, 30.0, 100.0, 1000.0):
        if low <= mark <= high:
            svg.line((x(mark), bottom), (x(mark), bottom + 1.2), stroke=INK)
            svg.line((x(mark), _TOP), (x(mark), bottom), stroke=PALE, width=0.15)
            if x(mark) - last >= 7.0:
                svg.text(x(mark), bottom + 4.0, f"{mark:g}", anchor="middle")
                last = x(mark)
    svg.line((x(1.0), _TOP), (x(1.0), bottom), stroke=INK, width=0.4)
    svg.line((left, bottom), (left + width, bottom), stroke=INK, width=0.25)
    svg.text(
        left + 0.5 * width, bottom + 8.3, "below 1: budget too cautious; above: too bold",
        font=WORDS, size=2.7, anchor="middle",
    )  # fmt: skip
    for row, test in enumerate(tests):
        y = _TOP + (row + 0.5) * _ROW
        svg.line((x(test.low), y), (x(test.high), y), stroke=INK, width=0.5)
        for end in (test.low, test.high):
            svg.line((x(end), y - 1.2), (x(end), y + 1.2), stroke=INK, width=0.4)
        svg.circle(x(test.factor), y, 1.1, fill=INK)
        svg.text(
            x(test.factor), y - 2.2, f"{test.factor:.2f}", anchor="middle", size=2.4, font=FIGURES,
            halo=True,
        )  # fmt: skip
