"""Rules about the GNSS solution."""

from __future__ import annotations

from math import ceil

import numpy as np

from asfound.budget.rules.context import Floats, Outcome, RuleContext, graded, outcome, rule
from asfound.model import Fix, Rule, Severity

FIX_KIND = Rule(
    "fix-kind",
    "Not an RTK fixed solution",
    "The kind of GNSS solution at the time of logging.",
    "doubt for RTK float, unfit below, note where it is not recorded",
    "common practice; float solutions are decimetres off",
    "Log the shot again with a fixed solution, away from trees and walls.",
)


@rule(FIX_KIND)
def fix_kind(context: RuleContext) -> Outcome:
    fix = context.shots.fix
    rows = np.flatnonzero(fix != Fix.RTK_FIXED)
    codes = fix[rows]
    if len(rows) == len(fix) and (codes == Fix.NOT_RECORDED).all():
        return "no upload records the kind of solution"
    severity = np.full(len(rows), Severity.FAIL, np.int8)
    severity[codes == Fix.RTK_FLOAT] = Severity.DOUBT
    severity[codes == Fix.NOT_RECORDED] = Severity.NOTE
    said = {
        int(kind): f"the solution was {kind.word.replace('rtk', 'RTK')}, not RTK fixed"
        for kind in Fix
    }
    said[Fix.NOT_RECORDED] = (
        "kind of solution not recorded; taken for float unless it tells its own accuracy"
    )
    words = [said.get(code, f"unknown kind of solution {code}") for code in codes.tolist()]
    return outcome(FIX_KIND, rows, severity, detail=words)


PRECISION_UNRECORDED = Rule(
    "precision-unrecorded",
    "Precision of the positions not recorded",
    "Whether an upload's rows tell the kind of GNSS solution or standard deviations.",
    "doubt where more than 10 % of an upload's shots tell neither, note for any",
    "common practice; without either no one can tell a fixed solution from a float one",
    "Export the log again with the kind of solution or the standard deviations and map their "
    "columns to fix, or east_sd, north_sd and up_sd; until then the shots are carried as RTK "
    "float.",
    subject="source",
)


@rule(PRECISION_UNRECORDED)
def precision_unrecorded(context: RuleContext) -> Outcome:
    shots, size = context.shots, context.profile.tables["errors"]
    silent = np.flatnonzero(shots.fix == Fix.NOT_RECORDED)
    silent = silent[~((shots.east_sd[silent] > 0) & (shots.north_sd[silent] > 0))]
    logged = context.logged.rows
    without = np.bincount(shots.source[silent], minlength=len(context.sources))
    share = without / np.maximum(logged, 1)
    rows = np.flatnonzero(without)
    limit = context.profile("precision-unrecorded", "doubt") / 100
    words = [
        f"{without[row]} of {logged[row]} shots record neither the kind of solution nor standard "
        f"deviations; each is carried as RTK float, {size['float_horizontal']:.2f} m per axis and "
        f"{size['float_vertical']:.2f} m upward, one standard deviation"
        for row in rows
    ]
    severity = np.where(share[rows] > limit, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    return outcome(PRECISION_UNRECORDED, rows, severity, share[rows], limit, "", words)


BASE_DISTANCE = Rule(
    "base-distance",
    "Far from the reference station",
    "Distance to the reference station against the profile's limits.",
    "doubt beyond 20 km, note beyond 11.3 km",
    "single-base practice: 7 miles is good, 20 km the outer limit of the better RT classes",
    "Use a nearer reference station or a network solution, and check in on control.",
)


@rule(BASE_DISTANCE)
def base_distance(context: RuleContext) -> Outcome:
    return _above(
        context,
        BASE_DISTANCE,
        context.shots.base_distance,
        "m",
        "base distances",
        "the reference station stood {:.0f} m away, more than {:.0f} m",
    )


CORRECTION_AGE = Rule(
    "correction-age",
    "Old correction data",
    "Age of the differential correction against the profile's limits.",
    "note beyond 10 s, doubt beyond 30 s",
    "common practice",
    "Wait until the correction link is back, then log again.",
)


@rule(CORRECTION_AGE)
def correction_age(context: RuleContext) -> Outcome:
    return _above(
        context,
        CORRECTION_AGE,
        context.shots.correction_age,
        "s",
        "correction ages",
        "the correction was {:.0f} s old, more than {:g} s",
    )


PDOP = Rule(
    "pdop",
    "Poor satellite geometry",
    "Position dilution of precision against the profile's limits.",
    "note beyond 4, doubt beyond 6",
    "RT classes of single-base guidelines (from memory): PDOP 2 to 6",
    "Wait for better geometry or move clear of obstructions.",
)


@rule(PDOP)
def pdop(context: RuleContext) -> Outcome:
    return _above(
        context, PDOP, context.shots.pdop, "", "PDOP values", "PDOP was {:.1f}, more than {:g}"
    )


SATELLITES = Rule(
    "satellites",
    "Few satellites",
    "Number of satellites in the solution.",
    "note under 7, doubt under 5",
    "common practice",
    "Move clear of obstructions and log again.",
)


@rule(SATELLITES)
def satellites(context: RuleContext) -> Outcome:
    satellites = context.shots.satellites
    if not (satellites >= 0).any():
        return "no upload records satellites"
    note, doubt = (context.profile("satellites", key) for key in ("note", "doubt"))
    rows = np.flatnonzero((satellites >= 0) & (satellites < ceil(note)))
    used = satellites[rows].astype(np.float64)
    few = used < doubt
    severity = np.where(few, Severity.DOUBT, Severity.NOTE).astype(np.int8)
    limit = np.where(few, doubt, note)
    words = [
        f"{number:.0f} satellites, fewer than {least:.0f}"
        for number, least in zip(used.tolist(), limit.tolist(), strict=True)
    ]
    return outcome(SATELLITES, rows, severity, used, limit, detail=words)


def _above(
    context: RuleContext, card: Rule, values: Floats, unit: str, things: str, words: str
) -> Outcome:
    """Note and doubt where a recorded value exceeds the profile's two limits."""
    if not np.isfinite(values).any():
        return f"no upload records {things}"
    note, doubt = context.profile(card.id, "note"), context.profile(card.id, "doubt")
    rows = np.flatnonzero(values > note)
    value = values[rows]
    return graded(card, rows, value, value > doubt, (note, doubt), unit, words.format)
