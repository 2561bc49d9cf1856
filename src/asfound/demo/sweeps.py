"""Sweeps across the stretch that a strong neighbour distorts: what settles the matter.

On the afternoon of day 2 the crew lays a tape across the line at four places of the distorted
stretch and notes readings of the horizontal and the vertical coil every 0.4 m, as nanotesla
without sign, 1 % noise. The coil is kept level, at a height above the ground over the line.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.demo import _frames
from asfound.demo.blunders import Blunders
from asfound.demo.logbook import BASE_HORIZONTAL, BASE_VERTICAL, line_current
from asfound.demo.street import Street
from asfound.demo.walk import Walk
from asfound.em import BOTTOM_HEIGHT, COIL_SEPARATION, CrossSection, section_field

Floats = npt.NDArray[np.float64]

SWEEPS_FILE = "osier-lane-day2-sweeps.csv"
HEADER = (
    "Sweep", "Time (UTC)", "Utility", "Hook-up", "Method", "Frequency (Hz)", "Coil",
    "Coil height (m)", "Tape (m)", "Reading (nT)", "Start latitude", "Start longitude",
    "Start height (m)", "End latitude", "End longitude", "End height (m)", "Tape end (m)",
)  # fmt: skip
TAPE = 4.8
STEP = 0.4
START = np.datetime64("2026-11-18T21:05:00")
"""UTC: five past three in the afternoon, local time."""

_NOISE, _FLOOR = 0.01, 0.02
_HORIZONTAL_SD, _VERTICAL_SD = 0.010, 0.018
_PLACES = (1, 3, 6, 8)


@dataclass(frozen=True, eq=False)
class TrueSweep:
    """What lies under one sweep.

    Parameters
    ----------
    name : str
        As in the file.
    line : str
        Name of the true line that the tape was laid across.
    position, depth, current : (2,) float64
        Conductors: along the tape from its zero, below ground [m], signed current [A]; the line
        first, then its neighbour.
    easting, northing, height : (2,) float64
        Their centres, job's CRS [m].
    """

    name: str
    line: str
    position: Floats
    depth: Floats
    current: Floats
    easting: Floats
    northing: Floats
    height: Floats


def make_sweeps(
    street: Street, walk: Walk, blunders: Blunders, depth: Floats, rng: np.random.Generator
) -> tuple[bytes, tuple[TrueSweep, ...]]:
    """The file of sweeps, and the truth under them.

    Parameters
    ----------
    street, walk, blunders
    depth : (n,) float64
        True depth at the planned points of the walk [m].
    """
    rows: list[list[str]] = []
    truths: list[TrueSweep] = []
    stretch = np.flatnonzero(blunders.cause == "distortion")
    shared = rng.standard_normal(3) * [BASE_HORIZONTAL, BASE_HORIZONTAL, BASE_VERTICAL]
    for number, place in enumerate(_PLACES):
        shot = int(stretch[place])
        truths.append(_truth(f"S{number + 1}", street, walk, blunders, depth, shot, rng))
        truth = truths[-1]
        ends = _ends(street, walk, truth, shot, shared, rng)
        visit = walk.visits[walk.visit[shot]]
        time = START + np.timedelta64(260 * number, "s")
        line = next(k for k in street.lines if k.name == truth.line)
        heights = (
            (BOTTOM_HEIGHT,) if number % 2 else (BOTTOM_HEIGHT, BOTTOM_HEIGHT + COIL_SEPARATION)
        )
        readings = [(coil, height) for height in heights for coil in ("horizontal", "vertical")]
        for coil, height in readings:
            tape, value = _readings(truth, coil, height, rng)
            for k in range(len(tape)):
                rows.append(
                    [
                        truth.name,
                        f"{time}Z",
                        line.utility.word,
                        visit.hookup,
                        visit.method.word,
                        f"{visit.frequency:.0f}",
                        coil,
                        f"{height:.2f}",
                        f"{tape[k]:.2f}",
                        f"{value[k]:.2f}",
                        *ends,
                    ]
                )
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEADER)
    writer.writerows(rows)
    return text.getvalue().encode(), tuple(truths)


def _truth(
    name: str,
    street: Street,
    walk: Walk,
    blunders: Blunders,
    depth: Floats,
    shot: int,
    rng: np.random.Generator,
) -> TrueSweep:
    """Conductors under a tape whose middle is laid near the marked line, not quite on it."""
    offset = np.array([0.0, blunders.neighbour_offset[shot]])
    below = np.array([depth[shot], blunders.neighbour_depth[shot]])
    current = float(line_current(walk)[shot]) * np.array([1.0, blunders.neighbour_share[shot]])
    east, north = walk.easting[shot], walk.northing[shot]
    bearing = walk.bearing[shot]
    level = float(street.ground(np.array([east]), np.array([north]))[0])
    return TrueSweep(
        name,
        street.lines[walk.line[shot]].name,
        TAPE / 2 + float(rng.uniform(-0.25, 0.25)) + offset,
        below,
        current,
        east + offset * np.cos(bearing),
        north - offset * np.sin(bearing),
        level - below,
    )


def _readings(
    truth: TrueSweep, coil: str, height: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    tape = np.arange(0.0, TAPE + STEP / 2, STEP)
    section = CrossSection(truth.position, truth.depth, truth.current)
    field = 1e9 * section_field(section, tape, height)[0 if coil == "horizontal" else 1].real
    noise = _NOISE * np.abs(field) * rng.standard_normal(len(tape))
    noise += _FLOOR * rng.standard_normal(len(tape))
    return tape, np.abs(field + noise)


def _ends(
    street: Street,
    walk: Walk,
    truth: TrueSweep,
    shot: int,
    shared: Floats,
    rng: np.random.Generator,
) -> list[str]:
    """Latitude, longitude, height of both ends on the ground, and the tape's length."""
    along = np.array([0.0, TAPE]) - truth.position[0]
    east = walk.easting[shot] + along * np.cos(walk.bearing[shot])
    north = walk.northing[shot] - along * np.sin(walk.bearing[shot])
    up = street.ground(east, north) + _VERTICAL_SD * rng.standard_normal(2) + shared[2]
    longitude, latitude = _frames.to_geographic(
        east + _HORIZONTAL_SD * rng.standard_normal(2) + shared[0],
        north + _HORIZONTAL_SD * rng.standard_normal(2) + shared[1],
    )
    cells = []
    for k in range(2):
        cells += [f"{latitude[k]:.9f}", f"{longitude[k]:.9f}", f"{up[k]:.3f}"]
    return [*cells, f"{TAPE:.2f}"]
