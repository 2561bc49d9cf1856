"""What a job's checks prove: control, spots measured again, exposures; and misread uploads.

Uploads whose control does not close are looked into before the rules run, so that no shot of an
upload that was probably misread is taken for sound. Everything else is said after the lines are
known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.accuracy import (
    ALARM,
    allowed_95,
    check_chances,
    control_checks,
    exposure_checks,
    find_mix_ups,
    joined_checks,
    joint_chance,
    judge_budget,
    propose_levels,
    repeat_checks,
    return_checks,
    scheme,
    statements,
    stations_of,
    usual_schemes,
)
from asfound.geodesy import resolve_frame
from asfound.job.spots import repeated_spots
from asfound.model import (
    AccuracyReport,
    Budget,
    Checks,
    CheckSet,
    Exposure,
    Ground,
    JobSettings,
    Line,
    MixUpReport,
    Proposal,
    Repeat,
    Results,
    Shots,
    Source,
    Verdict,
)

Integers = npt.NDArray[np.int64]

MOST_CHECKS = 400
"""Checks of one kind that are looked at together; of more, so many spread evenly. Their joint
covariance grows with the square."""

SHORTEST = 6.0
"""A better stretch between worse ones is told apart from here on [m]: two usual spacings."""


def find_misread(
    shots: Shots,
    sources: Sequence[Source],
    settings: JobSettings,
    ground: Ground,
    budget: Budget,
    stored: Sequence[Repeat] = (),
) -> tuple[MixUpReport, ...]:
    """Uploads whose checks chance does not explain, each with its probable cause.

    Control speaks first. An upload without control is held against the marks that it has in
    common with uploads whose control closes.

    Parameters
    ----------
    shots, sources, settings, ground, budget
        Of the job.
    stored : sequence of Repeat
        Return checks.
    """
    found: list[MixUpReport] = []
    closed: list[int] = []
    logged = np.flatnonzero(shots.control.codes >= 0)
    for index in np.unique(shots.source[logged]).tolist():
        mine = _thinned(logged[shots.source[logged] == index])
        checks = control_checks(shots, ground, budget, settings.control, among=mine)
        if not len(checks):
            continue
        report = _looked_into(checks, checks.subject, shots, sources[index], settings)
        if report is None:
            closed.append(index)
        else:
            found.append(report)
    spots = repeated_spots(
        shots, sources, ground, (), np.zeros(len(shots), np.int8), stored, most=MOST_CHECKS
    )
    owner = shots.source[spots.couple]
    spoken = {report.upload for report in found}
    for index in np.unique(owner).tolist():
        if index in closed or sources[index].tag in spoken:
            continue
        # either shot of a pair may be the one without control
        for own, other in ((1, 0), (0, 1)):
            rows = (owner[:, own] == index) & np.isin(owner[:, other], closed)
            pairs = spots.couple[rows][:, [other, own]]
            marks = repeat_checks([(a, b) for a, b in pairs.tolist()], ground, budget)
            report = _looked_into(marks, marks.subject, shots, sources[index], settings)
            if report is not None:
                found.append(report)
                break
    return tuple(found)


def _looked_into(
    checks: Checks, own: Integers, shots: Shots, source: Source, settings: JobSettings
) -> MixUpReport | None:
    """What one upload's checks look like; None if chance explains them."""
    if joint_chance(checks) >= ALARM:
        return None
    return find_mix_ups(shots.take(own), source, settings, checks.place, checks.joint)


def prove(results: Results, misread: Sequence[MixUpReport]) -> AccuracyReport:
    """What all checks prove, and the quality levels that the lines may claim.

    Parameters
    ----------
    results : Results
        With its exposures applied, or without any.
    misread : sequence of MixUpReport
        From `find_misread`.

    Returns
    -------
    AccuracyReport
    """
    settings, sources = results.settings, results.intake.sources
    shots, ground, budget = results.intake.shots, results.ground, results.budget
    level = settings.accuracy.confidence
    # a named mix-up is a mistake to be mended, not part of the job's random error
    named = [report.upload for report in misread if report.named]
    tags = np.array([source.tag for source in sources] + [""], object)

    logged = _thinned(np.flatnonzero(shots.control.codes >= 0))
    control = control_checks(shots, ground, budget, settings.control, among=logged)
    misled = np.isin(tags[shots.source[control.subject]], named)
    why = [_misread_words(int(misled.sum()), named, control, level)] if misled.any() else []
    sets = _checked(control, ~misled, level, why)

    again, doubtful, stored = _repeats(results)
    counted = np.concatenate([~doubtful, np.ones(len(stored), bool)])
    why = [
        f"Not counted: {_checks(int(doubtful.sum()))} with a shot that is doubtful by its "
        "findings; for such a shot the budget promises nothing."
    ]
    sets += _checked(joined_checks(again, stored), counted, level, why if doubtful.any() else ())

    exposures = _exposures(results)
    if exposures:
        lines, verdict = _as_located(results)
        checks = exposure_checks(exposures, lines, ground, budget, results.assembly, verdict)
        sets += _checked(checks, np.ones(len(checks), bool), level, ())

    return AccuracyReport(
        sets=tuple(sets),
        mix_ups=tuple(misread),
        proposals=_proposals(results, exposures, settings.accuracy.schemes),
        words=_words(sets),
    )


