"""What a job's checks prove: control, spots measured again, exposures; and misread uploads.

Uploads whose control does not close are looked into before the rules run, so that no shot of an
upload that was probably misread is taken for sound. Everything else is said after the lines are
known.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.accuracy import (
    ALARM,
    Exposure,
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
    Assembly,
    Budget,
    Checks,
    CheckSet,
    Ground,
    JobSettings,
    Line,
    MixUpReport,
    Plan,
    Proposal,
    Shots,
    Source,
    Verdict,
)

Integers = npt.NDArray[np.int64]

MOST_CHECKS = 400
"""Checks of one kind that are looked at together; of more, so many spread evenly. Their joint
covariance grows with the square."""


def find_misread(
    shots: Shots, sources: Sequence[Source], settings: JobSettings, ground: Ground, budget: Budget
) -> tuple[MixUpReport, ...]:
    """Uploads whose control checks chance does not explain, each with its probable cause.

    Parameters
    ----------
    shots, sources, settings, ground, budget
        Of the job.
    """
    found: list[MixUpReport] = []
    logged = np.flatnonzero(shots.control.codes >= 0)
    for index in np.unique(shots.source[logged]).tolist():
        mine = _thinned(logged[shots.source[logged] == index])
        checks = control_checks(shots, ground, budget, settings.control, among=mine)
        found += _looked_into(checks, shots, sources, settings)
    return tuple(found)


def _looked_into(
    checks: Checks, shots: Shots, sources: Sequence[Source], settings: JobSettings
) -> list[MixUpReport]:
    """Reports of the uploads whose own checks chance does not explain."""
    found = []
    owner = shots.source[checks.subject]
    for index in np.unique(owner).tolist():
        own = checks.take(owner == index)
        if joint_chance(own) >= ALARM:
            continue
        found.append(
            find_mix_ups(shots.take(own.subject), sources[index], settings, own.place, own.joint)
        )
    return found


def prove(
    shots: Shots,
    sources: Sequence[Source],
    settings: JobSettings,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    lines: Sequence[Line],
    verdict: npt.NDArray[np.int8],
    line_verdict: npt.NDArray[np.int8],
    misread: Sequence[MixUpReport],
    plan: Plan,
) -> AccuracyReport:
    """What all checks prove, and the quality levels that the lines may claim.

    Parameters
    ----------
    shots, sources, settings, ground, budget, assembly, lines, verdict, line_verdict
        Of the job; lines as fitted without exposures.
    misread : sequence of MixUpReport
        From `find_misread`.
    plan : Plan
        For exposures and stored return checks.

    Returns
    -------
    AccuracyReport
    """
    level = settings.accuracy.confidence
    reports = list(misread)
    # a named mix-up is a mistake to be mended, not part of the job's random error
    named = {report.upload for report in misread if report.named}
    tags = np.array([source.tag for source in sources] + [""], object)
    sets = []

    logged = _thinned(np.flatnonzero(shots.control.codes >= 0))
    control = control_checks(shots, ground, budget, settings.control, among=logged)
    owner = tags[shots.source[control.subject]]
    sets += _checked(control, ~np.isin(owner, list(named)), level, owner)

    pairs = repeated_spots(shots, sources, ground, lines, verdict, plan.repeats, most=MOST_CHECKS)
    again = repeat_checks(
        [(a, b) for a, b in pairs.couple.tolist()],
        ground,
        budget,
        bearing=pairs.bearing,
        names=pairs.names,
        run=pairs.run,
    )
    owners = tags[shots.source[pairs.couple]]
    counted = ~np.isin(owners, list(named)).any(axis=1)
    marks = again.take(counted & again.point)
    if len(marks):
        reports += [
            report
            for report in _looked_into(marks, shots, sources, settings)
            if report.upload not in {known.upload for known in reports}
        ]
    stored = return_checks(pairs.stored)
    every = joined_checks(again, stored)
    counted = np.concatenate([counted, np.ones(len(stored), bool)])
    labels = np.concatenate([owners[:, 1], np.full(len(stored), "", object)])
    sets += _checked(every, counted, level, labels)

    index = {line.name.casefold(): k for k, line in enumerate(lines)}
    seen = [
        (index[item.line.casefold()], item)
        for item in plan.exposures
        if item.line.casefold() in index
    ]
    exposures = [
        Exposure(
            item.name, k, item.easting, item.northing, item.ground_height - item.top_depth,
            item.outside_diameter, item.horizontal_sd, item.vertical_sd,
        )
        for k, item in seen
    ]  # fmt: skip
    if exposures:
        checks = exposure_checks(exposures, lines, ground, budget, assembly, verdict)
        sets += _checked(checks, np.ones(len(checks), bool), level, None)

    proposals = _proposals(settings, lines, line_verdict, exposures)
    return AccuracyReport(
        sets=tuple(sets),
        mix_ups=tuple(reports),
        proposals=proposals,
        words=_words(sets),
    )


def _thinned(rows: Integers) -> Integers:
    if len(rows) <= MOST_CHECKS:
        return rows
    return rows[np.linspace(0, len(rows) - 1, MOST_CHECKS).astype(np.int64)]


def _checked(
    checks: Checks,
    counted: npt.NDArray[np.bool_],
    level: float,
    owner: npt.NDArray[np.object_] | None,
) -> list[CheckSet]:
    """A set of checks with what it says; none without checks."""
    if not len(checks):
        return []
    kept = checks.take(counted)
    radius, half_height = allowed_95(checks)
    said: list[str] = []
    if owner is not None and not counted.all():
        left = ", ".join(sorted(set(owner[~counted].tolist())))
        count = int((~counted).sum())
        said.append(
            f"Not counted: {count} check{'s' if count != 1 else ''} of upload {left}, which was "
            "probably misread. A mistake that can be mended is no part of the job's accuracy; the "
            "upload's shots are not part of it either until it is."
        )
        whole = statements(checks, level=level)
        if whole:
            said.append(f"With them, NSSDA {whole[0].quantity} would be {whole[0].accuracy:.3f} m.")
    return [
        CheckSet(
            checks=checks,
            counted=counted,
            radius=radius,
            half_height=half_height,
            chance=check_chances(checks),
            statements=statements(kept, level=level),
            budget=judge_budget(kept, level=level) if len(kept) else None,
            words=tuple(said),
        )
    ]


def _proposals(
    settings: JobSettings,
    lines: Sequence[Line],
    line_verdict: npt.NDArray[np.int8],
    exposures: Sequence[Exposure],
) -> tuple[Proposal, ...]:
    chosen = settings.accuracy.schemes
    if not chosen:
        area = resolve_frame(settings.frame.crs).area_of_use
        chosen = usual_schemes(area.name if area else "")
    station, _ = stations_of(exposures, lines)
    found: list[Proposal] = []
    for name in chosen:
        for index, line in enumerate(lines):
            seen = [
                (item.name, float(station[k]), item.horizontal_sd, item.vertical_sd)
                for k, item in enumerate(exposures)
                if item.line == index
            ]
            found += propose_levels(
                line,
                scheme(name),
                exposed=seen,
                gaps_known_by=settings.accuracy.gaps_known_by,
                verdict=Verdict(int(line_verdict[index])),
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
