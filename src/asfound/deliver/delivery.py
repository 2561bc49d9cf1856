"""What several writers need of a job, computed once: names, shapes, transformations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pyproj

from asfound.deliver.about import About, about, horizontal_crs
from asfound.deliver.dig_shapes import DigShape, dig_shapes
from asfound.deliver.shapes import LineShape, line_shape
from asfound.model import Results

if TYPE_CHECKING:
    from asfound.deliver.columns import Cells

Floats = npt.NDArray[np.float64]
ToGeographic = Callable[[Floats, Floats], tuple[Floats, Floats]]


@dataclass(frozen=True, eq=False)
class Delivery:
    """A job's results with what is derived from them for files.

    Parameters
    ----------
    results : Results
    about : About
    crs : pyproj.CRS
        Horizontal CRS of the job.
    to_geographic : callable
        (easting, northing) in metres to (longitude, latitude) in the CRS's geographic base [deg].
    shot_names : list of str
    station : (n,) float64
        Of each shot along its line's axis [m], NaN off any line.
    shapes : tuple of LineShape
        One a line.
    work_area : (k, 2) float64 or None
        Easting, northing [m].
    digs : tuple of DigShape
        One a dig that was checked.
    cells : dict
        Tables formatted so far, by name (filled by `columns.cells`).
    """

    results: Results
    about: About
    crs: pyproj.CRS
    to_geographic: ToGeographic
    shot_names: list[str]
    station: Floats
    shapes: tuple[LineShape, ...]
    work_area: Floats | None
    digs: tuple[DigShape, ...] = ()
    cells: dict[str, Cells] = field(default_factory=dict)

    def length(self, metres: Floats) -> Floats:
        """Metres in the job's length unit."""
        return metres / self.about.unit.metres

    def grid(self, metres: Floats) -> Floats:
        """Metres in the CRS's own unit."""
        return metres / self.about.grid_unit.metres


def prepare(results: Results) -> Delivery:
    """Derive what writers need.

    Raises
    ------
    pyproj.exceptions.CRSError
        If the job's CRS is not one PROJ knows (checked long before, by `geodesy`).
    """
    crs = horizontal_crs(results.settings.frame.crs)
    statement = about(results, crs)
    transformer = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    factor = statement.grid_unit.metres

    def to_geographic(easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        longitude, latitude = transformer.transform(easting / factor, northing / factor)
        return np.asarray(longitude, np.float64), np.asarray(latitude, np.float64)

    shots = results.intake.shots
    tags = [source.tag for source in results.intake.sources]
    names = [
        f"{tags[s]}-{r}" for s, r in zip(shots.source.tolist(), shots.row.tolist(), strict=True)
    ]
    station = np.full(len(shots), np.nan)
    for line in results.lines:
        station[line.shots] = line.station
    area = results.settings.work_area
    if area is not None:
        easting, northing = transformer.transform(area[:, 0], area[:, 1], direction="INVERSE")
        area = np.column_stack([easting, northing]) * factor
    return Delivery(
        results=results,
        about=statement,
        crs=crs,
        to_geographic=to_geographic,
        shot_names=names,
        station=station,
        shapes=tuple(line_shape(line, results.ground, to_geographic) for line in results.lines),
        work_area=area,
        digs=dig_shapes(results),
    )
