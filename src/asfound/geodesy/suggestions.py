"""Projected CRSs that would suit a place: for the remedy in an error."""

from __future__ import annotations

import re
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
from asfound.geodesy.places import Place, holds

_VERSION = re.compile(r"(?<=\))v\d+$")
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
        found = _suggest((_canonical(frame.name),), place, count)
        if found:
            return found
        preset = preset_of(frame.name)
        if preset is not None:
            return (_utm_of(preset.name, place),)
    fixed = [(p, crs) for p in PRESETS if p.current and not is_dynamic(crs := _crs_of(p))]
    found = _suggest(tuple(p.name for p, _ in fixed), place, count)
    here = (p.name for p, crs in fixed if used_at(crs, place) and p.name in _with_grids())
    return found or (_utm_of(next(here, "ITRF2020"), place),)


def used_at(frame: CRS, place: Place) -> bool:
    """Whether a frame is used at a place.

    Registry areas are boxes: China's reaches over India, Canada's over Colorado. So a frame that
    has grids anywhere, of its own or of another version of it, must have one here as well.
    """
    if not holds(frame.area_of_use, place, margin=0.0):
        return False
    name = _canonical(frame.name)
    if name in _with_grids():
        return any(_base(info) == name for info in _grids_at(place))
    family = _family(name)
    if family not in _families():
        return True
    others = (name for info in _grids_at(place) if _VERSION.search(name := _base(info)))
    return any(_family(other) == family for other in others)


def _family(name: str) -> str:
    """A frame's name without its version: ``NAD83(CSRS)`` of ``NAD83(CSRS)v5``."""
    return _VERSION.sub("", name)


@lru_cache(maxsize=1)
def _families() -> frozenset[str]:
    return frozenset(_family(name) for name in _with_grids() if _VERSION.search(name))


@lru_cache(maxsize=1)
def _with_grids() -> frozenset[str]:
    infos = query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS])
    return frozenset(_base(info) for info in infos)


def _canonical(frame_name: str) -> str:
    preset = preset_of(frame_name)
    return preset.name if preset else frame_name


def _base(info: CRSInfo) -> str:
    """Frame of a projected CRS; the registry's names start with it, at times in short."""
    return _canonical(info.name.split(" / ")[0])


def _crs_of(preset: FramePreset) -> CRS:
    return CRS.from_epsg(preset.code)


def _utm_of(frame: str, place: Place) -> str:
    zone = min(60, int((place.longitude + 180.0) // 6.0) + 1)
    return f"'{frame} / UTM zone {zone}{'S' if place.latitude < 0.0 else 'N'}'"


@lru_cache(maxsize=64)
def _suggest(frames: tuple[str, ...], place: Place, count: int) -> tuple[str, ...]:
    chosen: list[str] = []
    for info in sorted(_grids_at(place), key=_width):
        if _base(info) not in frames or any(word in info.name for word in _NOT_FOR_SURVEY):
            continue
        directions = {a.direction.lower() for a in CRS.from_epsg(int(info.code)).axis_info}
        if directions == {"east", "north"}:
            chosen.append(f"EPSG:{info.code} ({info.name})")
        if len(chosen) == count:
            break
    return tuple(chosen)


@lru_cache(maxsize=64)
def _grids_at(place: Place) -> tuple[CRSInfo, ...]:
    lon, lat = place.longitude, place.latitude
    infos = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    return tuple(infos)


def _width(info: CRSInfo) -> tuple[float, int]:
    area = info.area_of_use
    if area is None:
        return 1e9, int(info.code)
    span = area.east - area.west
    return (span if span > 0.0 else span + 360.0) * (area.north - area.south), int(info.code)
