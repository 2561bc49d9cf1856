"""A logbook as each layout keeps it: rounded to what is written, in the layout's own units.

Both the raw files and the fast way into memory start here, so that they can't differ by more
than the reading of text.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.demo import _frames
from asfound.demo.blunders import SHUFFLED_UPLOAD, Blunders
from asfound.demo.logbook import Logbook
from asfound.demo.survey import CONTROL, UploadPlan
from asfound.demo.walk import Walk
from asfound.model import Labels, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

QUARTER_INCH = 0.0254 / 4
ARC_GRAIN = 100_000
"""Written seconds of arc are in units of 1/ARC_GRAIN second: 0.3 mm."""
FEET_PER_METRE = 1 / 0.3048
_SHORT = 40  # a file of so few rows has none that are no shots
_NOTES = ("driveway", "valve box 2 m north", "traffic", "hydrant near", "wet grass", "recheck")


@dataclass(frozen=True, eq=False)
class Page:
    """One upload's rows in the order of the file.

    Parameters
    ----------
    source : int
        Index among all uploads of the job.
    upload : UploadPlan
    shots : (n,) int64
        Indices into the walk.
    row : (n,) int64
        Data row in the file, from 1; rows that are not shots are counted too.
    spoiled : dict of int to str
        Data row -> which kind of unusable row stands there.
    numbers : dict of str to (n,) array
        As written: rounded, in the units of the layout.
    """

    source: int
    upload: UploadPlan
    shots: Integers
    row: Integers
    spoiled: dict[int, str]
    numbers: dict[str, npt.NDArray[Any]]


def write_pages(
    walk: Walk, log: Logbook, blunders: Blunders, rng: np.random.Generator, *, first: int = 0
) -> tuple[Page, ...]:
    """The uploads of a walk as they are written down, typing errors included.

    Parameters
    ----------
    walk, log, blunders
    first : int
        Index of the walk's first upload among all of the job.
    """
    pages = []
    for source, upload in enumerate(walk.uploads):
        shots = np.flatnonzero(walk.source == source)
        if first + source == SHUFFLED_UPLOAD:
            shots = rng.permutation(shots)
        count = 2 if len(shots) > _SHORT else 0
        rows = np.arange(1, len(shots) + count + 1)
        spoiled = np.sort(rng.choice(rows[10:-10], count, replace=False)) if count else rows[:0]
        kinds = ("no position", "header") if source % 2 else ("no position", "remark")
        pages.append(
            Page(
                first + source,
                upload,
                shots,
                np.setdiff1d(rows, spoiled),
                dict(zip(spoiled.tolist(), kinds, strict=False)),
                {
                    **_common(shots, walk, log, blunders, rng),
                    **_LAYOUTS[upload.layout](shots, walk, log, blunders, rng),
                },
            )
        )
    return tuple(pages)


def _common(
    shots: Integers, walk: Walk, log: Logbook, blunders: Blunders, rng: np.random.Generator
) -> dict[str, npt.NDArray[Any]]:
    current = np.round(log.current[shots] * 1000, 1)
    return {
        "note": np.where(rng.uniform(size=len(shots)) < 0.03, rng.choice(_NOTES, len(shots)), ""),
        "utility": blunders.typed_utility[shots],
        "visit": walk.visit[shots],
        "control": walk.control[shots],
        "fix": log.fix[shots],
        "satellites": log.satellites[shots],
        "current_mA": current,
        "pdop": np.round(log.pdop[shots], 1),
        "correction_age": np.round(log.correction_age[shots], 1),
        "base_km": np.round(log.base_distance[shots] / 1000, 2),
    }


def _degrees(
    shots: Integers, walk: Walk, log: Logbook, blunders: Blunders, rng: np.random.Generator
) -> dict[str, npt.NDArray[Any]]:
    return {
        "time": walk.time[shots],
        "longitude": np.round(log.longitude[shots], 9),
        "latitude": np.round(log.latitude[shots], 9),
        "height": np.round(log.height[shots], 4),
        "east_sd": np.round(log.east_sd[shots], 4),
        "north_sd": np.round(log.north_sd[shots], 4),
        "up_sd": np.round(log.up_sd[shots], 4),
        "antenna_height": np.round(log.antenna_height[shots], 3),
        "tilt": np.round(np.degrees(log.tilt[shots]), 2),
        "tilt_bearing": np.round(np.degrees(log.tilt_bearing[shots]), 1),
        "speed": np.round(log.speed[shots], 3),
        "depth": _slipped_metres(np.round(log.depth[shots], 3), blunders.depth_slip[shots], 3),
        "separation": np.round(log.peak_null_separation[shots], 3),
    }


def _grid(
    shots: Integers, walk: Walk, log: Logbook, blunders: Blunders, rng: np.random.Generator
) -> dict[str, npt.NDArray[Any]]:
    foot = _frames.US_SURVEY_FOOT
    easting, northing = _frames.to_grid(log.longitude[shots], log.latitude[shots])
    return {
        "time": _whole_seconds(walk.time[shots]),
        "easting": np.round(easting / foot, 3),
        "northing": np.round(northing / foot, 3),
        "height": np.round(log.height[shots] / foot, 3),
        "east_sd": np.round(log.east_sd[shots] / foot, 4),
        "north_sd": np.round(log.north_sd[shots] / foot, 4),
        "up_sd": np.round(log.up_sd[shots] / foot, 4),
        "antenna_height": np.round(log.antenna_height[shots] / foot, 4),
        "tilt": np.round(np.degrees(log.tilt[shots]), 2),
        "tilt_bearing": np.round(np.degrees(log.tilt_bearing[shots]), 1),
        "speed": np.round(log.speed[shots], 3),
        "depth": _slipped_metres(np.round(log.depth[shots], 2), blunders.depth_slip[shots], 2),
        "separation": np.round(log.peak_null_separation[shots], 2),
    }


def _sexagesimal(
    shots: Integers, walk: Walk, log: Logbook, blunders: Blunders, rng: np.random.Generator
) -> dict[str, npt.NDArray[Any]]:
    grains = np.stack(
        [
            np.round(np.abs(angle[shots]) * 3600 * ARC_GRAIN).astype(np.int64)
            for angle in (log.latitude, log.longitude)
        ]
    )
    for row in np.flatnonzero(blunders.position_slip[shots]):
        grains[:, row] = _mistype(grains[:, row], float(walk.bearing[shots[row]]), rng)
    depth = log.depth[shots] / QUARTER_INCH
    slip = blunders.depth_slip[shots]
    for kind, factor in (("x10", 10.0), ("/10", 0.1), ("metres", 0.3048)):
        depth = np.where(slip == kind, depth * factor, depth)
    return {
        "time": _whole_seconds(walk.time[shots]),
        "latitude_grains": grains[0],
        "longitude_grains": grains[1],
        "height": np.round(log.height[shots], 3),
        "depth_quarter_inches": np.round(depth),
    }


_LAYOUTS = {"degrees": _degrees, "sexagesimal": _sexagesimal, "grid": _grid}


def _whole_seconds(time: npt.NDArray[np.datetime64]) -> npt.NDArray[np.datetime64]:
    return time.astype("datetime64[s]").astype("datetime64[us]")


def _slipped_metres(depth: Floats, slip: npt.NDArray[np.object_], decimals: int) -> Floats:
    """Depths in metres with typing errors."""
    typed = depth.copy()
    for row in np.flatnonzero(slip != ""):
        factor = {"x10": 10.0, "/10": 0.1, "feet": FEET_PER_METRE}.get(slip[row])
        if factor is None:
            typed[row] = _digits_swapped(float(depth[row]), decimals)
        else:
            typed[row] = round(float(depth[row]) * factor, decimals)
    return typed


def _digits_swapped(depth: float, decimals: int) -> float:
    """The first digit changes place with the later one that makes most of it: 1.85 -> 8.15."""
    digits = list(f"{depth:.{decimals}f}".replace(".", ""))
    best = max(range(1, len(digits)), key=lambda k: abs(int(digits[k]) - int(digits[0])))
    digits[0], digits[best] = digits[best], digits[0]
    return float(int("".join(digits)) / 10**decimals)


def _mistype(grains: Integers, bearing: float, rng: np.random.Generator) -> Integers:
    """Another digit in one place of latitude or longitude, off the line by 2.5 m at least."""
    latitude = float(grains[0]) / ARC_GRAIN / 3600
    metres_per_grain = np.array([30.87, 30.87 * np.cos(np.radians(latitude))]) / ARC_GRAIN
    choices = []
    for axis in (0, 1):
        # West is negative, so more longitude means further west.
        across = [-np.sin(bearing), -np.cos(bearing)][axis] * metres_per_grain[axis]
        for place, base in ((10_000, 10), (100_000, 10), (1_000_000, 6)):
            digit = int(grains[axis]) // place % base
            for other in range(base):
                moved = (other - digit) * place
                if abs(moved * across) >= 2.5 and abs(moved * metres_per_grain[axis]) <= 700:
                    choices.append((axis, moved))
    axis, moved = choices[int(rng.integers(len(choices)))]
    typed = grains.copy()
    typed[axis] += moved
    return typed


def page_shots(page: Page, walk: Walk) -> Shots:
    """The shots that reading the page's file gives."""
    numbers = {key: np.asarray(value) for key, value in page.numbers.items()}
    upload = page.upload
    visits = [walk.visits[k] if k >= 0 else None for k in numbers["visit"]]
    foot = _frames.US_SURVEY_FOOT
    columns: dict[str, object] = {
        "source": page.source,
        "row": page.row,
        "line_number": page.row + 1,
        "name": [str(k) for k in page.shots + 1],
        "time": numbers["time"],
        "utility": numbers["utility"],
        "hookup": Labels.of([v.hookup if v else "" for v in visits]),
        "method": np.array([int(v.method) if v else 0 for v in visits]),
        "frequency": np.array([v.frequency if v else np.nan for v in visits]),
        "control": [CONTROL[k][0] if k >= 0 else "" for k in numbers["control"]],
        "note": numbers["note"].tolist(),
        "current": numbers["current_mA"] / 1000,
        "fix": numbers["fix"],
        "satellites": numbers["satellites"],
        "pdop": numbers["pdop"],
        "correction_age": numbers["correction_age"],
        "base_distance": numbers["base_km"] * 1000,
    }
    unit = foot if upload.layout == "grid" else 1.0
    columns["height"] = numbers["height"] * unit
    if upload.layout == "sexagesimal":
        x = -numbers["longitude_grains"] / (3600.0 * ARC_GRAIN)
        y = numbers["latitude_grains"] / (3600.0 * ARC_GRAIN)
        columns["depth"] = numbers["depth_quarter_inches"] * QUARTER_INCH
        return Shots.build(x, y, **columns)
    for key in ("east_sd", "north_sd", "up_sd", "antenna_height"):
        columns[key] = numbers[key] * unit
    for key in ("tilt", "tilt_bearing"):
        columns[key] = np.radians(numbers[key])
    columns["depth"] = numbers["depth"]
    columns["peak_null_separation"] = numbers["separation"]
    columns["speed"] = numbers["speed"]
    if upload.layout == "grid":
        return Shots.build(numbers["easting"], numbers["northing"], **columns)
    return Shots.build(numbers["longitude"], numbers["latitude"], **columns)
