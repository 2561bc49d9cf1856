"""Polylines in three dimensions: a point at a station, and the nearest point in plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Path:
    """A polyline with m vertices.

    Parameters
    ----------
    easting, northing, height : (m,) float64
        [m].
    station : (m,) float64
        Distance in plan from the first vertex [m].
    """

    easting: Floats
    northing: Floats
    height: Floats
    station: Floats

    @staticmethod
    def through(easting: Floats, northing: Floats, height: Floats | None = None) -> Path:
        """The path through vertices; height 0 if left out."""
        steps = np.hypot(np.diff(easting), np.diff(northing))
        station = np.concatenate([[0.0], np.cumsum(steps)])
        return Path(
            np.asarray(easting, np.float64),
            np.asarray(northing, np.float64),
            np.zeros(len(station)) if height is None else np.asarray(height, np.float64),
            station,
        )

    @property
    def length(self) -> float:
        """In plan [m]."""
        return float(self.station[-1])

    def corners(self, least: float) -> Floats:
        """Stations at which the path turns by more than `least` [rad]."""
        bearing = np.arctan2(np.diff(self.easting), np.diff(self.northing))
        turn = np.abs((np.diff(bearing) + np.pi) % (2 * np.pi) - np.pi)
        return self.station[1:-1][turn > least]

    def densified(self, step: float) -> Path:
        """The same path with a vertex at least every `step` metres; corners stay corners."""
        every = np.arange(0.0, self.length, step)
        # A vertex a hair from another would give a segment without a direction.
        apart = np.abs(every[:, None] - self.station[None, :]).min(axis=1) > 0.02
        station = np.sort(np.concatenate([self.station, every[apart]]))
        return Path(
            np.interp(station, self.station, self.easting),
            np.interp(station, self.station, self.northing),
            np.interp(station, self.station, self.height),
            station,
        )

    def at(self, station: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Easting, northing, height [m] and grid bearing [rad] at stations."""
        segment = np.clip(
            np.searchsorted(self.station, station, side="right") - 1, 0, len(self.station) - 2
        )
        bearing = np.arctan2(np.diff(self.easting), np.diff(self.northing))[segment]
        return (
            np.interp(station, self.station, self.easting),
            np.interp(station, self.station, self.northing),
            np.interp(station, self.station, self.height),
            bearing,
        )

    def nearest(self, easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        """Station of the nearest point in plan, and the distance to its right, of n points.

        Returns
        -------
        station : (n,) float64
            [m].
        right : (n,) float64
            Signed distance, right of the path positive [m].
        """
        east, north = np.diff(self.easting), np.diff(self.northing)
        square = east**2 + north**2
        from_east = np.asarray(easting)[:, None] - self.easting[None, :-1]
        from_north = np.asarray(northing)[:, None] - self.northing[None, :-1]
        share = np.clip((from_east * east + from_north * north) / square, 0.0, 1.0)
        off_east, off_north = from_east - share * east, from_north - share * north
        distance = np.hypot(off_east, off_north)
        best = distance.argmin(axis=1)
        row = np.arange(len(best))
        side = np.sign(from_east * north - from_north * east)[row, best]
        station = self.station[best] + share[row, best] * np.sqrt(square[best])
        return station, side * distance[row, best]
