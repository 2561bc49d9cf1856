"""Truth into the frames that the receivers speak, by PROJ directly.

Processing has its own way through `asfound.geodesy`; this one shares no code with it, so that
either can catch the other out.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from pyproj import Geod, Transformer
from pyproj.transformer import TransformerGroup

from asfound.demo.street import JOB_CRS

Floats = npt.NDArray[np.float64]

JOB_GEOGRAPHIC = "EPSG:6319"
"""NAD83(2011), geographic with ellipsoidal height."""
FRAME_CODES = {"NAD83(2011)": JOB_GEOGRAPHIC, "ITRF2020": "EPSG:9989"}
US_SURVEY_FOOT = 1200.0 / 3937.0


@cache
def _transformer(source: str, target: str) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True, only_best=True)


@cache
def stated_accuracy(frame: str) -> float:
    """Accuracy PROJ states for a frame's operation to the job's frame [m]; 0 if exact."""
    group = TransformerGroup(FRAME_CODES[frame], JOB_GEOGRAPHIC, always_xy=True)
    return float(group.transformers[0].accuracy)


def to_geographic(easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
    """Longitude, latitude [deg] in NAD 83(2011) of grid coordinates in metres."""
    longitude, latitude = _transformer(JOB_CRS, JOB_GEOGRAPHIC).transform(
        np.asarray(easting) / US_SURVEY_FOOT, np.asarray(northing) / US_SURVEY_FOOT
    )
    return longitude, latitude


def to_grid(longitude: Floats, latitude: Floats) -> tuple[Floats, Floats]:
    """Grid coordinates [m] of longitude, latitude [deg] in NAD 83(2011)."""
    easting, northing = _transformer(JOB_GEOGRAPHIC, JOB_CRS).transform(longitude, latitude)
    return np.asarray(easting) * US_SURVEY_FOOT, np.asarray(northing) * US_SURVEY_FOOT


def to_frame(
    frame: str, longitude: Floats, latitude: Floats, height: Floats, epoch: Floats
) -> tuple[Floats, Floats, Floats]:
    """Longitude, latitude [deg], height [m] in a receiver's frame at each shot's epoch."""
    if FRAME_CODES[frame] == JOB_GEOGRAPHIC:
        return longitude, latitude, height
    moved = _transformer(JOB_GEOGRAPHIC, FRAME_CODES[frame]).transform(
        longitude, latitude, height, epoch
    )
    return moved[0], moved[1], moved[2]


def offset(
    longitude: Floats, latitude: Floats, height: Floats, east: Floats, north: Floats
) -> tuple[Floats, Floats]:
    """A point a few metres of true east and north away, at the same height above the ellipsoid.

    By the radii of curvature; over 3 m the neglected terms are below a micrometre.
    """
    geod = Geod(ellps="GRS80")
    sine = np.sin(np.radians(latitude))
    prime_vertical = geod.a / np.sqrt(1 - geod.es * sine**2)
    meridian = prime_vertical * (1 - geod.es) / (1 - geod.es * sine**2)
    return (
        longitude + np.degrees(east / ((prime_vertical + height) * np.cos(np.radians(latitude)))),
        latitude + np.degrees(north / (meridian + height)),
    )


def convergence(longitude: Floats, latitude: Floats) -> Floats:
    """Grid convergence: true bearing minus grid bearing [rad], by a step of a metre north."""
    east, north = to_grid(longitude, latitude)
    further = offset(longitude, latitude, np.zeros_like(latitude), 0.0 * east, 0.0 * north + 1.0)
    east_2, north_2 = to_grid(*further)
    # True north has this grid bearing, so true = grid - bearing.
    return np.asarray(-np.arctan2(east_2 - east, north_2 - north))
