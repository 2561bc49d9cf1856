"""Ground points from text: easting, northing and height a line, separated by anything usual."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from asfound.clearance import GroundSurface, surface_from_points
from asfound.errors import InputError
from asfound.units import length_unit

_SEPARATOR = re.compile(r"[,;\s]+")


def read_terrain(content: bytes, name: str, *, unit: str = "m") -> GroundSurface:
    """A ground surface from an XYZ file (survey points or a terrain model's grid points).

    Parameters
    ----------
    content : bytes
        Text: the first three numbers of each line; lines that begin with another sign are
        headers or remarks if they come before the first point.
    name : str
    unit : str
        Of all three: ``'m'``, ``'ft'`` or ``'ftUS'``. The frame is the job's.

    Raises
    ------
    InputError
        If it is no such text. GeoTIFF is not read: its remedy says how to make XYZ of it.
    """
    metres = length_unit(unit, where=name).metres
    if content[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        raise InputError(
            "this is a GeoTIFF, which is not read.",
            where=name,
            remedy="Export its cells as XYZ text in the job's frame (any GIS can: "
            "'gdal_translate -of XYZ').",
        )
    try:
        lines = content.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise InputError(
            "this is no text.", where=name, remedy="Give easting, northing and height as text."
        ) from error
    points: list[list[float]] = []
    for number, line in enumerate(lines, 1):
        words = [word for word in _SEPARATOR.split(line.strip()) if word]
        if not words or words[0].startswith(("#", "//")):
            continue
        try:
            points.append([float(word) for word in words[:3]])
            if len(points[-1]) != 3:
                raise ValueError
        except ValueError as error:
            if not points and number == 1:
                continue
            raise InputError(
                f"'{line.strip()[:60]}' is not three numbers.",
                where=f"{name}, line {number}",
                remedy="Give easting, northing and height on each line, with decimal points.",
            ) from error
    if not points:
        raise InputError("there are no points.", where=name, remedy="Export it again.")
    array: npt.NDArray[np.float64] = np.array(points) * metres
    return surface_from_points(array, f"terrain points of {name}")
