"""The ground surface: heights at any place, from shots, survey points or terrain points.

Inside the points a triangulated surface, straight in each triangle; near them, but outside, the
heights of the nearest points weighted by distance. Either way the doubt grows with the distance to
the nearest point.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError, cKDTree

from asfound.errors import InputError
from asfound.model import Ground

Floats = npt.NDArray[np.float64]

NEIGHBOURS = 6
REACH = 50.0
POINT_SD = 0.02
# Common practice, no source: ground away from measured points is guessed to 3 % of the distance.
GRADE_SD = 0.03


@dataclass(frozen=True, eq=False)
class GroundSurface:
    """Heights of the ground.

    Parameters
    ----------
    points : (n, 3) float64
        Easting, northing, height [m].
    basis : str
        Where the points come from, in words.
    reach : float
        No height is given farther than this from every point [m].
    point_sd : float
        Of the points' heights [m].
    """

    points: Floats
    basis: str
    reach: float = REACH
    point_sd: float = POINT_SD

    def heights(self, easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        """Heights and their standard deviations.

        Parameters
        ----------
        easting, northing : (k,) float64
            [m].

        Returns
        -------
        height, sd : (k,) float64
            [m]; NaN beyond the reach of the points.
        """
        place = np.column_stack((np.ravel(easting), np.ravel(northing))).astype(np.float64)
        count = len(self.points)
        if count == 0 or len(place) == 0:
            return np.full(len(place), np.nan), np.full(len(place), np.nan)
        origin = self.points[0, :2]
        plan, level = self.points[:, :2] - origin, self.points[:, 2]
        at = place - origin
        near, index = cKDTree(plan).query(at, k=min(NEIGHBOURS, count))
        near, index = near.reshape(len(place), -1), index.reshape(len(place), -1)
        weight = 1.0 / np.maximum(near, 1e-6) ** 2
        height = np.sum(weight * level[index], axis=1) / np.sum(weight, axis=1)
        inside = self._triangulated(at)
        height = np.where(np.isfinite(inside), inside, height)
        sd = ground_doubt(near[:, 0], self.point_sd)
        far = near[:, 0] > self.reach
        height[far], sd[far] = np.nan, np.nan
        return np.asarray(height), np.asarray(sd)

    @cached_property
    def _triangles(self) -> LinearNDInterpolator | None:
        """The triangulated surface about the first point; None where there is none."""
        if len(self.points) < 3:
            return None
        try:
            return LinearNDInterpolator(self.points[:, :2] - self.points[0, :2], self.points[:, 2])
        except QhullError:  # all points on one straight line
            return None

    def _triangulated(self, at: Floats) -> Floats:
        if self._triangles is None:
            return np.full(len(at), np.nan)
        return np.asarray(self._triangles(at), np.float64)


def surface_from_ground(ground: Ground, *, reach: float = REACH) -> GroundSurface:
    """The ground as the shots found it; shots without a height are left out."""
    points = np.column_stack((ground.easting, ground.northing, ground.height))
    return surface_from_points(points, "ground heights of the shots", reach=reach)


def ground_doubt(distance: Floats, point_sd: float = POINT_SD) -> Floats:
    """Standard deviation of a height that is guessed so far from the nearest measured one [m]."""
    return np.hypot(point_sd, GRADE_SD * distance)


def surface_from_points(
    points: Floats, basis: str, *, reach: float = REACH, point_sd: float = POINT_SD
) -> GroundSurface:
    """A surface through points: a survey, or a terrain model's.

    Parameters
    ----------
    points : (n, 3) float64
        Easting, northing, height [m]; rows with NaN are left out, points at one place averaged.
    basis : str
    point_sd : float
        Of their heights [m].

    Raises
    ------
    InputError
        If the array has another shape.
    """
    points = np.asarray(points, np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise InputError(
            f"ground points have the shape {points.shape}.",
            where=basis,
            remedy="Give easting, northing and height of each point.",
        )
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) == 0:
        return GroundSurface(points, basis, reach, point_sd)
    place, index = np.unique(np.round(points[:, :2], 3), axis=0, return_inverse=True)
    index = np.ravel(index)
    number = np.bincount(index)
    means = [np.bincount(index, points[:, axis]) / number for axis in range(3)]
    assert len(place) == len(number)
    return GroundSurface(np.column_stack(means), basis, reach, point_sd)
