"""Which heights an upload has, and how they become the job's."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from asfound.errors import FrameError
from asfound.geodesy.frames import frame_of, vertical_of
from asfound.geodesy.heights import GeoidModel, geoid_from_file, geoid_from_registry
from asfound.geodesy.job_grid import JobGrid
from asfound.geodesy.operations import FrameChange
from asfound.geodesy.places import Place
from asfound.model import Frame

Floats = npt.NDArray[np.float64]


def height_model(
    declared: Frame,
    crs: CRS,
    grid: JobGrid,
    change: FrameChange,
    place: Place,
    grids: tuple[str, ...],
    where: str,
) -> tuple[GeoidModel | None, bool]:
    """Geoid model of an upload's heights, and whether heights are kept as they are.

    They are kept where upload and job declare the same model and the frame doesn't change:
    then the model's file is not needed.
    """
    vertical = vertical_of(crs)
    orthometric = declared.height_kind == "orthometric" or vertical is not None
    job_needs = grid.height_kind == "orthometric"
    if not orthometric or declared.height_kind == "none" or grid.height_kind == "none":
        if job_needs and grid.geoid is None and declared.height_kind != "none":
            geoid_from_file(grid.geoid_name, grids, where="the job's frame")
        return None, False
    same = bool(declared.geoid) and declared.geoid.casefold() == grid.geoid_name.casefold()
    if job_needs and same and not change.steps and grid.geoid is None:
        return None, True
    if job_needs and grid.geoid is None:
        geoid_from_file(grid.geoid_name, grids, where="the job's frame")
    if declared.geoid:
        return geoid_from_file(declared.geoid, grids, where=where), False
    if vertical is not None:
        return geoid_from_registry(frame_of(crs), vertical, place, grids, where=where), False
    raise FrameError(
        "the heights are declared orthometric, but no geoid model is named.",
        where=where,
        remedy="Name the grid file of the model that the receiver used (geoid = ...) and put it "
        'into the job\'s grids/ folder; or declare heights = "none" to leave them out.',
    )


def to_ellipsoid(
    height: Floats,
    declared: Frame,
    geoid: GeoidModel | None,
    longitude: Floats,
    latitude: Floats,
) -> Floats:
    """Ellipsoidal heights of an upload's heights; as they are where no model is needed."""
    if declared.height_kind == "none":
        return np.full(len(height), np.nan)
    if geoid is None:
        return height
    return height + geoid.undulation(longitude, latitude)


def job_heights(
    kept: Floats | None,
    ellipsoidal: Floats,
    longitude: Floats,
    latitude: Floats,
    grid: JobGrid,
) -> Floats:
    """The job's heights of ellipsoidal ones, or those of the upload where they are kept."""
    if grid.height_kind == "none":
        return np.full(len(ellipsoidal), np.nan)
    if kept is not None:
        return kept
    if grid.geoid is None:
        return ellipsoidal
    return ellipsoidal - grid.geoid.undulation(*grid.degrees(longitude, latitude))
