"""The tables of checks and of proposed quality levels."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from asfound.deliver.about import SHORT_CAUTION
from asfound.deliver.columns import Table, Value, grid, length, number, text
from asfound.deliver.delivery import Delivery
from asfound.deliver.shot_columns import constant
from asfound.model import CheckSet, Proposal, Scheme
from asfound.units import lengths_in

Floats = npt.NDArray[np.float64]

FAILED = 1e-3
"""Chance of a difference below which a check failed; as the rule control-failed."""


MARK = 0.2
"""Length of the piece of axis that stands for an exposed point on maps [m]."""


def check_rows(delivery: Delivery) -> Iterator[tuple[CheckSet, int]]:
    """Every check of a job: its set, and its place in it."""
    report = delivery.results.accuracy
    for item in report.sets if report else ():
        for place in range(len(item.checks)):
            yield item, place


def size_of(item: CheckSet, place: int) -> float:
    """Horizontal difference of a check, or its offset across the line [m]."""
    return float(np.hypot(*item.checks.difference[place, :2]))


def result_of(item: CheckSet, place: int) -> str:
    """``'within'`` the allowed 95 %, ``'outside'``, or ``'failed'``."""
    if item.chance[place] < FAILED:
        return "failed"
    up = abs(item.checks.difference[place, 2])
    inside = size_of(item, place) <= item.radius[place] and not up > item.half_height[place]
    return "within" if inside else "outside"


def measured_by(delivery: Delivery, item: CheckSet, place: int) -> str:
    """Shot or line that was checked; empty for a return that is no shot of the job."""
    subject = int(item.checks.subject[place])
    if item.checks.kind == "exposure":
        return delivery.results.lines[subject].name
    return delivery.shot_names[subject] if subject >= 0 else ""


def upload_of(delivery: Delivery, item: CheckSet, place: int) -> str:
    """Tag of the upload that was checked; empty where there is none."""
    subject = int(item.checks.subject[place])
    if item.checks.kind == "exposure" or subject < 0:
        return ""
    intake = delivery.results.intake
    return str(intake.sources[int(intake.shots.source[subject])].tag)


def cause_of(delivery: Delivery, item: CheckSet, place: int) -> str:
    """The probable mix-up behind a check's upload, in words; empty for none."""
    report = delivery.results.accuracy
    tag = upload_of(delivery, item, place)
    for mix_up in report.mix_ups if report else ():
        if tag and mix_up.upload == tag and mix_up.named:
            return mix_up.causes[0].words[0]
    return ""


def scheme_label(scheme: Scheme) -> str:
    """A scheme's short title: ``'PAS 128:2022'``."""
    return scheme.title.split(",")[0]


def proposals(delivery: Delivery) -> tuple[Proposal, ...]:
    """Proposed levels of all segments."""
    report = delivery.results.accuracy
    return report.proposals if report else ()


def level_of(proposal: Proposal) -> str:
    """Name of the proposed level; ``'none'`` where none is."""
    return proposal.level.name if proposal.level else "none"


def stretches(delivery: Delivery) -> Iterator[tuple[Proposal, Floats]]:
    """Every proposal with its piece of the axis: (m, 2) easting, northing [m].

    An exposed point is a piece of `MARK` around it, so that it can be drawn like the others.
    """
    lines = {line.name: line for line in delivery.results.lines}
    for item in proposals(delivery):
        line, segment = lines[item.segment.line], item.segment
        start, end = segment.start, segment.end
        if start == end:
            start, end = start - 0.5 * MARK, end + 0.5 * MARK
        axis = line.axis_station
        start, end = max(start, float(axis[0])), min(end, float(axis[-1]))
        station = np.concatenate(([start], axis[(axis > start) & (axis < end)], [end]))
        yield (
            item,
            np.column_stack(
                [np.interp(station, axis, line.easting), np.interp(station, axis, line.northing)]
            ),
        )


