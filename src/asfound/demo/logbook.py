"""What the two receivers log on the walk: physics and honest noise, nothing rounded yet.

The sizes of the noise are those the error budget assumes by default; each shared term is drawn
once for the group that shares it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.demo import _frames
from asfound.demo.blunders import Blunders
from asfound.demo.street import Street
from asfound.demo.walk import Walk
from asfound.em import (
    OWN_SIGNAL,
    CoilPair,
    CrossSection,
    draw_neighbours_beside,
    receiver_display,
    section_field,
    two_coil_depth,
)
from asfound.model import Fix
from asfound.units import decimal_year

Floats = npt.NDArray[np.float64]

# One sigma, metres unless said otherwise.
BASE_HORIZONTAL, BASE_VERTICAL = 0.005, 0.008
ANTENNA_HEIGHT = 0.003
TILT_MEASURED, TILT_BUBBLE = np.radians(0.3), np.radians(0.5)
SEATING = 0.008
LATENCY = 0.2  # s
PINPOINTING, PINPOINTING_SHARE = 0.015, 0.02
COIL_NOISE = 0.01
FIELD_PER_AMPERE = 2.0e-7  # mu0 / 2 pi, T m / A
DEPTH_SCALE = 0.02
FLOAT_HORIZONTAL, FLOAT_VERTICAL = 0.25, 0.5
CORRECTION_AGE_FREE, CORRECTION_AGE_RATE = 5.0, 0.001


@dataclass(frozen=True, eq=False)
class Logbook:
    """What was read and recorded for n shots, and where the truth is.

    Arrays are (n,) float64 in SI units and radians, angles of position in degrees; NaN where a
    receiver doesn't record a quantity.

    Parameters
    ----------
    longitude, latitude, height
        Antenna, in the frame of the correction service, ellipsoidal.
    depth, current, peak_null_separation
        EM readings; NaN at control checks.
    fix, satellites : int64
    east_sd, north_sd, up_sd, pdop, correction_age, base_distance, antenna_height, tilt,
    tilt_bearing, speed
        As in `asfound.model.Shots`.
    true_easting, true_northing, true_height
        The conductor's centre (the mark itself at control checks), job's CRS [m].
    tip_easting, tip_northing, ground_height
        Where the pole really stood, and the ground there [m].
    """

    longitude: Floats
    latitude: Floats
    height: Floats
    depth: Floats
    current: Floats
    peak_null_separation: Floats
    fix: npt.NDArray[np.int64]
    satellites: npt.NDArray[np.int64]
    east_sd: Floats
    north_sd: Floats
    up_sd: Floats
    pdop: Floats
    correction_age: Floats
    base_distance: Floats
    antenna_height: Floats
    tilt: Floats
    tilt_bearing: Floats
    speed: Floats
    true_easting: Floats
    true_northing: Floats
    true_height: Floats
    tip_easting: Floats
    tip_northing: Floats
    ground_height: Floats


def true_depths(street: Street, walk: Walk) -> Floats:
    """Ground to the conductor's centre at the planned points [m]; NaN at control checks."""
    depth = np.full(len(walk), np.nan)
    for index, line in enumerate(street.lines):
        rows = walk.line == index
        level = line.path.at(walk.station[rows])[2]
        depth[rows] = street.ground(walk.easting[rows], walk.northing[rows]) - level
    return depth


def keep_log(street: Street, walk: Walk, blunders: Blunders, rng: np.random.Generator) -> Logbook:
    """Take all the shots of a walk."""
    on_line = walk.line >= 0
    planned = true_depths(street, walk)

    # Where the technician finds the peak, and what the receiver reads there.
    signal = _read_signal(walk, blunders, np.where(on_line, planned, 1.0), rng)
    across = np.where(on_line, signal.across, 0.0)
    tip_east = walk.easting + across * np.cos(walk.bearing)
    tip_north = walk.northing - across * np.sin(walk.bearing)
    ground = street.ground(tip_east, tip_north)
    true_east, true_north, true_height = tip_east.copy(), tip_north.copy(), ground.copy()
    for index, line in enumerate(street.lines):
        rows = walk.line == index
        station, _ = line.path.nearest(tip_east[rows], tip_north[rows])
        true_east[rows], true_north[rows], true_height[rows], _ = line.path.at(station)
    true_east[~on_line], true_north[~on_line] = walk.easting[~on_line], walk.northing[~on_line]
    # The receiver measures from the ground it stands on.
    depth = signal.depth * (ground - true_height) / np.where(on_line, planned, 1.0)

    position = _position(walk, blunders, tip_east, tip_north, ground, rng)
    return Logbook(
        **position,
        depth=np.where(on_line, depth, np.nan),
        current=np.where(on_line, signal.current, np.nan),
        peak_null_separation=np.where(on_line, signal.separation, np.nan),
        true_easting=true_east,
        true_northing=true_north,
        true_height=true_height,
        tip_easting=tip_east,
        tip_northing=tip_north,
        ground_height=ground,
    )


