"""What a mapping's frame means for reading coordinates."""

from __future__ import annotations

from dataclasses import dataclass

from pyproj import CRS

from asfound.geodesy import is_dynamic, resolve_frame
from asfound.model import Frame


@dataclass(frozen=True)
class FrameFacts:
    """Facts of a frame.

    Parameters
    ----------
    geographic : bool
        Coordinates are longitude and latitude in degrees.
    unit_metres : float
        One unit of a projected CRS [m].
    needs_time : bool
        Each shot's own time is needed to know where it is.
    """

    geographic: bool
    unit_metres: float
    needs_time: bool


def frame_facts(frame: Frame, *, where: str) -> FrameFacts:
    """Facts of a declared frame.

    Raises
    ------
    FrameError
        If PROJ does not know it.
    """
    crs = resolve_frame(frame.crs, where=where)
    projected = _projected(crs)
    unit = crs.axis_info[0].unit_conversion_factor if projected else 1.0
    return FrameFacts(not projected, unit, frame.epoch is None and is_dynamic(crs))


def _projected(crs: CRS) -> bool:
    if crs.is_compound:
        return _projected(crs.sub_crs_list[0])
    return bool(crs.is_projected)
