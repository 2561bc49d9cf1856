"""Ground heights from the cells of a GeoTIFF, read only where they are asked for."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from pyproj.exceptions import CRSError

from asfound.clearance import ground_doubt
from asfound.errors import InputError
from asfound.geodesy import job_grid
from asfound.geodesy.frames import resolve_frame, vertical_of
from asfound.intake.digs.read import crs_name, same_crs
from asfound.model import JobSettings
from asfound.units import LENGTH_UNITS, LengthUnit

if TYPE_CHECKING:
    from affine import Affine

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
# Of a terrain model's heights [m], one standard deviation: what airborne laser surveys promise on
# hard ground. From memory: USGS Lidar Base Specification, quality level 2.
TERRAIN_SD = 0.10
REACH = 50.0
TILE = 256
LARGEST_BLOCK = 2**26
MOST_AROUND = 1000
_UNIT_WORDS = {
    "m": "m", "metre": "m", "meter": "m", "metres": "m", "meters": "m",
    "ft": "ft", "foot": "ft", "feet": "ft", "international foot": "ft",
    "ftus": "ftUS", "us-ft": "ftUS", "us survey foot": "ftUS", "us_survey_foot": "ftUS",
    "foot_us": "ftUS", "us foot": "ftUS", "us survey feet": "ftUS",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class RasterTerrain:
    """Heights between the centres of a raster's cells.

    Parameters
    ----------
    content : bytes or Path
        Of the GeoTIFF; a path is opened anew whenever heights are asked for.
    name, basis : str
    plan_unit, height_unit : float
        One unit of the raster's coordinates and of its heights [m].
    height_sd : float
        Of the cells' heights [m].
    reach : float
        Beside cells without a height the nearest is taken, with growing doubt, up to here [m].
    """

    content: bytes | Path
    name: str
    basis: str
    plan_unit: float
    height_unit: float
    height_sd: float = TERRAIN_SD
    reach: float = REACH

    def heights(self, easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        """Heights and their standard deviations.

        Only tiles of the raster around the places are read.

        Parameters
        ----------
        easting, northing : (k,) float64
            [m].

        Returns
        -------
        height, sd : (k,) float64
            [m]; NaN where no cell with a height is within reach.

        Raises
        ------
        InputError
            If the file turns out to be damaged there.
        """
        x = np.ravel(easting).astype(np.float64) / self.plan_unit
        y = np.ravel(northing).astype(np.float64) / self.plan_unit
        height, away = np.full(len(x), np.nan), np.full(len(x), np.nan)
        with _opened(self.content, self.name) as raster:
            cells = _Cells(raster, self.plan_unit)
            column, row = cells.place(x, y)
            for group in _groups(column, row, cells.near(column, row, self.reach)):
                height[group], away[group] = cells.between(column[group], row[group])
                left = group[np.isnan(height[group])]
                if len(left):
                    height[left], away[left] = cells.nearest(column[left], row[left], self.reach)
        return height * self.height_unit, ground_doubt(away, self.height_sd)


def read_raster(
    content: bytes | Path,
    name: str,
    settings: JobSettings,
    *,
    unit: str = "m",
    height_sd: float = TERRAIN_SD,
) -> RasterTerrain:
    """A terrain of a GeoTIFF with one band of heights in the job's frame.

    Parameters
    ----------
    content : bytes or Path
    name : str
    settings : JobSettings
        Of the job, for its frame.
    unit : str
        Of the heights: ``'m'``, ``'ft'`` or ``'ftUS'``.
    height_sd : float
        Of the heights [m].

    Raises
    ------
    InputError
        If it is damaged, has no CRS or another than the job's, several bands, no height at all in
        its declared reference that the job's could be, or heights in another unit.
    """
    with _opened(content, name) as raster:
        if raster.count != 1:
            raise InputError(
                f"this GeoTIFF has {raster.count} bands: it may be a picture.",
                where=name,
                remedy="Give a terrain model with one band, the height of the ground.",
            )
        if np.issubdtype(np.dtype(raster.dtypes[0]), np.complexfloating):
            raise InputError(
                "its cells are complex numbers.", where=name, remedy="Give heights of the ground."
            )
        block = raster.block_shapes[0]
        if int(block[0]) * int(block[1]) > LARGEST_BLOCK:
            raise InputError(
                f"it is stored in blocks of {block[0]} by {block[1]} cells, too large to be read "
                "in parts.",
                where=name,
                remedy="Write it anew in tiles (any GIS can: 'gdal_translate -co TILED=YES').",
            )
        declared = raster.crs.to_wkt() if raster.crs else ""
        band_unit = raster.units[0] or ""
        grid = job_grid(settings.frame, None, settings.grids)
        _check_frame(declared, grid.crs, name)
    crs = CRS.from_user_input(declared)
    said = _check_heights(crs, settings, name)
    wanted = _check_unit(crs, band_unit, unit, name)
    return RasterTerrain(
        content, name, f"terrain model {name}{said}", grid.unit_metres, wanted.metres, height_sd
    )


@contextmanager
def _opened(content: bytes | Path, name: str) -> Iterator[Any]:
    """The raster, by the driver for GeoTIFF alone, which reads no other file."""
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR", GDAL_PAM_ENABLED="NO"):
                if isinstance(content, Path):
                    with rasterio.open(content, driver="GTiff") as raster:
                        yield raster
                else:
                    with (
                        rasterio.MemoryFile(content) as memory,
                        memory.open(driver="GTiff") as raster,
                    ):
                        yield raster
    except RasterioError as error:
        raise InputError(
            "this GeoTIFF can't be read: it is damaged or cut short.",
            where=name,
            remedy="Export or copy it again.",
        ) from error


def _check_frame(declared: str, crs: CRS, name: str) -> None:
    if not declared:
        raise InputError(
            "this GeoTIFF does not say its coordinate reference system.",
            where=name,
            remedy="Export it with one, in the job's frame, or assign the one it is in "
            "('gdal_edit -a_srs').",
        )
    if not same_crs(declared, crs):
        raise InputError(
            f"its coordinates are in {crs_name(declared)}, the job's in {crs.name}.",
            where=name,
            remedy="Bring it into the job's frame (any GIS can: 'gdalwarp -t_srs').",
        )


def _check_heights(crs: CRS, settings: JobSettings, name: str) -> str:
    """What is taken for granted of its heights; an error where they are surely not the job's."""
    own = vertical_of(crs)
    kind = "orthometric" if own is not None else "ellipsoidal" if len(crs.axis_info) == 3 else ""
    job = settings.frame.height_kind
    try:
        jobs = vertical_of(resolve_frame(settings.frame.crs))
    except CRSError:
        jobs = None
    other = kind and job != "none" and kind != job
    if own is not None and jobs is not None:
        other = other or own.name != jobs.name
    if other:
        mine = own.name if own is not None else "ellipsoidal heights"
        raise InputError(
            f"its heights are {mine}, the job's are {jobs.name if jobs is not None else job}.",
            where=name,
            remedy="Convert it to the job's vertical reference; the two may be tens of metres "
            "apart.",
        )
    return "" if kind else ", its heights taken to be in the job's vertical reference"


