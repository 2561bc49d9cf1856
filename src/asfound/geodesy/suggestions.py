"""Projected CRSs that would suit a place: for the remedy in an error."""

from __future__ import annotations

from functools import lru_cache

from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import CRSInfo, query_crs_info
from pyproj.enums import PJType

from asfound.geodesy.frames import ensemble_accuracy, frame_of, horizontal_of
from asfound.geodesy.places import Place

# Names in the registry of grids for maps of whole countries, not for survey.
_NOT_FOR_SURVEY = ("Albers", "Mercator (", "LAEA", "LCC Europe", "Equal Area", "World", "Pseudo")


def suggest_projected(frame: CRS | None, place: Place, count: int = 2) -> tuple[str, ...]:
    """Names with codes of projected CRSs on a frame that hold a place, narrowest area first.

    Parameters
    ----------
    frame : CRS or None
        Its own grids are preferred; None: grids of any frame that is a single one.
    place : Place
    count : int
        At most so many.
    """
    return _suggest(frame.name if frame is not None else "", place, count)


@lru_cache(maxsize=64)
def _suggest(frame_name: str, place: Place, count: int) -> tuple[str, ...]:
    lon, lat = place.longitude, place.latitude
    infos = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    infos = [info for info in infos if not any(word in info.name for word in _NOT_FOR_SURVEY)]
    own = [info for info in infos if info.name.startswith(f"{frame_name} / ")]
    chosen: list[str] = []
    for info in sorted(own or infos, key=_width):
        crs = CRS.from_epsg(int(info.code))
        directions = {axis.direction.lower() for axis in crs.axis_info}
        if directions != {"east", "north"} or horizontal_of(crs).is_bound:
            continue
        if not own and ensemble_accuracy(frame_of(crs)) > 0.5:
            continue
        chosen.append(f"EPSG:{info.code} ({info.name})")
        if len(chosen) == count:
            break
    return tuple(chosen)


def _width(info: CRSInfo) -> tuple[float, int]:
    area = info.area_of_use
    if area is None:
        return 1e9, int(info.code)
    return ((area.east - area.west) % 360.0) * (area.north - area.south), int(info.code)