def levels_of_line(delivery: Delivery, name: str) -> str:
    """Levels of one line in a row: ``'ASCE/UESI/CI 38-22: B 0.0-31.2, D 31.2-35.0 m'``."""
    unit = delivery.about.unit
    by_scheme: dict[str, list[str]] = {}
    for item in proposals(delivery):
        segment = item.segment
        if segment.line != name:
            continue
        start, end = segment.start / unit.metres, segment.end / unit.metres
        where = f"{start:.1f}" if start == end else f"{start:.1f}-{end:.1f}"
        by_scheme.setdefault(scheme_label(item.scheme), []).append(f"{level_of(item)} {where}")
    said = [f"{label}: {', '.join(parts)} {unit.symbol}" for label, parts in by_scheme.items()]
    return "; ".join(said)


def _checks(value: Callable[[Delivery, CheckSet, int], Value]) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(d, item, place) for item, place in check_rows(d)]


def _check_numbers(value: Callable[[CheckSet, int], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(item, place) for item, place in check_rows(d)], np.float64)


def _check_count(delivery: Delivery) -> int:
    return sum(1 for _ in check_rows(delivery))


CHECKS = Table(
    "accuracy_checks",
    "Checks",
    "one check: a shot on a control point, a spot measured again, or an exposed line",
    (
        text(
            "Kind",
            "kind",
            "KIND",
            "Control, repeat or exposure.",
            _checks(lambda _d, s, _: s.checks.kind),
        ),
        text(
            "Check",
            "check",
            "CHECK",
            "The control point, the pair of shots (later on earlier), the target or the exposure.",
            _checks(lambda _d, s, k: s.checks.name[k]),
        ),
        text(
            "Of",
            "of",
            "OF",
            "Shot or line that was checked; empty for a return that is no shot of the job.",
            _checks(measured_by),
        ),
        text("Upload", "upload", "UPLOAD", "Upload that was checked.", _checks(upload_of)),
        grid(
            "Easting",
            "easting",
            "E",
            "Of the reference.",
            _check_numbers(lambda s, k: float(s.checks.place[k, 0])),
        ),
        grid(
            "Northing",
            "northing",
            "N",
            "Of the reference.",
            _check_numbers(lambda s, k: float(s.checks.place[k, 1])),
        ),
        length(
            "East",
            "east",
            "DE",
            "Measured less reference; where only the offset across a line is told, its part.",
            _check_numbers(lambda s, k: float(s.checks.difference[k, 0])),
        ),
        length(
            "North",
            "north",
            "DN",
            "Measured less reference; where only the offset across a line is told, its part.",
            _check_numbers(lambda s, k: float(s.checks.difference[k, 1])),
        ),
        text(
            "Told",
            "told",
            "TOLD",
            "Plan: east and north are both compared. Across: only the offset across the line.",
            _checks(lambda _d, s, k: "plan" if s.checks.point[k] else "across"),
        ),
        length(
            "Horizontal",
            "horizontal",
            "DH",
            "Size of the difference in plan, or of the offset across the line.",
            _check_numbers(size_of),
        ),
        length(
            "Horizontal allowed",
            "horizontal_allowed_95",
            "HOK",
            "What both uncertainties allow with 95 %.",
            _check_numbers(lambda s, k: float(s.radius[k])),
        ),
        length(
            "Up",
            "up",
            "DU",
            "Height, measured less reference; empty where either has none.",
            _check_numbers(lambda s, k: float(s.checks.difference[k, 2])),
        ),
        length(
            "Up allowed",
            "up_allowed_95",
            "UOK",
            "What both uncertainties allow with 95 %, either way.",
            _check_numbers(lambda s, k: float(s.half_height[k])),
        ),
        number(
            "Chance",
            "chance",
            "CHANCE",
            "Chance of so large a difference if the error budget is right.",
            _check_numbers(lambda s, k: float(s.chance[k])),
            6,
        ),
        text(
            "Result",
            "result",
            "RESULT",
            "Within the allowed 95 %, outside, or failed (less than 1 of 1000 by chance).",
            _checks(lambda _d, s, k: result_of(s, k)),
        ),
        text(
            "Counted",
            "counted",
            "COUNTED",
            "Whether it counts in the statements; no where its upload was probably misread or a "
            "shot is doubtful.",
            _checks(lambda _d, s, k: "yes" if s.counted[k] else "no"),
        ),
        text(
            "Probable cause",
            "probable_cause",
            "CAUSE",
            "The known mix-up that explains the upload's misclosure; empty for none.",
            _checks(cause_of),
        ),
        text(
            "CRS",
            "crs",
            "CRS",
            "Of easting and northing.",
            constant(lambda d: d.about.crs, _check_count),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, _check_count),
        ),
    ),
)