def _check_unit(crs: CRS, band_unit: str, unit: str, name: str) -> LengthUnit:
    if unit not in LENGTH_UNITS:
        raise InputError(
            f"'{unit}' is not a length unit.",
            where=name,
            remedy=f"Use one of {', '.join(LENGTH_UNITS)}.",
        )
    wanted = LENGTH_UNITS[unit]
    told = _UNIT_WORDS.get(band_unit.strip().lower(), "")
    own = vertical_of(crs)
    if not told and own is not None:
        factor = float(own.axis_info[0].unit_conversion_factor)
        told = next((u.code for u in LENGTH_UNITS.values() if abs(u.metres - factor) < 1e-9), "")
    if told and told != unit:
        raise InputError(
            f"by the file its heights are in {LENGTH_UNITS[told].word}, declared is {wanted.word}.",
            where=name,
            remedy=f"Declare the unit '{told}'.",
        )
    return wanted


def _groups(column: Floats, row: Floats, near: npt.NDArray[np.bool_]) -> Iterator[Integers]:
    """Places of one tile together."""
    index = np.flatnonzero(near)
    if len(index) == 0:
        return
    tile = np.column_stack((np.floor(row[index] / TILE), np.floor(column[index] / TILE)))
    _, group = np.unique(tile, axis=0, return_inverse=True)
    group = np.ravel(group)
    for k in range(int(group.max()) + 1):
        yield index[group == k]


