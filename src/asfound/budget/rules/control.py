"""Rules about control checks."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri, ndtri

from asfound.budget.rules.context import Outcome, RuleContext, nothing, outcome, rule
from asfound.model import Rule, Severity

CONTROL_FAILED = Rule(
    "control-failed",
    "Control check failed",
    "A check on a point of known coordinates against them, by both uncertainties.",
    "unfit where the misclosure would come by chance in less than 1 of 1000 checks",
    "chi-squared test of the misclosure",
    "Stop: find out whether the frame, the antenna height or the point is wrong, before any shot "
    "of this upload is used.",
)


@rule(CONTROL_FAILED)
def control_failed(context: RuleContext) -> Outcome:
    shots, ground = context.shots, context.ground
    points = {point.name.casefold(): point for point in context.settings.control}
    rows = np.flatnonzero(context.control)
    if not len(rows):
        return "no control checks"
    chance = context.profile("control-failed", "chance")
    limit_plan, limit_up = chdtri(2, chance), -ndtri(chance / 2)
    covariance = context.budget.covariance_of(rows)[:, :2, :2]
    up_variance = _up_variance(context, rows)
    found: list[tuple[int, Severity, float, float, str]] = []
    causes = {tag: f"; probably {cause}" for tag, cause in _named_causes(context).items()}
    tags = [source.tag for source in context.sources]
    for place, row in enumerate(rows.tolist()):
        name = shots.control.word(row)
        point = points.get(name.casefold())
        if point is None:
            words = f"control point {name} has no coordinates in job.toml"
            found.append((row, Severity.NOTE, float("nan"), float("nan"), words))
            continue
        off = np.array([ground.easting[row] - point.easting, ground.northing[row] - point.northing])
        up = float(ground.height[row] - point.height)
        plan = covariance[place] + np.eye(2) * point.horizontal_sd**2
        score = float(off @ np.linalg.solve(plan, off))
        up_sd = float(np.sqrt(up_variance[place] + point.vertical_sd**2))
        size = float(np.hypot(*off))
        cause = causes.get(tags[shots.source[row]], "")
        if score > limit_plan:
            allowed = size * float(np.sqrt(limit_plan / score))
            words = (
                f"{size:.3f} m off {name} in plan ({off[0]:+.3f} east, {off[1]:+.3f} north), "
                f"allowed {allowed:.3f} m{cause}"
            )
            found.append((row, Severity.FAIL, size, allowed, words))
        elif np.isfinite(up) and abs(up) > limit_up * up_sd:
            words = f"{up:+.3f} m off {name} in height, allowed {limit_up * up_sd:.3f} m{cause}"
            found.append((row, Severity.FAIL, abs(up), limit_up * up_sd, words))
    if not found:
        return nothing(CONTROL_FAILED)
    index, severity, value, limit, words_ = zip(*found, strict=True)
    return outcome(
        CONTROL_FAILED,
        np.array(index, np.int64),
        np.array(severity, np.int8),
        np.array(value),
        np.array(limit),
        "m",
        words_,
    )


def _named_causes(context: RuleContext) -> dict[str, str]:
    """Of each upload that was probably misread: how, by the first of its likeliest readings."""
    return {report.upload: report.causes[0].words[0] for report in context.misread if report.named}


MISREAD = Rule(
    "misread-upload",
    "Upload probably misread",
    "An upload's checks on control, or on marks that another upload with good control has as "
    "well, against every way in which it could have been read wrongly: "
    "frame, epoch, metres and feet, swapped axes, zone, kind of height, antenna height.",
    "unfit where chance does not explain the misclosure (less than 1 of 1000) and one cause has a "
    "probability of 80 % or more",
    "what each mix-up does at this place, weighed by Bayes' rule",
    "Find the cause confirmed in the field book or by the correction service's operator, declare "
    "it in the upload's mapping, and process again. Use no shot of the upload before.",
)


@rule(MISREAD)
def misread_upload(context: RuleContext) -> Outcome:
    shots = context.shots
    causes = _named_causes(context)
    if not context.misread and not np.any(shots.control.codes >= 0):
        return "no control checks"
    sizes = {report.upload: report.misclosure for report in context.misread}
    rows, words, values = [], [], []
    for index, source in enumerate(context.sources):
        if source.tag not in causes:
            continue
        own = np.flatnonzero((shots.source == index) & ~context.control)
        size = sizes[source.tag]
        said = "its checks are "
        said += f"{size:.3f} m off" if np.isfinite(size) else "nowhere near the points"
        rows.append(own)
        values.append(np.full(len(own), size))
        words += [f"{said}; probably {causes[source.tag]}"] * len(own)
    if not rows:
        return nothing(MISREAD)
    value = np.concatenate(values)
    return outcome(MISREAD, np.concatenate(rows), Severity.FAIL, value, float("nan"), "m", words)


def _up_variance(context: RuleContext, rows: np.ndarray) -> np.ndarray:
    """Of the ground point's height [m2]; the budget itself knows none where there is no depth."""
    total = np.zeros(len(rows))
    for term in context.budget.terms_of(rows):
        total += term.up_up
    return total


CONTROL_MISSING = Rule(
    "control-missing",
    "No control check",
    "Whether an upload holds a check on a point of known coordinates.",
    "at least one an upload",
    "common practice: check in before work and check out after",
    "Log a known point before and after work; without it a wrong frame stays unseen.",
    subject="source",
)


@rule(CONTROL_MISSING)
def control_missing(context: RuleContext) -> Outcome:
    known = {point.name.casefold() for point in context.settings.control}
    shots = context.shots
    names = np.array([name.casefold() in known for name in shots.control.names] + [False])
    checks = np.flatnonzero(context.control)
    checks = checks[names[shots.control.codes[checks]]]
    counts = np.bincount(shots.source[checks], minlength=len(context.sources))
    rows = np.flatnonzero((counts == 0) & (context.logged.rows > 0))
    words = ["no shot on a control point whose coordinates job.toml holds"] * len(rows)
    return outcome(CONTROL_MISSING, rows, Severity.DOUBT, detail=words)
