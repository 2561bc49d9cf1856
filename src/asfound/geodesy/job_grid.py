"""The job's own CRS, made ready: its frame, its projection, its unit, its geoid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

from asfound.errors import FrameError
from asfound.geodesy.ellipsoid import Ellipsoid
from asfound.geodesy.factors import exact_factors
from asfound.geodesy.frames import frame_of, horizontal_of, resolve_frame, vertical_of
from asfound.geodesy.heights import GeoidModel, geoid_from_file, geoid_from_registry
from asfound.geodesy.places import Place, area_in_words, holds
from asfound.geodesy.suggestions import suggest_projected
from asfound.model import Frame

Floats = npt.NDArray[np.float64]

# A grid whose lengths differ from the ground's by more than this share is a map for display:
# lines, depths and tolerances drawn on it would be wrong by as much.
LARGEST_DISTORTION = 0.01


@dataclass(frozen=True, eq=False)
class JobGrid:
    """A projected CRS with its frame.

    Parameters
    ----------
    crs, frame : CRS
        The projected CRS (2D) and the 3D geographic CRS beneath it.
    unit_metres : float
        One unit of the CRS [m].
    to_degrees : float
        One unit of the frame's angles [deg].
    prime_meridian : float
        [deg] east of Greenwich.
    ellipsoid : Ellipsoid
    projection : Transformer
        Frame longitude, latitude (its units) to easting, northing (its units).
    geoid : GeoidModel or None
    height_kind : str
        ``'ellipsoidal'``, ``'orthometric'`` or ``'none'``.
    geoid_name : str
        As declared.
    """

    crs: CRS
    frame: CRS
    unit_metres: float
    to_degrees: float
    prime_meridian: float
    ellipsoid: Ellipsoid
    projection: Transformer
    geoid: GeoidModel | None
    height_kind: str
    geoid_name: str

    def project(self, longitude: Floats, latitude: Floats) -> tuple[Floats, Floats]:
        """Easting and northing [m] of frame longitude and latitude (frame's units)."""
        easting, northing = self.projection.transform(longitude, latitude, errcheck=False)
        easting, northing = np.asarray(easting), np.asarray(northing)
        if self.unit_metres != 1.0:
            easting, northing = easting * self.unit_metres, northing * self.unit_metres
        return easting, northing

    def project_degrees(self, longitude: Floats, latitude: Floats) -> tuple[Floats, Floats]:
        """As `project`, from degrees east of Greenwich and degrees north."""
        return self.project(*self.from_degrees(longitude, latitude))

    def unproject(self, easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        """Degrees east of Greenwich and degrees north of easting and northing [m]."""
        lon, lat = self.projection.transform(
            easting / self.unit_metres,
            northing / self.unit_metres,
            direction="INVERSE",
            errcheck=False,
        )
        return self.degrees(np.asarray(lon), np.asarray(lat))

    def degrees(self, longitude: Floats, latitude: Floats) -> tuple[Floats, Floats]:
        """Degrees east of Greenwich and north of the frame's own angles."""
        return degrees_of(longitude, latitude, self.to_degrees, self.prime_meridian)

    def from_degrees(self, longitude: Floats, latitude: Floats) -> tuple[Floats, Floats]:
        """The frame's own angles of degrees east of Greenwich and north."""
        if self.to_degrees == 1.0 and self.prime_meridian == 0.0:
            return longitude, latitude
        return (longitude - self.prime_meridian) / self.to_degrees, latitude / self.to_degrees

    @property
    def vertical_reference(self) -> str:
        """The height reference in words."""
        if self.height_kind == "none":
            return "no heights"
        if self.height_kind == "orthometric":
            return f"height above {self.geoid.name if self.geoid else self.geoid_name}"
        return f"ellipsoidal height, {self.ellipsoid.name} in {self.frame.name}; no geoid model"


def degrees_of(
    longitude: Floats, latitude: Floats, to_degrees: float, prime_meridian: float
) -> tuple[Floats, Floats]:
    """Degrees east of Greenwich and north of angles in another unit from another meridian."""
    if to_degrees == 1.0 and prime_meridian == 0.0:
        return longitude, latitude
    return longitude * to_degrees + prime_meridian, latitude * to_degrees


def angle_units(frame: CRS) -> tuple[float, float]:
    """Unit of a geographic CRS's angles [deg] and its prime meridian [deg east of Greenwich]."""
    factor = float(np.degrees(frame.axis_info[0].unit_conversion_factor))
    unit = 1.0 if abs(factor - 1.0) < 1e-12 else factor
    meridian = frame.prime_meridian
    if meridian is None or meridian.longitude == 0.0:
        return unit, 0.0
    return unit, float(np.degrees(meridian.longitude * float(meridian.unit_conversion_factor)))


def job_grid(
    declared: Frame, place: Place | None, grids: tuple[str, ...], *, where: str = "the job's frame"
) -> JobGrid:
    """The job's CRS, checked to be one that shots can be drawn on.

    Parameters
    ----------
    declared : Frame
        The job's.
    place : Place or None
        Where the data is (any frame will do for this), None if there is no data.
    grids : tuple of str
        Folders with grid files.

    Raises
    ------
    FrameError
        If the CRS is not projected, has axes other than east and north, is not meant for the
        place, distorts lengths by more than 1 %, or lacks its geoid.
    """
    crs = resolve_frame(declared.crs, where=where)
    frame = frame_of(crs, where=where)
    horizontal = horizontal_of(crs)
    if not horizontal.is_projected:
        raise FrameError(
            f"'{crs.name}' is not a projected CRS, so distances can't be drawn in it.",
            where=where,
            remedy=_suggestion(frame, place),
        )
    directions = {axis.direction.lower() for axis in horizontal.axis_info}
    if "west" in directions or directions == {"south", "east"}:
        raise FrameError(
            f"the axes of '{crs.name}' run {' and '.join(sorted(directions))}; asfound draws "
            "in eastings and northings.",
            where=where,
            remedy=_suggestion(frame, place),
        )
    unit, meridian = angle_units(frame)
    grid = JobGrid(
        crs=horizontal,
        frame=frame,
        unit_metres=float(horizontal.axis_info[0].unit_conversion_factor),
        to_degrees=unit,
        prime_meridian=meridian,
        ellipsoid=Ellipsoid.of(frame),
        projection=Transformer.from_crs(frame.to_2d(), horizontal, always_xy=True),
        geoid=_geoid(crs, frame, declared, place, grids, where),
        height_kind=_height_kind(crs, declared),
        geoid_name=declared.geoid,
    )
    if place is not None:
        _check_place(grid, place, where)
    return grid


def _height_kind(crs: CRS, declared: Frame) -> str:
    if declared.height_kind != "none" and vertical_of(crs) is not None:
        return "orthometric"  # the CRS itself says so
    return declared.height_kind


def _geoid(
    crs: CRS,
    frame: CRS,
    declared: Frame,
    place: Place | None,
    grids: tuple[str, ...],
    where: str,
) -> GeoidModel | None:
    if declared.height_kind == "none" or place is None:
        return None
    vertical = vertical_of(crs)
    if declared.geoid:
        try:
            return geoid_from_file(declared.geoid, grids, where=where)
        except FrameError:
            if vertical is not None or declared.height_kind == "ellipsoidal":
                raise
            return None  # may not be needed: uploads may have heights by the same model
    if vertical is not None:
        return geoid_from_registry(frame, vertical, place, grids, where=where)
    return None


def _check_place(grid: JobGrid, place: Place, where: str) -> None:
    if not holds(grid.crs.area_of_use, place):
        raise FrameError(
            f"'{grid.crs.name}' is meant for {area_in_words(grid.crs)}; the shots lie at {place}.",
            where=where,
            remedy=f"Check the sign and order of the coordinates. {_suggestion(None, place)}",
        )
    _, scale = exact_factors(
        grid.project_degrees,
        np.array([place.longitude]),
        np.array([place.latitude]),
        grid.ellipsoid,
    )
    if not abs(scale[0] - 1.0) <= LARGEST_DISTORTION:
        raise FrameError(
            f"lengths in '{grid.crs.name}' are {scale[0]:.3f} of true lengths at {place}: it is a "
            "map projection for display, not a survey grid.",
            where=where,
            remedy=_suggestion(grid.frame, place),
        )


def _suggestion(frame: CRS | None, place: Place | None) -> str:
    names = suggest_projected(frame, place) if place is not None else ()
    if names:
        return f"Use a projected CRS of the place, such as {' or '.join(names)}."
    return "Use a projected CRS of the place: its state or national grid, or a UTM zone."