class _Cells:
    """The cells of an open raster; columns and rows count from the first cell's centre."""

    def __init__(self, raster: Any, plan_unit: float) -> None:
        self.raster = raster
        self.width, self.height = int(raster.width), int(raster.height)
        affine: Affine = raster.transform
        self.back = ~affine
        # one step of a column, and of a row, in metres
        self.step = plan_unit * np.array([[affine.a, affine.d], [affine.b, affine.e]])
        self.size = np.hypot(self.step[:, 0], self.step[:, 1])

    def place(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        column = self.back.a * x + self.back.b * y + self.back.c - 0.5
        row = self.back.d * x + self.back.e * y + self.back.f - 0.5
        return column, row

    def near(self, column: Floats, row: Floats, reach: float) -> npt.NDArray[np.bool_]:
        across, down = reach / self.size
        return np.asarray(
            (column >= -across) & (column <= self.width - 1 + across)
            & (row >= -down) & (row <= self.height - 1 + down)
        )  # fmt: skip

    def between(self, column: Floats, row: Floats) -> tuple[Floats, Floats]:
        """Heights straight between four centres, and the way to the nearest [m]."""
        at_column = np.clip(np.floor(column), 0, max(self.width - 2, 0)).astype(np.int64)
        at_row = np.clip(np.floor(row), 0, max(self.height - 2, 0)).astype(np.int64)
        first = int(at_row.min()), int(at_column.min())
        values = self._read(first[0], int(at_row.max()) + 2, first[1], int(at_column.max()) + 2)
        u, v = column - at_column, row - at_row
        inside = (u >= 0) & (u <= 1) & (v >= 0) & (v <= 1)
        r, c = at_row - first[0], at_column - first[1]
        below = np.minimum(r + 1, values.shape[0] - 1), np.minimum(c + 1, values.shape[1] - 1)
        height = (1 - v) * ((1 - u) * values[r, c] + u * values[r, below[1]]) + v * (
            (1 - u) * values[below[0], c] + u * values[below[0], below[1]]
        )
        return np.where(inside, height, np.nan), self._away(u - np.round(u), v - np.round(v))

    def nearest(self, column: Floats, row: Floats, reach: float) -> tuple[Floats, Floats]:
        """The height of the nearest cell that has one, and the way there [m]."""
        from scipy.ndimage import distance_transform_edt

        wide = np.minimum(np.ceil(reach / self.size), MOST_AROUND).astype(np.int64)
        low = max(int(row.min()) - wide[1], 0), max(int(column.min()) - wide[0], 0)
        high = (
            min(int(row.max()) + wide[1] + 2, self.height),
            min(int(column.max()) + wide[0] + 2, self.width),
        )
        none = np.full(len(row), np.nan)
        if high[0] <= low[0] or high[1] <= low[1]:
            return none, none
        values = self._read(low[0], high[0], low[1], high[1])
        empty = np.isnan(values)
        if empty.all():
            return none, none
        place = distance_transform_edt(
            empty, sampling=(self.size[1], self.size[0]), return_distances=False,
            return_indices=True,
        )  # fmt: skip
        r = np.clip(np.round(row).astype(np.int64) - low[0], 0, values.shape[0] - 1)
        c = np.clip(np.round(column).astype(np.int64) - low[1], 0, values.shape[1] - 1)
        to_row, to_column = place[0][r, c], place[1][r, c]
        away = self._away(column - (to_column + low[1]), row - (to_row + low[0]))
        height = np.where(away <= reach, values[to_row, to_column], np.nan)
        return height, np.where(away <= reach, away, np.nan)

    def _away(self, columns: Floats, rows: Floats) -> Floats:
        way = columns[:, None] * self.step[0] + rows[:, None] * self.step[1]
        return np.asarray(np.hypot(way[:, 0], way[:, 1]))

    def _read(self, top: int, bottom: int, left: int, right: int) -> Floats:
        """Heights of a window, NaN where there is none."""
        window = ((top, min(bottom, self.height)), (left, min(right, self.width)))
        band = self.raster.read(1, window=window, masked=True)
        values = np.ma.filled(band.astype(np.float64), np.nan)
        scale, offset = self.raster.scales[0], self.raster.offsets[0]
        return np.asarray(values * scale + offset)
