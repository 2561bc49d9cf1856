"""The loop over shots that sizes every term of the error budget and adds them up.

Errors of a position are level, that is the same in all directions, but for the receiver's own
figures; those of the field act across the line. So a covariance in plan is the receiver's, plus a
level part, plus a part across, and where the receiver's is level too its axes are the line's.
"""

from __future__ import annotations

from math import atan2, cos, floor, inf, isfinite, nan, pi, sin, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    CODES,
    CODES_OUT,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    SHORTS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]

NORMAL_95 = 1.959963984540054
"""Half-width of a 95 % interval in standard deviations."""
RAYLEIGH_95 = 2.447746830680816
"""Square root of the 95 % point of chi-squared with 2 degrees of freedom."""

NOT_RECORDED, RTK_FIXED = -1, 4
"""Kinds of solution that are not lesser ones."""

SIZES = (
    "age_rate",
    "age_free",
    "tilt_measured",
    "tilt_bubble",
    "latency",
    "seating",
    "pinpoint_fixed",
    "pinpoint_relative",
    "coil_noise",
    "coil_separation",
    "coil_height",
    "depth_scale",
    "default_depth",
    "default_base_distance",
)
"""Sizes from the profile in the order in which `size_terms` takes them, angles in radians."""
(
    _AGE_RATE,
    _AGE_FREE,
    _TILT_MEASURED,
    _TILT_BUBBLE,
    _LATENCY,
    _SEATING,
    _PINPOINT_FIXED,
    _PINPOINT_RELATIVE,
    _COIL_NOISE,
    _COIL_SEPARATION,
    _COIL_HEIGHT,
    _DEPTH_SCALE,
    _DEFAULT_DEPTH,
    _DEFAULT_BASE_DISTANCE,
) = range(len(SIZES))

COLUMNS = (
    "gnss east",
    "gnss north",
    "gnss both",
    "gnss up",
    "age level",
    "age up",
    "tilt level",
    "tilt up",
    "logging level",
    "pinpointing east",
    "pinpointing north",
    "pinpointing both",
    "neighbour east",
    "neighbour north",
    "neighbour both",
    "neighbour up",
    "noise up",
    "sweep east",
    "sweep north",
    "sweep both",
    "sweep up",
)
"""Variances of terms that no shots share, in the order in which `size_terms` writes them."""

_QUARTER = 1.5707963267341256
_QUARTER_REST = 6.077100506506192e-11
"""A quarter turn in two parts, the first of so few digits that its small multiples are exact."""


@part
def _across(bearing: float) -> tuple[float, float, float, float]:
    """Shares of a variance across a line that fall on east, north and both, and its axis.

    Sine and cosine by their series, which within an eighth of a turn end at the last digit; the
    library's take three times as long. The axis is a bearing from -pi/2 to pi/2 [rad].
    """
    quarters = floor(bearing / (0.5 * pi) + 0.5)
    rest = (bearing - quarters * _QUARTER) - quarters * _QUARTER_REST
    x = rest * rest
    # fmt: off
    sine = rest * (1.0 + x * (-1 / 6 + x * (1 / 120 + x * (-1 / 5_040 + x * (
        1 / 362_880 + x * (-1 / 39_916_800 + x * (
            1 / 6_227_020_800 + x * (-1 / 1_307_674_368_000))))))))
    cosine = 1.0 + x * (-1 / 2 + x * (1 / 24 + x * (-1 / 720 + x * (1 / 40_320 + x * (
        -1 / 3_628_800 + x * (1 / 479_001_600 + x * (
            -1 / 87_178_291_200 + x * (1 / 20_922_789_888_000))))))))
    # fmt: on
    if quarters - 2.0 * floor(0.5 * quarters) == 0.0:
        axis = rest - 0.5 * pi if rest > 0.0 else rest + 0.5 * pi
        return cosine * cosine, sine * sine, -cosine * sine, axis
    return sine * sine, cosine * cosine, cosine * sine, rest


@part
def _reported(sd: float, usual: float, doubted: bool) -> float:
    """Variance by a receiver's own figure where it gives one, not below the usual if doubted."""
    if not 0.0 < sd < inf:
        return usual
    variance = sd * sd
    return usual if doubted and variance < usual else variance


@part
def _grown(rate: float, amount: float) -> float:
    """(rate x amount)^2 where the amount is known and positive."""
    return (rate * amount) ** 2 if amount > 0.0 else 0.0


@part
def _axes(east: float, north: float, both: float) -> tuple[float, float, float]:
    """Variances along the axes of a covariance in plan, and the bearing of the major one."""
    mean, half = 0.5 * (east + north), 0.5 * (north - east)
    radius = sqrt(half * half + both * both)
    return mean + radius, max(mean - radius, 0.0), 0.5 * atan2(both, half)


