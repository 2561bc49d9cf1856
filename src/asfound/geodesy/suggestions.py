"""Projected CRSs that would suit a place: for the remedy in an error."""

from __future__ import annotations

from functools import lru_cache

from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import CRSInfo, query_crs_info
from pyproj.enums import PJType

from asfound.geodesy.frames import (
    PRESETS,
    ensemble_accuracy,
    is_dynamic,
    preset_of,
)
from asfound.geodesy.operations import COARSE_ACCURACY
from asfound.geodesy.places import Place

# Names in the registry of grids for maps of whole countries, not for survey.
_NOT_FOR_SURVEY = ("Albers", "Mercator (", "LAEA", "LCC Europe", "Equal Area", "World", "Pseudo")


def suggest_projected(frame: CRS | None, place: Place, count: int = 2) -> tuple[str, ...]:
    """Projected CRSs that hold a place, as settings can name them, narrowest area first.

    Parameters
    ----------
    frame : CRS or None
        Its own grids, unless its name is too loose for survey; None: those of the plate-fixed
        presets.
    place : Place
    count : int
        At most so many.

    Returns
    -------
    tuple of str
        Such as ``'EPSG:6427 (NAD83(2011) / Colorado Central)'``; where the registry has none, a
        UTM zone as `resolve_frame` understands it.
    """
    if frame is not None and ensemble_accuracy(frame) <= COARSE_ACCURACY:
        found = _suggest((frame.name,), place, count)
        if found:
            return found
        preset = preset_of(frame.name)
        if preset is not None:
            return (_utm_of(preset.name, place),)
    fixed = (p for p in PRESETS if p.current and not is_dynamic(CRS.from_epsg(p.code)))
    names = tuple(CRS.from_epsg(p.code).name for p in fixed)
    return _suggest(names, place, count) or (_utm_of("ITRF2020", place),)


def _utm_of(frame: str, place: Place) -> str:
    zone = min(60, int((place.longitude + 180.0) // 6.0) + 1)
    return f"'{frame} / UTM zone {zone}{'S' if place.latitude < 0.0 else 'N'}'"


@lru_cache(maxsize=64)
def _suggest(frames: tuple[str, ...], place: Place, count: int) -> tuple[str, ...]:
    lon, lat = place.longitude, place.latitude
    infos = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    chosen: list[str] = []
    for info in sorted(infos, key=_width):
        base = info.name.split(" / ")[0]
        if base not in frames or any(word in info.name for word in _NOT_FOR_SURVEY):
            continue
        directions = {a.direction.lower() for a in CRS.from_epsg(int(info.code)).axis_info}
        if directions == {"east", "north"}:
            chosen.append(f"EPSG:{info.code} ({info.name})")
        if len(chosen) == count:
            break
    return tuple(chosen)


def _width(info: CRSInfo) -> tuple[float, int]:
    area = info.area_of_use
    if area is None:
        return 1e9, int(info.code)
    span = area.east - area.west
    return (span if span > 0.0 else span + 360.0) * (area.north - area.south), int(info.code)