@dataclass(frozen=True, eq=False)
class _Signal:
    across: Floats
    depth: Floats
    current: Floats
    separation: Floats


def _read_signal(
    walk: Walk, blunders: Blunders, depth: Floats, rng: np.random.Generator
) -> _Signal:
    count = len(walk)
    # Every street has stray currents: neighbours as the prior of the error budget has them.
    near = draw_neighbours_beside(OWN_SIGNAL, depth, rng)
    section = CrossSection(
        np.column_stack([np.zeros(count), near.offset, blunders.neighbour_offset]),
        np.column_stack([depth, near.neighbour_depth, blunders.neighbour_depth]),
        np.column_stack([np.ones(count), near.ratio, blunders.neighbour_share]),
    )
    coils = CoilPair()
    reach = 1.5 * (depth + coils.bottom_height)
    shown = receiver_display(section, coils, reach=reach)
    # A peak that has merged with a strong neighbour's is marked where the curve is flattest.
    peak = np.where(np.isnan(shown.peak), 0.0, shown.peak)
    pin = np.hypot(PINPOINTING, PINPOINTING_SHARE * depth)
    across = peak + pin * rng.standard_normal(count)
    heights = np.array([coils.bottom_height, coils.bottom_height + coils.separation])
    field = np.abs(section_field(section, across[:, None], heights[None, :])[0])
    field = field * (1 + COIL_NOISE * rng.standard_normal((count, 2)))
    reading = two_coil_depth(field[:, 0], field[:, 1], coils.separation, coils.bottom_height).depth
    current = field[:, 0] * (reading + coils.bottom_height) / FIELD_PER_AMPERE
    # Each hook-up has its own scale error of depth.
    names = {visit.hookup: k for k, visit in enumerate(walk.visits)}
    scale = DEPTH_SCALE * rng.standard_normal(len(walk.visits))
    hookup = np.array([names[visit.hookup] for visit in walk.visits])[walk.visit]
    reading = reading * (1 + np.where(walk.visit >= 0, scale[hookup], 0.0))
    # Peak and null are each found with the same care.
    separation = np.abs(across - shown.null - pin * rng.standard_normal(count))
    records = np.array([upload.receiver.records_null for upload in walk.uploads])[walk.source]
    return _Signal(
        across, reading, line_current(walk) * current, np.where(records, separation, np.nan)
    )


def line_current(walk: Walk) -> Floats:
    """Current on the line at each shot [A]: a leaky line loses a few per cent every ten metres."""
    current = np.ones(len(walk))
    for index, visit in enumerate(walk.visits):
        rows = walk.visit == index
        current[rows] = visit.current * np.exp(-walk.station[rows] / 400.0)
    return current