def _levels(value: Callable[[Delivery, Proposal], Value]) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(d, item) for item in proposals(d)]


def _level_numbers(value: Callable[[Proposal], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(item) for item in proposals(d)], np.float64)


def _count(delivery: Delivery) -> int:
    return len(proposals(delivery))


def _said(parts: Callable[[Proposal], tuple[str, ...]]) -> Callable[[Delivery], list[Value]]:
    return _levels(lambda d, p: lengths_in("; ".join(parts(p)), d.about.unit))


ASSIGNED = "Proposed from the measurements alone; a licensed professional assigns it."

QUALITY_LEVELS = Table(
    "quality_levels",
    "Proposed quality levels",
    "one stretch of a line, or one exposed point of it, and the level its evidence bears",
    (
        text(
            "Scheme",
            "scheme",
            "SCHEME",
            "Standard that the level is of.",
            _levels(lambda _, p: scheme_label(p.scheme)),
        ),
        text("Line", "line", "LINE", "Name of the line.", _levels(lambda _, p: p.segment.line)),
        length(
            "From",
            "from_station",
            "FROM",
            "Station where the stretch starts.",
            _level_numbers(lambda p: p.segment.start),
        ),
        length(
            "To",
            "to_station",
            "TO",
            "Station where it ends; the same at an exposed point.",
            _level_numbers(lambda p: p.segment.end),
        ),
        text(
            "Proposed level",
            "level",
            "LEVEL",
            "Level that is proposed; none where the findings must be settled first.",
            _levels(lambda _, p: level_of(p)),
        ),
        text(
            "Meaning",
            "meaning",
            "MEANING",
            "What the level stands for.",
            _levels(lambda d, p: lengths_in(p.level.title, d.about.unit) if p.level else ""),
        ),
        text(
            "Known by",
            "known_by",
            "KNOWN_BY",
            "Exposed, detected, surface-features, records or assumed.",
            _levels(lambda _, p: p.segment.known_by),
        ),
        text(
            "Exposure",
            "exposure",
            "EXPOSURE",
            "Name of the exposure at an exposed point.",
            _levels(lambda _, p: p.segment.name),
        ),
        length(
            "Horizontal 95 %",
            "horizontal_95",
            "H95",
            "Largest within the stretch.",
            _level_numbers(lambda p: p.segment.horizontal_95),
        ),
        length(
            "Vertical 95 %",
            "vertical_95",
            "V95",
            "Largest within the stretch; empty where no depth is known.",
            _level_numbers(lambda p: p.segment.vertical_95),
        ),
        length(
            "Least depth",
            "least_depth",
            "DEPTH",
            "To the centre; limits that are shares of the depth are counted here.",
            _level_numbers(lambda p: p.segment.depth),
        ),
        text("Reasons", "reasons", "REASONS", "Why this level.", _said(lambda p: p.reasons)),
        text(
            "Next level",
            "next_level",
            "NEXT",
            "The next better level, if any.",
            _levels(lambda _, p: p.next_level.name if p.next_level else ""),
        ),
        text(
            "Lacking",
            "lacking",
            "LACKING",
            "What is missing to the next better level, or what is to be done first.",
            _said(lambda p: p.lacking),
        ),
        text(
            "Figures",
            "figures",
            "FIGURES",
            "How the scheme's figures got here; compare them with the standard.",
            _levels(lambda _, p: p.scheme.read),
        ),
        text(
            "Assigned by",
            "assigned_by",
            "ASSIGNED",
            "Who decides.",
            constant(lambda d: ASSIGNED, _count),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, _count),
        ),
    ),
)
