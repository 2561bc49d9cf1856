"""The walk: where and when each shot is meant to be taken, before anything goes wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.demo._paths import Path
from asfound.demo.street import Street
from asfound.demo.survey import CONTROL, UPLOADS, UTC_OFFSET, UploadPlan, Visit

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_WALKING_SPEED = 1.3
_CORNER = np.radians(10.0)


@dataclass(frozen=True, eq=False)
class Walk:
    """n shots in the order they were taken, upload after upload.

    Parameters
    ----------
    source : (n,) int64
        Index into `uploads`.
    visit : (n,) int64
        Running number of the visit, -1 for control checks.
    line : (n,) int64
        Index into the street's lines, -1 for control checks.
    control : (n,) int64
        Index into `CONTROL`, -1 for shots.
    station : (n,) float64
        Along the true line [m].
    easting, northing, bearing : (n,) float64
        Point of the true line (or control point) [m] and grid bearing [rad].
    time : (n,) datetime64[us]
        UTC.
    visits : tuple of Visit
    uploads : tuple of UploadPlan
    """

    source: Integers
    visit: Integers
    line: Integers
    control: Integers
    station: Floats
    easting: Floats
    northing: Floats
    bearing: Floats
    time: npt.NDArray[np.datetime64]
    visits: tuple[Visit, ...]
    uploads: tuple[UploadPlan, ...]

    def __len__(self) -> int:
        return len(self.station)


def control_places(street: Street) -> tuple[Floats, Floats]:
    """Easting and northing of the control points [m]."""
    station, right = (np.array([row[k] for row in CONTROL], np.float64) for k in (1, 2))
    east, north, _, bearing = street.axis.at(station)
    return east + right * np.cos(bearing), north - right * np.sin(bearing)


def take_walk(
    street: Street, rng: np.random.Generator, uploads: tuple[UploadPlan, ...] = UPLOADS
) -> Walk:
    """Plan all shots of some uploads: control checks, the lines, control checks."""
    names = [line.name for line in street.lines]
    columns: dict[str, list[npt.NDArray[Any]]] = {}
    visits: list[Visit] = []

    def add(**parts: npt.NDArray[Any]) -> None:
        for key, value in parts.items():
            columns.setdefault(key, []).append(value)

    control_east, control_north = control_places(street)
    for source, upload in enumerate(uploads):

        def check(which: int, source: int = source) -> None:
            add(
                source=np.array([source]),
                visit=np.array([-1]),
                line=np.array([-1]),
                control=np.array([which]),
                station=np.array([0.0]),
                easting=control_east[[which]],
                northing=control_north[[which]],
                bearing=np.array([0.0]),
            )

        for which in upload.before:
            check(which)
        for visit in upload.visits:
            path = street.line(visit.line).path
            station = _stations(visit, path, rng)
            east, north, _, bearing = path.at(station)
            count = len(station)
            add(
                source=np.full(count, source),
                visit=np.full(count, len(visits)),
                line=np.full(count, names.index(visit.line)),
                control=np.full(count, -1),
                station=station,
                easting=east,
                northing=north,
                bearing=bearing,
            )
            visits.append(visit)
        for which in upload.after:
            check(which)
    joined = {key: np.concatenate(parts) for key, parts in columns.items()}
    time = _times(joined, uploads, rng)
    return Walk(**joined, time=time, visits=tuple(visits), uploads=uploads)


def _stations(visit: Visit, path: Path, rng: np.random.Generator) -> Floats:
    """Stations of a visit: about `spacing` apart, never exactly, and one at every corner."""
    first, last = (min(max(v, 0.3), path.length - 0.3) for v in (visit.start, visit.end))
    count = max(round(abs(last - first) / (visit.spacing * rng.uniform(0.93, 1.12))), 2)
    station = np.linspace(first, last, count + 1)
    station[1:-1] += rng.uniform(-0.18, 0.18, count - 1) * visit.spacing
    # Common practice, no source: the crew marks every change of direction.
    for corner in path.corners(_CORNER):
        if min(first, last) < corner < max(first, last):
            nearest = int(np.abs(station - corner).argmin())
            if 0 < nearest < count and station[nearest] not in path.station:
                station[nearest] = corner
    return station


def _times(
    walk: dict[str, npt.NDArray[Any]],
    uploads: tuple[UploadPlan, ...],
    rng: np.random.Generator,
) -> npt.NDArray[np.datetime64]:
    """UTC time of each shot: walking there, finding the peak, now and then a stop."""
    east, north = walk["easting"].astype(np.float64), walk["northing"].astype(np.float64)
    count = len(east)
    distance = np.hypot(np.diff(east, prepend=east[0]), np.diff(north, prepend=north[0]))
    kind = rng.uniform(size=count)
    pause = np.where(
        kind < 0.25,
        rng.uniform(2.5, 4.0, count),
        np.where(kind < 0.94, rng.uniform(6.0, 30.0, count), rng.uniform(60.0, 240.0, count)),
    )
    # A new hook-up takes minutes.
    pause[np.diff(walk["visit"], prepend=-2) != 0] += rng.uniform(120.0, 400.0)
    elapsed = distance / _WALKING_SPEED + pause
    source = walk["source"]
    time = np.empty(count, "datetime64[us]")
    for index, upload in enumerate(uploads):
        rows = source == index
        seconds = np.cumsum(np.where(np.arange(rows.sum()) == 0, 0.0, elapsed[rows]))
        # Whole tenths of a second, as the finest layout writes them.
        tenths = np.round(seconds * 10).astype(np.int64) * 100_000
        time[rows] = (upload.start + UTC_OFFSET).astype("datetime64[us]") + tenths.astype(
            "timedelta64[us]"
        )
    return time