def _position(
    walk: Walk,
    blunders: Blunders,
    tip_east: Floats,
    tip_north: Floats,
    ground: Floats,
    rng: np.random.Generator,
) -> dict[str, npt.NDArray[Any]]:
    count = len(walk)
    receivers = [upload.receiver for upload in walk.uploads]

    def per_source(values: list[float]) -> Floats:
        return np.array(values, np.float64)[walk.source]

    reports = np.array([r.reports_sd for r in receivers])[walk.source]
    floating = blunders.floating
    base = per_source([r.base_distance for r in receivers]) + rng.uniform(-150, 150, count)

    # Fixed: as reported, or the receiver's class; DRMS over two axes.
    kind = 1e-6 * base * per_source([r.ppm for r in receivers])
    usual = rng.uniform(0.8, 1.25, (3, count))
    horizontal = (per_source([r.horizontal for r in receivers]) + kind) / np.sqrt(2)
    vertical = per_source([r.vertical for r in receivers]) + kind
    horizontal = np.where(floating, FLOAT_HORIZONTAL, horizontal)
    vertical = np.where(floating, FLOAT_VERTICAL, vertical)
    sd = np.stack([horizontal, horizontal, vertical]) * np.where(reports, usual, 1.0)
    age = 0.6 + rng.gamma(2.0, 0.45, count)
    late = rng.uniform(size=count) < 0.03
    age = np.where(late, rng.uniform(5.0, 8.0, count), age)
    aged = CORRECTION_AGE_RATE * np.maximum(age - CORRECTION_AGE_FREE, 0.0)
    noise = sd * rng.standard_normal((3, count))
    noise += np.stack([aged, aged, 2 * aged]) * rng.standard_normal((3, count))

    # Shared by an upload, and by a frame's operation.
    sources = len(walk.uploads)
    size = np.array([BASE_HORIZONTAL, BASE_HORIZONTAL, BASE_VERTICAL])
    noise += (size[:, None] * rng.standard_normal((3, sources)))[:, walk.source]
    pole = ANTENNA_HEIGHT * rng.standard_normal(sources)[walk.source]
    frames = sorted({upload.frame for upload in walk.uploads})
    stated = np.array([_frames.stated_accuracy(frame) for frame in frames])
    share = np.array([np.sqrt(0.5), np.sqrt(0.5), 1.0])[:, None] * stated
    of_frame = np.array([frames.index(upload.frame) for upload in walk.uploads])[walk.source]
    noise += (share * rng.standard_normal((3, len(frames))))[:, of_frame]

    # Time passes between the position and the key press.
    speed = rng.uniform(0.0, 0.05, count) * reports
    moved = LATENCY * speed * rng.standard_normal(count)
    noise[0] += moved * np.sin(walk.bearing)
    noise[1] += moved * np.cos(walk.bearing)

    # The pole: towards east and north, as it is and as a sensor measures it.
    measures = np.array([r.measures_tilt for r in receivers])[walk.source]
    lean = np.radians(1.2) * rng.standard_normal((2, count)) * measures
    direction = rng.uniform(0, 2 * np.pi, count)
    lean += blunders.lean * np.stack([np.sin(direction), np.cos(direction)])
    error = rng.standard_normal((2, count)) * np.where(measures, TILT_MEASURED, TILT_BUBBLE)
    true_lean = lean + error
    tilt, towards = np.hypot(*true_lean), np.arctan2(*true_lean)
    recorded_height = per_source([r.antenna_height for r in receivers])
    length = recorded_height + pole + blunders.extra_height
    tip_height = ground + SEATING * rng.standard_normal(count) * (walk.line >= 0)

    longitude, latitude = _frames.to_geographic(tip_east, tip_north)
    height = tip_height + length * np.cos(tilt) + noise[2]
    longitude, latitude = _frames.offset(
        longitude,
        latitude,
        height,
        length * np.sin(tilt) * np.sin(towards) + noise[0],
        length * np.sin(tilt) * np.cos(towards) + noise[1],
    )
    epoch = decimal_year(walk.time)
    for index, upload in enumerate(walk.uploads):
        rows = walk.source == index
        longitude[rows], latitude[rows], height[rows] = _frames.to_frame(
            upload.frame, longitude[rows], latitude[rows], height[rows], epoch[rows]
        )
    unless = np.where(reports, 1.0, np.nan)
    return {
        "longitude": longitude,
        "latitude": latitude,
        "height": height,
        "fix": np.where(floating, Fix.RTK_FLOAT, Fix.RTK_FIXED).astype(np.int64),
        "satellites": rng.integers(14, 24, count) - 5 * floating,
        "east_sd": sd[0] * unless,
        "north_sd": sd[1] * unless,
        "up_sd": sd[2] * unless,
        "pdop": rng.uniform(1.2, 2.0, count) + 1.2 * floating,
        "correction_age": age,
        "base_distance": base,
        "antenna_height": recorded_height,
        "tilt": np.where(measures, np.hypot(*lean), np.nan),
        "tilt_bearing": np.where(measures, np.arctan2(*lean) % (2 * np.pi), np.nan),
        "speed": np.where(reports, speed, np.nan),
    }