@part
def _circle(major: float, minor: float, factors: Floats) -> float:
    """Radius that holds 95 %, by a table of factors over equal steps of minor over major."""
    steps = len(factors) - 1
    place = minor / major * steps if major > 0.0 else float(steps)
    # Written so that a place that is no number is the last.
    step = int(place) if place < steps else steps - 1
    return float(major * (factors[step] + (factors[step + 1] - factors[step]) * (place - step)))


@kernel(
    *(SHORTS, SHORTS, BYTES, CODES, CODES),
    *(FLOATS, FLOATS, FLOATS, FLOATS, FLOATS, FLOATS, FLOATS, FLOATS, FLOATS),
    *(FLOATS, FLOATS, FLOATS, FLOATS, FLOATS, INTEGERS),
    *(FLOATS, GRID, GRID, FLOATS, GRID, GRID, FLOATS),
    *(CODES_OUT, FLOATS_OUT, GRID_OUT),
    *(GRID_OUT, GRID_OUT, FLOATS_OUT, FLOATS_OUT, FLOATS_OUT, GRID_OUT),
)
def size_terms(
    source: npt.NDArray[np.int16],
    operation: npt.NDArray[np.int16],
    fix: npt.NDArray[np.int8],
    receiver: Codes,
    control: Codes,
    east_sd: Floats,
    north_sd: Floats,
    up_sd: Floats,
    base_distance: Floats,
    correction_age: Floats,
    antenna_height: Floats,
    tilt: Floats,
    speed: Floats,
    depth: Floats,
    ground_height: Floats,
    convergence: Floats,
    bearing: Floats,
    aside_sd: Floats,
    below_sd: Floats,
    swept: npt.NDArray[np.int64],
    size: Floats,
    classes: Floats,
    kinds: Floats,
    poles: Floats,
    of_upload: Floats,
    of_operation: Floats,
    factors: Floats,
    pole_codes: Codes,
    depth_scale: Floats,
    columns: Floats,
    own: Floats,
    total: Floats,
    centre: Floats,
    circle: Floats,
    upright: Floats,
    ellipse: Floats,
) -> None:
    """Size the terms of n shots, and write them out one by one or add them up.

    Parameters
    ----------
    source ... control : (n,)
        Columns of the shots; the operation is the ground's.
    east_sd ... bearing : (n,) float64
        Columns of the shots, the ground and the assembly.
    aside_sd, below_sd : (n,) float64
        What neighbours' fields do across the line and to the depth; of a sweep's shots, what the
        sweep leaves unknown [m].
    swept : (k,) int64
        Shots whose place comes from a sweep, ascending.
    size : (len(SIZES),) float64
    classes : (receivers + 1, 3) float64
        Horizontal and vertical size [m] and their growth with the base's distance, by receiver;
        the last for shots that name none.
    kinds : (kinds of solution, 2) float64
        Variance of a horizontal axis and of the height [m2], from `Fix.NOT_RECORDED` on.
    poles : (uploads,) float64
        Antenna heights as declared [m].
    of_upload, of_operation : (uploads or operations, 2) float64
        Variances of a horizontal axis and of the height that shots share [m2]; no rows of
        operations if all are exact.
    factors : (f,) float64
        Of the 95 % circle.
    pole_codes : (n,) int32
        Filled: groups of an upload's shots by one receiver.
    depth_scale : (n,) float64
        Filled: variance that a hook-up's shots share, of each one's depth [m2].
    columns : (len(COLUMNS), n) float64
        If it has any rows they are filled, and nothing below is.
    own, total : (n, 4) float64
        Filled: east-east, north-north, east-north, up-up [m2].
    centre, circle, upright : (n,) float64
        Filled: height of the conductor's centre, and its 95 % in plan and upward [m].
    ellipse : (n, 3) float64
        Filled: semi-axes [m] and bearing [rad].
    """
    receivers = len(classes)
    coil = sqrt(2.0) * size[_COIL_NOISE] / size[_COIL_SEPARATION]
    measured, bubble = size[_TILT_MEASURED], size[_TILT_BUBBLE]
    next_swept = 0
    for shot in range(len(depth)):
        upload = source[shot]

        # The position: of the antenna, and down the pole.
        device = receiver[shot] if receiver[shot] >= 0 else receivers - 1
        kind = fix[shot]
        if kind == RTK_FIXED:
            away = base_distance[shot]
            if not isfinite(away):
                away = size[_DEFAULT_BASE_DISTANCE]
            growth = classes[device, 2] * away
            usual = 0.5 * (classes[device, 0] + growth) ** 2
            usual_up = (classes[device, 1] + growth) ** 2
        else:
            row = min(max(kind - NOT_RECORDED, 0), len(kinds) - 1)
            usual, usual_up = kinds[row, 0], kinds[row, 1]
        # A lesser solution that calls itself good is not believed.
        doubted = kind not in (RTK_FIXED, NOT_RECORDED)
        gnss_east = _reported(east_sd[shot], usual, doubted)
        gnss_north = _reported(north_sd[shot], usual, doubted)
        gnss_up = _reported(up_sd[shot], usual_up, doubted)
        gnss_both = 0.0
        uneven = gnss_east != gnss_north
        if uneven or not isfinite(convergence[shot]):
            middle, half = 0.5 * (gnss_east + gnss_north), 0.5 * (gnss_east - gnss_north)
            turn = 2.0 * convergence[shot]
            gnss_east = middle + half * cos(turn)
            gnss_north = middle - half * cos(turn)
            gnss_both = half * sin(turn)
        age = _grown(size[_AGE_RATE], correction_age[shot] - size[_AGE_FREE])
        pole = antenna_height[shot] if isfinite(antenna_height[shot]) else poles[upload]
        lean = measured if isfinite(tilt[shot]) else bubble
        tip = (pole * lean) ** 2
        # Each of two axes lets the tip down by h lean^2 / 2.
        tip_up = 0.5 * tip * lean * lean
        moved = _grown(size[_LATENCY], speed[shot])

        # The field: across the line, and of the depth. A check on a mark has none of it.
        aside, below = aside_sd[shot] ** 2, below_sd[shot] ** 2
        pinpoint = blurred = scaled = sweep = sweep_up = 0.0
        if next_swept < len(swept) and swept[next_swept] == shot:
            next_swept += 1
            sweep, sweep_up = aside, below
            aside = below = 0.0
        elif control[shot] >= 0:
            aside = below = 0.0
        else:
            deep = depth[shot] if isfinite(depth[shot]) else size[_DEFAULT_DEPTH]
            pinpoint = size[_PINPOINT_FIXED] ** 2 + (size[_PINPOINT_RELATIVE] * deep) ** 2
            # As `em.two_coil_depth_sd` has it.
            z = deep + size[_COIL_HEIGHT]
            blurred = (coil * z * (z + size[_COIL_SEPARATION])) ** 2
            scaled = (size[_DEPTH_SCALE] * deep) ** 2
        directed = isfinite(bearing[shot])
        on_east = on_north = 1.0
        on_both = axis = 0.0
        if directed:
            on_east, on_north, on_both, axis = _across(bearing[shot])

        pole_codes[shot] = upload * receivers + device
        depth_scale[shot] = scaled
        if len(columns):
            columns[0, shot], columns[1, shot] = gnss_east, gnss_north
            columns[2, shot], columns[3, shot] = gnss_both, gnss_up
            columns[4, shot], columns[5, shot] = age, 4.0 * age
            columns[6, shot], columns[7, shot] = tip, tip_up
            columns[8, shot] = moved
            columns[9, shot], columns[10, shot] = on_east * pinpoint, on_north * pinpoint
            columns[11, shot] = on_both * pinpoint
            columns[12, shot], columns[13, shot] = on_east * aside, on_north * aside
            columns[14, shot], columns[15, shot] = on_both * aside, below
            columns[16, shot] = blurred
            columns[17, shot], columns[18, shot] = on_east * sweep, on_north * sweep
            columns[19, shot], columns[20, shot] = on_both * sweep, sweep_up
            continue

        # The sums.
        across = pinpoint + aside + sweep
        middle_height = ground_height[shot] - depth[shot]
        level = age + tip + moved
        up = gnss_up + 4.0 * age + tip_up + size[_SEATING] ** 2 + below + sweep_up + blurred
        if not isfinite(middle_height):
            up = nan
        east = gnss_east + level + on_east * across
        north = gnss_north + level + on_north * across
        both = gnss_both + on_both * across
        shared, shared_up = of_upload[upload, 0], of_upload[upload, 1] + scaled
        if len(of_operation):
            number = operation[shot] if operation[shot] >= 0 else len(of_operation) - 1
            shared += of_operation[number, 0]
            shared_up += of_operation[number, 1]
        own[shot, 0], own[shot, 1], own[shot, 2], own[shot, 3] = east, north, both, up
        east, north, up = east + shared, north + shared, up + shared_up
        total[shot, 0], total[shot, 1], total[shot, 2], total[shot, 3] = east, north, both, up

        # The 95 % regions.
        if uneven:
            larger, smaller, axis = _axes(east, north, both)
        elif directed:
            smaller = gnss_east + level + shared
            larger = smaller + across
        else:
            larger = smaller = east
        major, minor = sqrt(larger), sqrt(smaller)
        centre[shot] = middle_height
        circle[shot] = _circle(major, minor, factors)
        upright[shot] = NORMAL_95 * sqrt(up)
        ellipse[shot, 0], ellipse[shot, 1] = RAYLEIGH_95 * major, RAYLEIGH_95 * minor
        ellipse[shot, 2] = axis if across > 0.0 or uneven else 0.0