def _as_located(results: Results) -> tuple[tuple[Line, ...], npt.NDArray[np.int8]]:
    """Lines and shots' verdicts as they were before anything was exposed."""
    if results.exposed is None:
        return results.lines, results.verdict
    return results.exposed.before.lines, results.exposed.before.verdict


def _repeats(results: Results) -> tuple[Checks, npt.NDArray[np.bool_], Checks]:
    """Pairs of shots, which of them are doubtful, and returns of which a shot is missing."""
    shots, sources = results.intake.shots, results.intake.sources
    lines, verdict = _as_located(results)
    spots = repeated_spots(
        shots, sources, results.ground, lines, verdict, results.plan.repeats, most=MOST_CHECKS
    )
    again = repeat_checks(
        [(earlier, later) for earlier, later in spots.couple.tolist()],
        results.ground,
        results.budget,
        bearing=spots.bearing,
        names=spots.names,
        run=spots.run,
    )
    doubtful = (verdict[spots.couple] != Verdict.SOUND).any(axis=1)
    return again, doubtful, return_checks(spots.stored)


def _exposures(results: Results) -> list[Exposure]:
    """Exposures that could be put on a located line, as checks of that line."""
    lines, _ = _as_located(results)
    return [
        seen.exposure
        for seen in (results.exposed.comparisons if results.exposed else ())
        if 0 <= seen.line_index < len(lines)
    ]


def _thinned(rows: Integers) -> Integers:
    if len(rows) <= MOST_CHECKS:
        return rows
    return rows[np.linspace(0, len(rows) - 1, MOST_CHECKS).astype(np.int64)]


def _checked(
    checks: Checks, counted: npt.NDArray[np.bool_], level: float, words: Sequence[str]
) -> list[CheckSet]:
    """A set of checks with what it says; none without checks."""
    if not len(checks):
        return []
    kept = checks.take(counted)
    radius, half_height = allowed_95(checks)
    return [
        CheckSet(
            checks=checks,
            counted=counted,
            radius=radius,
            half_height=half_height,
            chance=check_chances(checks),
            statements=statements(kept, level=level),
            budget=judge_budget(kept, level=level) if len(kept) else None,
            words=tuple(words),
        )
    ]


def _checks(count: int) -> str:
    return f"{count} check{'s' if count != 1 else ''}"


def _misread_words(count: int, named: Sequence[str], control: Checks, level: float) -> str:
    whole = statements(control, level=level)[0]
    return (
        f"Not counted: {_checks(count)} of upload {', '.join(named)}, probably misread. A mistake "
        "that can be mended is no part of the job's accuracy, and the upload's shots are no part "
        f"of the job until it is. With them, NSSDA {whole.quantity} would be "
        f"{whole.accuracy:.3f} m."
    )


def levels_under(results: Results, schemes: Sequence[str]) -> Results:
    """The same results with quality levels proposed under other schemes.

    Raises
    ------
    InputError
        If a scheme is not known.
    """
    if results.accuracy is None:
        return results
    proposals = _proposals(results, _exposures(results), tuple(schemes))
    return replace(results, accuracy=replace(results.accuracy, proposals=proposals))


def _proposals(
    results: Results, exposures: Sequence[Exposure], chosen: tuple[str, ...]
) -> tuple[Proposal, ...]:
    settings, lines = results.settings, results.lines
    if not chosen:
        area = resolve_frame(settings.frame.crs).area_of_use
        chosen = usual_schemes(area.name if area else "")
    owner, station, _ = stations_of(exposures, lines)
    found: list[Proposal] = []
    for name in chosen:
        for index, line in enumerate(lines):
            seen = [
                (item.name, float(station[k]), item.horizontal_sd, item.vertical_sd)
                for k, item in enumerate(exposures)
                if owner[k] == index
            ]
            found += propose_levels(
                line,
                scheme(name),
                exposed=seen,
                gaps_known_by=settings.accuracy.gaps_known_by,
                verdict=Verdict(int(results.line_verdict[index])),
                shortest=SHORTEST,
            )
    return tuple(found)


def _words(sets: Sequence[CheckSet]) -> tuple[str, ...]:
    kinds = {item.checks.kind for item in sets if item.counted.any()}
    said = []
    if "control" not in kinds:
        said.append(
            "No check on control counts here: nothing but the declarations speaks for the frame, "
            "the epoch and the heights of this job. Log a point of known coordinates before and "
            "after work."
        )
    if "exposure" not in kinds:
        said.append(
            "No line was exposed, so no check here tells how near the located line is to the line "
            "in the ground: control and repeats prove positions, not the signal."
        )
    return tuple(said)
