"""The main job as a table of contents: raw -> ground -> lines -> budget -> findings -> results.

Each step is one call; its inputs and outputs are records of `asfound.model`. Nothing here reads
or writes a file, and the same intake and settings always give the same results.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from asfound import __version__
from asfound.alignment import assemble, find_crossings, fit_lines
from asfound.budget import (
    RuleContext,
    depths_to_centre,
    error_budget,
    line_verdicts,
    load_profile,
    run_rules,
    shot_verdicts,
)
from asfound.clearance import refits_of
from asfound.geodesy import to_ground
from asfound.job.deciding import Deciding
from asfound.job.digging import check_plan, expose
from asfound.job.miscoded import without_miscoded_lines
from asfound.job.proving import find_misread, prove
from asfound.job.sweeps import corrected, locate_sweeps, match_shots, settled
from asfound.model import Intake, JobSettings, Plan, Results
from asfound.stakeout import make_stakeouts

NO_PLAN = Plan()


def _silent(step: str) -> None:
    """No one is watching."""


def process(
    intake: Intake,
    settings: JobSettings,
    plan: Plan = NO_PLAN,
    *,
    progress: Callable[[str], None] = _silent,
) -> Results:
    """Check every shot of a job, give it its uncertainty, and join shots into lines.

    Parameters
    ----------
    intake : Intake
        All uploads, read.
    settings : JobSettings
    plan : Plan
        Digs, exposures, lines from records, and what people decided.
    progress : callable
        Told the name of each step as it starts.

    Returns
    -------
    Results

    Raises
    ------
    FrameError
        If coordinates can't be brought into the job's frame honestly.
    SettingsError
        If the profile's overrides or other settings can't be used.
    InputError
        If a planned dig or a line from records can't be as it is given.
    """
    deciding = Deciding(plan.decisions, intake)
    intake = replace(intake, shots=deciding.shots(intake.shots))
    shots, sources = intake.shots, intake.sources
    profile = load_profile(settings.profile)

    progress("Bringing antennas to the ground and into the job's frame")
    ground = to_ground(shots, sources, settings)

    progress("Putting shots in order along lines")
    assembly = deciding.lines(assemble(shots, ground), shots, ground)
    shots = depths_to_centre(shots, assembly, sources, settings.sizes)
    intake = replace(intake, shots=shots)

    progress("Inverting sweeps")
    sweeps = locate_sweeps(intake.sweeps, sources, settings, shots, ground, assembly)
    corrections = match_shots(sweeps, shots, ground, assembly)

    progress("Adding up error budgets")
    as_read = error_budget(shots, ground, assembly, sources, settings, profile)

    misread = find_misread(shots, sources, settings, ground, as_read, plan.repeats)

    progress("Running the rules")
    findings = run_rules(
        RuleContext(
            shots,
            ground,
            as_read,
            assembly,
            sources,
            settings,
            profile,
            corrections,
            misread,
        )
    )
    findings = settled(findings, corrections)
    verdict = deciding.verdicts(shot_verdicts(findings, len(shots)))

    progress("Taking places and depths from sweeps")
    used, ground = corrected(shots, ground, assembly, corrections, settings)
    budget = as_read
    if corrections:
        budget = error_budget(used, ground, assembly, sources, settings, profile, corrections)

    progress("Fitting lines and their envelopes")
    assembly, findings, sweeps = without_miscoded_lines(assembly, findings, sweeps)
    lines = fit_lines(used, ground, budget, assembly, verdict, settings)
    crossings = find_crossings(lines, budget)
    line_verdict = line_verdicts(findings, assembly, verdict)

    results = Results(
        version=__version__,
        settings=settings,
        intake=intake,
        ground=ground,
        budget=budget,
        findings=findings,
        verdict=verdict,
        assembly=assembly,
        lines=lines,
        line_verdict=line_verdict,
        crossings=crossings,
        sweeps=sweeps,
        corrections=corrections,
        plan=plan,
        decided=deciding.outcomes,
    )
    refits = refits_of(results)
    if plan.exposures:
        progress("Applying exposures to lines")
        results = expose(results, refits)
    progress("Holding the job against its checks")
    results = replace(results, accuracy=prove(results, misread))
    if plan.digs:
        progress("Checking digs against lines")
        results = replace(results, digs=check_plan(results, refits=refits))
    if plan.stakeouts:
        progress("Making stakeout lists")
        results = replace(results, stakeouts=make_stakeouts(results))
    return results
