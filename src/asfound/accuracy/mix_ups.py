"""Which known mix-up explains a misclosure: suspects weighed against each other.

Bayes' rule over suspects. Each predicts the checks' residuals up to their joint covariance; an
unknown constant in height is integrated over its range, so that a vague suspect pays for its
vagueness. Two suspects of last resort stand beside the known ones: a common offset of unknown
cause (a base on wrong coordinates), and checks that disagree with each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.special import chdtrc, log_ndtr, logsumexp

from asfound.accuracy.suspects import CAUSES, Suspect, suspects
from asfound.errors import InputError
from asfound.model import JobSettings, MixUp, MixUpReport, Shots, Source

Floats = npt.NDArray[np.float64]

NONE, OFFSET, SCATTER = "", "common-offset", "scatter"
_WORDS = {
    **CAUSES,
    OFFSET: "a common offset that matches no known mix-up: a base on wrong coordinates, or a "
    "point that is not the one it is taken for",
    SCATTER: "the checks disagree with each other: no single mix-up explains them",
}
# How often each happens before anything is measured; common practice, no source. What matters
# is their order of magnitude only: a mix-up of metres outweighs any of these.
_PRIOR = {
    NONE: 0.60,
    "frame": 0.10,
    "epoch": 0.05,
    "metre-foot": 0.03,
    "foot-foot": 0.03,
    "swapped-axes": 0.03,
    "zone": 0.03,
    "height-kind": 0.04,
    "antenna-height": 0.05,
    "antenna-feet": 0.02,
    OFFSET: 0.01,
    SCATTER: 0.01,
}
_OFFSET_SD = 3.0  # of a base set up on an autonomous position, per axis [m]; common practice
_SCATTER = 20.0  # how many times larger errors of checks that disagree are
_SAME = 0.02  # suspects closer than this can't be told apart by such checks [m]
ALARM = 1e-3
"""Chance of the misclosure below which a mix-up is looked for; as the rule control-failed."""
SURE = 0.80
"""Weight from which a cause is named."""


def find_mix_ups(
    shots: Shots,
    source: Source,
    settings: JobSettings,
    reference: Floats,
    covariance: Floats,
) -> MixUpReport:
    """The probable mix-up behind one upload's checks.

    Parameters
    ----------
    shots : Shots
        n control shots of one upload, as received (repeats: its shots; do it once for either
        upload, with the other's ground points as reference).
    source : Source
    settings : JobSettings
    reference : (n, 3) float64
        Known easting, northing, height in the job's frame [m]; height NaN where not known.
    covariance : (3n, 3n) float64
        Of measured minus known, east, north, up of check 1, then of check 2 ... (`Checks.joint`).

    Raises
    ------
    InputError
        If there are no checks, or the shapes disagree.
    """
    count = len(shots)
    if count == 0 or reference.shape != (count, 3) or covariance.shape != (3 * count, 3 * count):
        raise InputError(
            f"{count} checks do not go with references of shape {reference.shape} and a covariance "
            f"of shape {covariance.shape}.",
            remedy="Give one reference a check, and the covariance of all differences.",
        )
    return weigh(suspects(shots, source, settings, reference), covariance, upload=source.tag)


@dataclass(frozen=True)
class _Weighed:
    suspect: Suspect
    log_likelihood: float
    fit: float
    residual: float
    offset: float


def weigh(tried: tuple[Suspect, ...], covariance: Floats, *, upload: str = "") -> MixUpReport:
    """Weigh suspects against each other.

    Parameters
    ----------
    tried : tuple of Suspect
        The innocent reading first.
    covariance : (3n, 3n) float64
        [m2].
    """
    count = len(tried[0].residual)
    told = np.isfinite(np.stack([s.residual for s in tried])).any(axis=0)
    told &= np.isfinite(np.diagonal(covariance).reshape(count, 3))
    # a height that some readings have and others lack can't be compared between them
    for suspect in tried:
        told[:, 2] &= np.isnan(suspect.residual[:, 0]) | np.isfinite(suspect.residual[:, 2])
    axes = np.flatnonzero(told.ravel())
    own = covariance[np.ix_(axes, axes)]
    kept = _distinct(tried, told)
    roots = _Roots(axes, own)
    weighed = [_likelihood(group[0], roots) for group in kept]
    groups = list(kept)
    if told.any() and np.isfinite(tried[0].residual[told]).all():
        weighed.append(_common_offset(tried[0], roots))
        weighed.append(_scattered(tried[0], roots))
        groups += [(weighed[-2].suspect,), (weighed[-1].suspect,)]
    log_weight = np.array(
        [w.log_likelihood + math.log(_share(w.suspect.cause, groups)) for w in weighed]
    )
    if not np.isfinite(log_weight).any():
        log_weight = np.where(np.arange(len(weighed)) == 0, 0.0, -np.inf)  # nothing can be said
    weight = np.exp(log_weight - logsumexp(log_weight))
    innocent = weighed[0]
    chance = innocent.fit if np.isfinite(innocent.log_likelihood) else 0.0
    causes = _by_cause(weighed, groups, weight)
    top = causes[0]
    named = top.cause if chance < ALARM and top.weight >= SURE and top.fit >= ALARM / 10 else NONE
    if named in (OFFSET, SCATTER):
        named = NONE
    report = MixUpReport(
        upload=upload,
        checks=count,
        misclosure=innocent.residual if np.isfinite(innocent.log_likelihood) else math.inf,
        chance=chance,
        named=named,
        causes=causes,
        words=(),
    )
    return MixUpReport(**{**report.__dict__, "words": _words(report)})


def _distinct(
    tried: tuple[Suspect, ...], told: npt.NDArray[np.bool_]
) -> tuple[tuple[Suspect, ...], ...]:
    """Suspects in groups that such checks can't tell apart; those that change nothing fall out."""
    groups: list[list[Suspect]] = [[tried[0]]]
    for suspect in tried[1:]:
        for group in groups:
            first = group[0]
            if first.cause not in (NONE, suspect.cause):
                continue
            if suspect.offsets or first.offsets:
                continue
            away = np.abs(np.where(told, suspect.residual - first.residual, 0.0))
            if np.nanmax(away, initial=0.0) < _SAME and np.isfinite(away).all():
                if first.cause:
                    group.append(suspect)
                break
        else:
            groups.append([suspect])
    return tuple(tuple(group) for group in groups)


def _share(cause: str, groups: list[tuple[Suspect, ...]]) -> float:
    same = sum(group[0].cause == cause for group in groups)
    return _PRIOR[cause] / same


class _Roots:
    """Roots of the checks' covariance, by what a suspect adds to it."""

    def __init__(self, axes: npt.NDArray[np.int64], covariance: Floats) -> None:
        self.axes = axes
        self.covariance = covariance
        self.made: dict[float, tuple[Floats, float]] = {}

    def of(self, accuracy: float) -> tuple[Floats, float]:
        """Lower root, and the logarithm of the normal density's factor."""
        if accuracy not in self.made:
            # as the budget takes it: accuracy / sqrt(2) per horizontal axis, in full upward
            both = _shared(self.axes, (accuracy**2 / 2, accuracy**2 / 2, accuracy**2))
            lower = np.asarray(np.linalg.cholesky(self.covariance + both), np.float64)
            norm = -float(np.log(np.diagonal(lower)).sum())
            self.made[accuracy] = lower, norm - 0.5 * len(self.axes) * math.log(2 * math.pi)
        return self.made[accuracy]


def _likelihood(suspect: Suspect, roots: _Roots) -> _Weighed:
    axes = roots.axes
    values = suspect.residual.ravel()[axes]
    if not len(values) or not np.isfinite(values).all():
        return _Weighed(suspect, -math.inf, 0.0, math.inf, math.nan)
    lower, norm = roots.of(suspect.accuracy)
    white = solve_triangular(lower, values, lower=True)
    square, freedom = float(white @ white), len(axes)
    offset, left = math.nan, values
    log_likelihood = norm - 0.5 * square
    if suspect.offsets:
        pattern = (axes % 3 == 2).astype(float)
        column = solve_triangular(lower, pattern, lower=True)
        sharp = float(column @ column)
        offset = float(column @ white) / sharp
        square = max(square - sharp * offset**2, 0.0)
        freedom -= 1
        length = sum(high - low for low, high in suspect.offsets)
        inside = logsumexp([_log_inside(low, high, offset, sharp) for low, high in suspect.offsets])
        log_likelihood = (
            norm - 0.5 * square + 0.5 * math.log(2 * math.pi / sharp) - math.log(length) + inside
        )
        left = values - pattern * offset
    fit = float(chdtrc(freedom, square)) if freedom > 0 else 1.0
    checks = len(np.unique(axes // 3))
    return _Weighed(
        suspect, float(log_likelihood), fit, float(np.sqrt(left @ left / checks)), offset
    )


def _log_inside(low: float, high: float, offset: float, sharp: float) -> float:
    """log of the share of a normal around the offset that lies in a range."""
    a, b = (low - offset) * math.sqrt(sharp), (high - offset) * math.sqrt(sharp)
    if a > 0:  # the far tails are accurate on the negative side only
        a, b = -b, -a
    upper, lower = float(log_ndtr(b)), float(log_ndtr(a))
    return upper + math.log1p(-math.exp(min(lower - upper, -1e-300)))


def _shared(axes: npt.NDArray[np.int64], variance: tuple[float, ...]) -> Floats:
    axis = axes % 3
    return np.where(axis[:, None] == axis, np.array(variance)[axis], 0.0)


def _common_offset(innocent: Suspect, roots: _Roots) -> _Weighed:
    suspect = Suspect(OFFSET, _WORDS[OFFSET], innocent.residual, innocent.accuracy)
    wide = roots.covariance + _shared(roots.axes, (_OFFSET_SD**2,) * 3)
    return _likelihood(suspect, _Roots(roots.axes, wide))


def _scattered(innocent: Suspect, roots: _Roots) -> _Weighed:
    suspect = Suspect(SCATTER, _WORDS[SCATTER], innocent.residual, innocent.accuracy)
    return _likelihood(suspect, _Roots(roots.axes, roots.covariance * _SCATTER**2))


def _by_cause(
    weighed: list[_Weighed], groups: list[tuple[Suspect, ...]], weight: Floats
) -> tuple[MixUp, ...]:
    found = []
    causes = list(dict.fromkeys(w.suspect.cause for w in weighed))
    for cause in causes:
        rows = [k for k, w in enumerate(weighed) if w.suspect.cause == cause]
        rows.sort(key=lambda k: -weight[k])
        total = float(sum(weight[k] for k in rows))
        if total < 1e-3:
            continue
        likely = [k for k in rows if weight[k] >= 0.05 * total]
        best = weighed[rows[0]]
        words = tuple(s.words for k in likely for s in groups[k])
        found.append(MixUp(cause, words, total, best.residual, best.fit, best.offset))
    return tuple(sorted(found, key=lambda item: -item.weight))


def _together(ways: tuple[str, ...]) -> str:
    """Ways in a row; what they all start with is said once."""
    shared = "the coordinates are in "
    if not all(way.startswith(shared) for way in ways):
        return ", or ".join(ways)
    return shared + ", ".join(way.removeprefix(shared) for way in ways)


def _words(report: MixUpReport) -> tuple[str, ...]:
    checks = f"{report.checks} check{'s' if report.checks != 1 else ''}"
    upload = f" of upload {report.upload}" if report.upload else ""
    size = (
        f"{report.misclosure:.3f} m off"
        if math.isfinite(report.misclosure)
        else "not where the declared frame can be at all"
    )
    if report.chance >= ALARM:
        return (f"The {checks}{upload} show no mix-up: {size}, within what the budget expects.",)
    first = f"The {checks}{upload} are {size}, which chance does not explain."
    top = report.causes[0]
    if not math.isfinite(top.residual):
        return (first, "No known mix-up brings them anywhere near the known points.")
    if not report.named:
        listed = "; ".join(
            f"{_WORDS.get(c.cause, 'chance')} ({100 * c.weight:.0f} %)" for c in report.causes[:3]
        )
        return (
            first,
            f"No single known mix-up is probable enough to be named. Possible: {listed}.",
        )
    ways = _together(top.words[:4]) + (" or alike" if len(top.words) > 4 else "")
    second = f"Probably {_WORDS[top.cause]} (weight {top.weight:.2f}): if {ways}"
    if math.isfinite(top.offset):
        second += f" ({top.offset:+.3f} m)"
    second += f", the checks close within {top.residual:.3f} m."
    return (
        first,
        second,
        "Nothing was changed. Find it confirmed in the field book or by the service's operator, "
        "then declare it and process again.",
    )
