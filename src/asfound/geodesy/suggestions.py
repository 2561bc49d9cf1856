"""Projected CRSs that would suit a place: for the remedy in an error."""

from __future__ import annotations

from functools import lru_cache

from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import CRSInfo, query_crs_info
from pyproj.enums import PJType

from asfound.geodesy.frames import (
    PRESETS,
    FramePreset,
    ensemble_accuracy,
    is_dynamic,
    preset_of,
)
from asfound.geodesy.operations import COARSE_ACCURACY
from asfound.geodesy.places import Place

# Words in the registry's names of grids for maps of whole countries, or with the zone number in
# front of the easting.
_NOT_FOR_SURVEY = (
    "Albers",
    "Mercator (",
    "LAEA",
    "LCC Europe",
    "Equal Area",
    "World",
    "Pseudo",
    "zE-N",
    "N-zE",
)


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
    fixed = [(p, crs) for p in PRESETS if p.current and not is_dynamic(crs := _crs_of(p))]
    found = _suggest(tuple(crs.name for _, crs in fixed), place, count)
    # Registry areas are boxes, China's reaches over India: a frame counts as used at a place
    # only if one of its own grids is too.
    used = {info.name.split(" / ")[0] for info in _grids_at(place)}
    here = (p.name for p, crs in fixed if crs.name in used)
    return found or (_utm_of(next(here, "ITRF2020"), place),)


def _crs_of(preset: FramePreset) -> CRS:
    return CRS.from_epsg(preset.code)


def _utm_of(frame: str, place: Place) -> str:
    zone = min(60, int((place.longitude + 180.0) // 6.0) + 1)
    return f"'{frame} / UTM zone {zone}{'S' if place.latitude < 0.0 else 'N'}'"


@lru_cache(maxsize=64)
def _suggest(frames: tuple[str, ...], place: Place, count: int) -> tuple[str, ...]:
    chosen: list[str] = []
    for info in sorted(_grids_at(place), key=_width):
        base = info.name.split(" / ")[0]
        if base not in frames or any(word in info.name for word in _NOT_FOR_SURVEY):
            continue
        directions = {a.direction.lower() for a in CRS.from_epsg(int(info.code)).axis_info}
        if directions == {"east", "north"}:
            chosen.append(f"EPSG:{info.code} ({info.name})")
        if len(chosen) == count:
            break
    return tuple(chosen)


def _grids_at(place: Place) -> list[CRSInfo]:
    lon, lat = place.longitude, place.latitude
    return query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )


def _width(info: CRSInfo) -> tuple[float, int]:
    area = info.area_of_use
    if area is None:
        return 1e9, int(info.code)
    span = area.east - area.west
    return (span if span > 0.0 else span + 360.0) * (area.north - area.south), int(info.code)
