"""Where data lies, and whether a CRS or an operation is meant for that place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from pyproj.aoi import AreaOfInterest

_SAMPLE = 10_000  # shots looked at to find the place: enough for quantiles, costs nothing
_PER_DEGREE = 100  # a place is rounded outward to this, so that like places share a choice
_MARGIN = 1.0  # degrees by which registry areas are taken too narrow without complaint


class Area(Protocol):
    """A box of degrees in the registry; across the 180th meridian `west` > `east`."""

    @property
    def west(self) -> float: ...
    @property
    def south(self) -> float: ...
    @property
    def east(self) -> float: ...
    @property
    def north(self) -> float: ...


@dataclass(frozen=True)
class Place:
    """Box that holds the bulk of the data, degrees; `west` > `east` never happens here."""

    west: float
    south: float
    east: float
    north: float

    @property
    def longitude(self) -> float:
        return 0.5 * (self.west + self.east)

    @property
    def latitude(self) -> float:
        return 0.5 * (self.south + self.north)

    @property
    def area_of_interest(self) -> AreaOfInterest:
        return AreaOfInterest(self.west, self.south, self.east, self.north)

    def __str__(self) -> str:
        lat, lon = self.latitude, self.longitude
        return f"{abs(lat):.3f}°{'NS'[lat < 0]} {abs(lon):.3f}°{'EW'[lon < 0]}"


def place_of(longitude: npt.NDArray[np.float64], latitude: npt.NDArray[np.float64]) -> Place | None:
    """Place of n points [deg]; None where no point is finite.

    The middle 90 % in each direction: a mistyped coordinate on another continent must not
    change which operation all the others go through.
    """
    stride = max(1, len(longitude) // _SAMPLE)
    lon, lat = longitude[::stride], latitude[::stride]
    known = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90.0) & (np.abs(lon) <= 360.0)
    if not known.any():
        if stride == 1:
            return None
        known = np.isfinite(longitude) & np.isfinite(latitude) & (np.abs(latitude) <= 90.0)
        if not known.any():
            return None
        lon, lat = longitude, latitude
    wrapped = (lon[known] + 180.0) % 360.0 - 180.0
    west, east = np.quantile(wrapped, (0.05, 0.95), method="nearest")
    south, north = np.quantile(lat[known], (0.05, 0.95), method="nearest")
    return Place(
        max(-180.0, math.floor(west * _PER_DEGREE) / _PER_DEGREE),
        max(-90.0, math.floor(south * _PER_DEGREE) / _PER_DEGREE),
        min(180.0, math.ceil(east * _PER_DEGREE) / _PER_DEGREE),
        min(90.0, math.ceil(north * _PER_DEGREE) / _PER_DEGREE),
    )


def holds(area: Area | None, place: Place, margin: float = _MARGIN) -> bool:
    """Whether an area of use reaches the middle of a place; True where the area is not known."""
    if area is None:
        return True
    if not area.south - margin <= place.latitude <= area.north + margin:
        return False
    west, east = area.west - margin, area.east + margin
    if area.west <= area.east:
        return any(west <= place.longitude + turn <= east for turn in (-360.0, 0.0, 360.0))
    return place.longitude >= west or place.longitude <= east  # across the 180th meridian


def area_in_words(crs: CRS) -> str:
    """Area of use as the registry describes it, cut short where it lists every county."""
    area = crs.area_of_use
    if area is None:
        return "an area that the registry does not state"
    name = area.name.rstrip(".")
    return name if len(name) <= 90 else f"{name[:80].rsplit(' ', 1)[0].rstrip(';,')} ..."
