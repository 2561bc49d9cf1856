"""What was exposed, and what will be dug, against the lines of a job.

Exposures change lines once, here: digs are checked against the lines as located together with all
exposures, not against lines that already hold them, so that nothing is learnt twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import numpy as np
import shapely

from asfound.alignment import Refits, find_crossings
from asfound.budget import with_exposures
from asfound.clearance import (
    GroundSurface,
    advise_exposures,
    apply_exposures,
    check_digs,
    known_lines,
    refits_of,
    required_rules,
    same_place,
    solid_of,
    surface_from_ground,
)
from asfound.errors import InputError
from asfound.model import (
    Area,
    CandidateExposure,
    Dig,
    DigReport,
    Exposure,
    ExposureUpdate,
    Plan,
    RecordLine,
    Results,
)


def expose(results: Results, refits: Refits | None = None) -> Results:
    """Results after the exposures of their plan: lines, verdicts, crossings and findings.

    Parameters
    ----------
    results : Results
        Without exposures.
    refits : Refits, optional
        Of its lines, to be shared with `check_plan`.

    Returns
    -------
    Results
        With `exposed`; the same if the plan has no exposures. One that can't be put on a line is
        named by a finding, the others are used.
    """
    if not results.plan.exposures:
        return results
    update, unplaced = _applied(results, refits)
    lines = results.lines
    moved = any(one is not other for one, other in zip(update.lines, lines, strict=True))
    return replace(
        results,
        lines=update.lines,
        line_verdict=update.line_verdict,
        verdict=update.verdict,
        crossings=find_crossings(update.lines, results.budget) if moved else results.crossings,
        findings=with_exposures(results.findings, update.comparisons, unplaced, len(lines)),
        exposed=update,
    )


def as_located(results: Results) -> Results:
    """The same job as if nothing had been exposed; its findings stay."""
    if results.exposed is None:
        return results
    before = results.exposed.before
    return replace(
        results,
        lines=before.lines,
        line_verdict=before.line_verdict,
        verdict=before.verdict,
        exposed=None,
    )


def check_plan(
    results: Results, digs: Sequence[Dig] | None = None, refits: Refits | None = None
) -> DigReport | None:
    """Digs against the lines of a processed job.

    Parameters
    ----------
    results : Results
        With its exposures applied, or without any.
    digs : sequence of Dig, optional
        By default those of the job's plan.
    refits : Refits, optional
        Of its lines as located.

    Returns
    -------
    DigReport or None
        None if there is no dig.

    Raises
    ------
    InputError
        If a dig or a line from records can't be as it is given.
    """
    plan = results.plan
    planned = tuple(plan.digs if digs is None else digs)
    if not planned:
        return None
    located = as_located(results)
    exposures = _used(results)
    surface = ground_surface(located)
    rules = required_rules() if plan.required is None else plan.required
    records, refits = plan.records, refits or refits_of(located)
    searched = _joined(plan.searched)

    found = check_digs(
        located, planned, surface=surface, rules=rules, exposures=exposures, records=records,
        searched=searched, refits=refits,
    )  # fmt: skip
    exposed = {item.line_index for item in results.exposed.comparisons} if results.exposed else ()
    near = [
        k for k, dig in enumerate(found) if any(one.line_index in exposed for one in dig.approaches)
    ]
    without = check_digs(
        located, [planned[k] for k in near], surface=surface, rules=rules, records=records,
        searched=searched, refits=refits, among=exposed,
    )  # fmt: skip
    advice = None
    if plan.holes > 0:
        advice = advise_exposures(
            located, planned, plan.holes, surface=surface, exposures=exposures, records=records,
            forbidden=_joined([area for area in plan.hole_areas if not np.isfinite(area.cost)]),
            cost=lambda place: _cost(plan, place), refits=refits, found=found,
        )  # fmt: skip
    return DigReport(
        digs=found,
        advice=advice,
        rules=tuple(rules),
        ground=surface.basis,
        searched=tuple(dict.fromkeys(area.basis for area in plan.searched)),
        without_exposures=dict(zip(near, without, strict=True)),
    )


def try_places(results: Results, digs: Sequence[Dig], records: Sequence[RecordLine] = ()) -> None:
    """Refuse digs and lines from records that would stop `check_plan` on the ground as it is.

    Raises
    ------
    InputError
        If one floats, lies in another frame, or has no ground where its depth needs it.
    """
    surface = ground_surface(results)
    same_place(results, [solid_of(dig, surface) for dig in digs])
    known_lines((), records, surface)


def ground_surface(results: Results) -> GroundSurface:
    """The ground of a job: the plan's terrain, or as the shots found it."""
    if results.plan.terrain is None:
        return surface_from_ground(results.ground)
    return cast(GroundSurface, results.plan.terrain)  # asks for no more than `Terrain` has


def _applied(results: Results, refits: Refits | None) -> tuple[ExposureUpdate, tuple[str, ...]]:
    """The update by all exposures that can be put on a line, and why others can't."""
    plan, surface = results.plan, ground_surface(results)

    def applied(exposures: Sequence[Exposure]) -> ExposureUpdate:
        return apply_exposures(
            results, exposures, surface=surface, records=plan.records, refits=refits
        )

    try:
        return applied(plan.exposures), ()
    except InputError:
        sound, unplaced = [], []
        for exposure in plan.exposures:
            try:
                applied([exposure])
                sound.append(exposure)
            except InputError as error:
                unplaced.append(f"{error.where}: {error.what}")
        return applied(sound), tuple(unplaced)


def _used(results: Results) -> tuple[Exposure, ...]:
    if results.exposed is None:
        return ()
    return tuple(item.exposure for item in results.exposed.comparisons)


def _joined(areas: Sequence[Area]) -> shapely.Geometry | None:
    if not areas:
        return None
    return shapely.union_all(
        [shapely.Polygon(np.column_stack((area.easting, area.northing))) for area in areas]
    )


def _cost(plan: Plan, place: CandidateExposure) -> float:
    """Of a hole: the dearest of the areas it lies in."""
    inside = [
        area.cost
        for area in plan.hole_areas
        if np.isfinite(area.cost)
        and shapely.Polygon(np.column_stack((area.easting, area.northing))).intersects(
            shapely.Point(place.easting, place.northing)
        )
    ]
    return max(inside) if inside else plan.hole_cost
