"""Ground heights from a file: points as text, or a GeoTIFF of the job's frame."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from asfound.clearance import surface_from_points
from asfound.errors import InputError
from asfound.intake.digs.raster import SIGNATURES, TERRAIN_SD, read_raster
from asfound.model import JobSettings, Terrain
from asfound.units import length_unit

_SEPARATOR = re.compile(r"[,;\s]+")


POINT_SD = 0.02


def read_terrain(
    content: bytes | Path,
    name: str,
    *,
    unit: str = "m",
    settings: JobSettings | None = None,
    height_sd: float | None = None,
) -> Terrain:
    """A ground surface from a GeoTIFF, or from XYZ text (survey or terrain points).

    Parameters
    ----------
    content : bytes or Path
        GeoTIFF: one band of heights in the job's frame; of a path only what is asked for is read,
        whenever it is asked for. Text: the first three numbers of each line; lines that begin with
        another sign are headers or remarks if they come before the first point.
    name : str
    unit : str
        ``'m'``, ``'ft'`` or ``'ftUS'``: of a GeoTIFF's heights, of all three numbers of text, whose
        frame is the job's.
    settings : JobSettings, optional
        Of the job, for its frame; a GeoTIFF needs it.
    height_sd : float, optional
        Of the heights [m], one standard deviation; by default 0.10 m for a GeoTIFF, which is a
        model, and 0.02 m for points, which are surveyed.

    Raises
    ------
    InputError
        If it is neither, or can't be used in this job.
    """
    metres = length_unit(unit, where=name).metres
    if height_sd is not None and not (np.isfinite(height_sd) and height_sd >= 0):
        raise InputError(
            f"the uncertainty of its heights is {height_sd} m.",
            where=name,
            remedy="Give one standard deviation in metres, zero or more.",
        )
    if _begins(content) in SIGNATURES:
        if settings is None:
            raise InputError(
                "a GeoTIFF needs a job to be checked against.",
                where=name,
                remedy="Give the job's settings, or export its cells as XYZ text in the job's "
                "frame (any GIS can: 'gdal_translate -of XYZ').",
            )
        sd = TERRAIN_SD if height_sd is None else height_sd
        return read_raster(content, name, settings, unit=unit, height_sd=sd)
    if isinstance(content, Path):
        content = content.read_bytes()
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
    sd = POINT_SD if height_sd is None else height_sd
    return surface_from_points(array, f"terrain points of {name}", point_sd=sd)


def _begins(content: bytes | Path) -> bytes:
    if isinstance(content, bytes):
        return content[:4]
    with content.open("rb") as file:
        return file.read(4)
