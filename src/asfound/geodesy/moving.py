"""Ground points that are found to lie elsewhere in the job's plane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.geodesy.job_grid import job_grid
from asfound.model import Ground, JobSettings

Floats = npt.NDArray[np.float64]


def moved_points(
    ground: Ground,
    rows: npt.NDArray[np.int64],
    east: Floats,
    north: Floats,
    settings: JobSettings,
) -> Ground:
    """Ground points with some of them moved in the plane; their longitude and latitude follow.

    Parameters
    ----------
    ground : Ground
        n points.
    rows : (k,) int64
        Which move, each once.
    east, north : (k,) float64
        How far each moves [m]. Heights, convergence and factors stay: over the few decimetres
        that this is for they change by less than is ever printed.
    settings : JobSettings
        `frame` is used.

    Returns
    -------
    Ground
        n points.

    Raises
    ------
    FrameError
        If the job's frame is no plane.
    """
    easting, northing = ground.easting.copy(), ground.northing.copy()
    easting[rows] += east
    northing[rows] += north
    longitude, latitude = ground.longitude.copy(), ground.latitude.copy()
    grid = job_grid(settings.frame, None, settings.grids)
    longitude[rows], latitude[rows] = grid.unproject(easting[rows], northing[rows])
    return replace(
        ground, easting=easting, northing=northing, longitude=longitude, latitude=latitude
    )
