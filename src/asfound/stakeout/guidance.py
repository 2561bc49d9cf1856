"""Guidance to a target: which way, how far, and whether one may say "here"."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, chndtr

from asfound.budget import circular_factor, principal_axes
from asfound.geodesy import GRS80, local_offset, rotate_covariance
from asfound.model import Fix, ServiceTargets
from asfound.stakeout.live import LiveFix, LiveState, lag

Floats = npt.NDArray[np.float64]

# Standard deviations per axis where the receiver gives none of its own [m], as the default
# profile of the error budget has them (single base at 5 km; common practice).
_FIXED_SD, _FIXED_UP_SD = 0.0092, 0.020
_BY_KIND = {
    Fix.RTK_FIXED: (_FIXED_SD, _FIXED_UP_SD),
    Fix.RTK_FLOAT: (0.25, 0.50),
    Fix.DIFFERENTIAL: (0.50, 1.00),
    Fix.PPS: (0.50, 1.00),
}
_POOR = (2.5, 5.0)
SERVICE_SD = 0.005  # base or service in its frame, per axis [m]; common practice


@dataclass(frozen=True, eq=False)
class LiveTarget:
    """One target in the service's frame.

    Parameters
    ----------
    name : str
    longitude, latitude : float
        [deg].
    height : float
        Of the ground above the ellipsoid [m]; NaN if not known.
    depth : float
        Ground to the conductor's centre [m]; NaN if not known.
    covariance : (3, 3) float64
        True east, north, up [m2].
    """

    name: str
    longitude: float
    latitude: float
    height: float
    depth: float
    covariance: Floats


def live_target(targets: ServiceTargets, row: int) -> LiveTarget:
    """One row of a stakeout list."""
    own = targets.targets
    # grid axes to true ones; the height, which may not be known, is not touched by that
    level = np.where(np.eye(3, dtype=bool), 1.0, 0.0)
    level[:2, :2] = targets.covariance[row, :2, :2]
    covariance = rotate_covariance(level[None], -targets.convergence[row : row + 1])
    covariance[0, 2, 2] = targets.covariance[row, 2, 2]
    return LiveTarget(
        own.name[row],
        float(targets.longitude[row]),
        float(targets.latitude[row]),
        float(targets.ellipsoidal_height[row]),
        float(own.depth[row]),
        covariance[0],
    )


@dataclass(frozen=True)
class GuidanceSettings:
    """Limits of guidance.

    Parameters
    ----------
    tolerance : float
        Horizontal distance that counts as "here" [m]; common practice, no source.
    chance : float
        With which the spot must lie within it.
    antenna_height : float
        Of the rover's pole [m].
    oldest : float
        Age from which a position is stale [s].
    oldest_correction : float
        Age of corrections from which "here" is refused [s]; common practice.
    steady : float
        How long neither kind of fix nor position may have jumped [s].
    by : str
        ``'course'``: ahead is where one walks; ``'north'``: ahead is north.
    course_lasts : float
        How long the last course holds while standing [s].
    """

    tolerance: float = 0.05
    chance: float = 0.95
    antenna_height: float = 2.0
    oldest: float = 1.5
    oldest_correction: float = 10.0
    steady: float = 1.0
    by: str = "course"
    course_lasts: float = 20.0


@dataclass(frozen=True)
class Guidance:
    """What to show.

    Parameters
    ----------
    status : str
        ``'live'``, ``'stale'`` or ``'no position'``. Unless it is live no number below is given.
    fix : str
        Kind of solution in words.
    age : float
        Of the position [s].
    east, north, up : float
        From the pole's tip to the target [m]; up NaN without heights.
    distance, bearing : float
        Horizontal [m]; true bearing of the target [rad].
    ahead, right : float
        The same in the direction of `by`: negative is back and left [m].
    by : str
        ``'course'`` or ``'north'``: what ahead means at the moment.
    here_95, target_95, both_95 : float
        95 % radii of one's own position, of the target, and of the way between them [m].
    consistent : bool
        Whether the way could be nothing but error (chi-squared, 95 %).
    chance_within : float
        Probability that the true spot lies within the tolerance of the tip.
    here : bool
        Whether one may say "here".
    on_spot : bool
        Whether the tip stands on the target's coordinates within the tolerance, however well
        these are known; true wherever `here` is.
    refusals : tuple of str
        Why not, in words; empty if one may.
    """

    status: str
    fix: str
    age: float
    east: float = math.nan
    north: float = math.nan
    up: float = math.nan
    distance: float = math.nan
    bearing: float = math.nan
    ahead: float = math.nan
    right: float = math.nan
    by: str = ""
    here_95: float = math.nan
    target_95: float = math.nan
    both_95: float = math.nan
    consistent: bool = False
    chance_within: float = 0.0
    here: bool = False
    on_spot: bool = False
    refusals: tuple[str, ...] = ()


def guide(
    state: LiveState,
    target: LiveTarget,
    now: float,
    settings: GuidanceSettings | None = None,
) -> Guidance:
    """Guidance at this moment.

    Parameters
    ----------
    state : LiveState
        From `feed`.
    target : LiveTarget
        In the frame of the service that the stream speaks.
    now : float
        The same clock as `feed`'s [s].
    settings : GuidanceSettings, optional

    Notes
    -----
    The chance to be within the tolerance t with the way d and circular error s (the larger axis)
    is the non-central chi-squared distribution, 2 degrees of freedom, of t^2/s^2 at d^2/s^2.
    """
    settings = settings or GuidanceSettings()
    fix = state.fix
    if fix is None:
        return Guidance("no position", "none", math.inf, refusals=("no position",))
    age = now - fix.received + lag(state)
    if age > settings.oldest:
        words = f"the last position is {age:.1f} s old"
        return Guidance("stale", fix.fix.word, age, refusals=(words,))
    if now - state.delay_fell_at < settings.oldest and math.isfinite(state.delay_fell_at):
        words = "the link is catching up: positions are older than they seem"
        return Guidance("stale", fix.fix.word, age, refusals=(words,))
    east, north, up = _way(fix, target, settings.antenna_height)
    distance = math.hypot(east, north)
    own = _own_covariance(fix)
    both = own + target.covariance
    plane = both[:2, :2]
    way = np.array([east, north])
    known = bool(np.isfinite(plane).all())
    consistent, chance = False, 0.0
    if known:
        consistent = float(way @ np.linalg.solve(plane, way)) <= float(chdtri(2, 0.05))
        chance = _chance_within(settings.tolerance, distance, plane)
    by, heading = "north", 0.0
    if settings.by == "course" and now - state.course_at <= settings.course_lasts:
        by, heading = "course", state.course
    doubts = _doubts(state, fix, now, settings)
    refusals = doubts + _too_unsure(chance, known, settings)
    standing = _chance_within(settings.tolerance, distance, own[:2, :2])
    return Guidance(
        status="live",
        fix=fix.fix.word,
        age=age,
        east=east,
        north=north,
        up=up,
        distance=distance,
        bearing=math.atan2(east, north) % (2.0 * math.pi),
        ahead=east * math.sin(heading) + north * math.cos(heading),
        right=east * math.cos(heading) - north * math.sin(heading),
        by=by,
        here_95=_radius(own),
        target_95=_radius(target.covariance),
        both_95=_radius(both),
        consistent=consistent,
        chance_within=chance,
        here=not refusals,
        on_spot=not refusals or (not doubts and standing >= settings.chance),
        refusals=refusals,
    )


def _chance_within(tolerance: float, distance: float, plane: Floats) -> float:
    spread = math.sqrt(float(np.linalg.eigvalsh(plane)[1]))
    return float(chndtr((tolerance / spread) ** 2, 2, (distance / spread) ** 2))


def _way(fix: LiveFix, target: LiveTarget, antenna_height: float) -> tuple[float, float, float]:
    level = fix.height if math.isfinite(fix.height) else 0.0
    there = target.height if math.isfinite(target.height) else level - antenna_height
    east, north, up = local_offset(
        np.array([target.longitude]),
        np.array([target.latitude]),
        np.array([there]),
        fix.longitude,
        fix.latitude,
        level - antenna_height,
        GRS80,
    )
    told = math.isfinite(fix.height) and math.isfinite(target.height)
    return float(east[0]), float(north[0]), float(up[0]) if told else math.nan


def _own_covariance(fix: LiveFix) -> Floats:
    """Of the pole's tip: the receiver's own figures, but a lesser solution is not believed."""
    level, upward = _BY_KIND.get(fix.fix, _POOR)
    believed = fix.fix is Fix.RTK_FIXED

    def of(own: float, usual: float) -> float:
        if not math.isfinite(own) or own <= 0.0:
            return usual
        return own if believed else max(own, usual)

    sd = np.array([of(fix.east_sd, level), of(fix.north_sd, level), of(fix.up_sd, upward)])
    return np.diag(sd**2 + SERVICE_SD**2)


def _radius(covariance: Floats) -> float:
    if not np.isfinite(covariance[:2, :2]).all():
        return math.nan
    major, minor, _ = principal_axes(
        covariance[None, 0, 0], covariance[None, 1, 1], covariance[None, 0, 1]
    )
    ratio = minor / major if major[0] > 0 else np.ones(1)
    return float((major * circular_factor(ratio))[0])


def _doubts(
    state: LiveState, fix: LiveFix, now: float, settings: GuidanceSettings
) -> tuple[str, ...]:
    """What is wrong with one's own position."""
    words = []
    if fix.fix is not Fix.RTK_FIXED:
        words.append(f"the solution is {fix.fix.word}, not fixed")
    if fix.correction_age > settings.oldest_correction:
        words.append(f"corrections are {fix.correction_age:.0f} s old")
    if now - state.steady_since < settings.steady:
        words.append("the position has just jumped or changed its kind: hold still")
    return tuple(words)


def _too_unsure(chance: float, known: bool, settings: GuidanceSettings) -> tuple[str, ...]:
    if not known:
        return ("the target's uncertainty is not known",)
    if chance >= settings.chance:
        return ()
    return (
        f"the chance to be within {settings.tolerance:.3f} m is {100 * chance:.0f} %, less "
        f"than {100 * settings.chance:.0f} %",
    )
