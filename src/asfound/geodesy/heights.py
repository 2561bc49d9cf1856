"""Heights: ellipsoidal, above a geoid model from a grid file, or above a registry's datum."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer
from pyproj.crs import CompoundCRS

from asfound.errors import FrameError
from asfound.geodesy import _pipelines
from asfound.geodesy._registry import latitude_first, operations_between
from asfound.geodesy.grids import check_runs, grid_path
from asfound.geodesy.places import Place

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class GeoidModel:
    """Height of a vertical reference above the ellipsoid, as a function of place.

    Parameters
    ----------
    name : str
        In words.
    definition : str
        PROJ pipeline that takes ellipsoidal heights [m] to the model's heights [m].
    grids : tuple of str
        Names of grid files used.
    accuracy : float
        As the registry states it [m]; NaN for a file given by name.
    """

    name: str
    definition: str
    grids: tuple[str, ...]
    accuracy: float = float("nan")

    def undulation(self, longitude: Floats, latitude: Floats) -> Floats:
        """Vertical reference above the ellipsoid [m]; NaN outside the model.

        Parameters
        ----------
        longitude, latitude : (n,) float64
            [deg], in the frame the model goes with.
        """
        down = Transformer.from_pipeline(self.definition).transform(
            longitude, latitude, np.zeros(len(longitude)), errcheck=False
        )[2]
        down = np.asarray(down, np.float64)
        return np.where(np.isfinite(down), -down, np.nan)


def geoid_from_file(name: str, folders: tuple[str, ...], *, where: str = "") -> GeoidModel:
    """Geoid model of a grid file (GTX or GeoTIFF) in the job's folders.

    Raises
    ------
    FrameError
        If the file is not there or PROJ can't read it as a grid of heights.
    """
    path = grid_path(name, folders)
    if path is None:
        raise FrameError(
            f"the geoid grid '{name}' is not in {' or '.join(folders) or 'any grids/ folder'}.",
            where=where,
            remedy="Put the file into the job's grids/ folder and write its name as it is there; "
            "or keep ellipsoidal heights.",
        )
    definition = (
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f'+step +inv +proj=vgridshift +grids="{path}" +multiplier=1 '
        "+step +proj=unitconvert +xy_in=rad +xy_out=deg"
    )
    check_runs(definition, (name,), where=where)
    return GeoidModel(f"geoid model {name}", definition, (name,))


def geoid_from_registry(
    frame: CRS, vertical: CRS, place: Place, folders: tuple[str, ...], *, where: str = ""
) -> GeoidModel:
    """The registry's way from a frame's ellipsoidal heights to a vertical CRS, at a place.

    Parameters
    ----------
    frame : CRS
        3D geographic.
    vertical : CRS
        Heights, in any unit; the model's heights are in metres.

    Raises
    ------
    FrameError
        If there is none of stated accuracy or its grid is not in the folders.
    """
    try:
        return _registry_model(frame, vertical, place, folders)
    except FrameError as error:
        raise FrameError(error.what, where=where, remedy=error.remedy) from None


@lru_cache(maxsize=64)
def _registry_model(
    frame: CRS, vertical: CRS, place: Place, folders: tuple[str, ...]
) -> GeoidModel:
    compound = CompoundCRS(f"{frame.name} + {vertical.name}", [frame.to_2d(), vertical])
    runnable, lacking = operations_between(frame, compound, place)
    to_metres = _pipelines.height_unit(vertical.axis_info[0].unit_conversion_factor)
    missing: tuple[str, ...] = ()
    for operation in lacking:
        names = tuple(grid.short_name for grid in operation.grids)
        paths = {name: grid_path(name, folders) for name in names}
        if any(path is None for path in paths.values()):
            missing = missing or names
            continue
        body = _pipelines.with_grid_paths(
            operation.to_proj4(), {name: str(path) for name, path in paths.items()}
        )
        swap = ["+proj=axisswap +order=2,1"] if latitude_first(frame) else []
        definition = _pipelines.join([*swap, body, *swap, *to_metres])
        check_runs(definition, names)
        return GeoidModel(
            f"{vertical.name} by {', '.join(names)}",
            definition,
            names,
            operation.accuracy,
        )
    if runnable and not missing:  # else a better one lacks its grid: no silent fallback
        transformer = runnable[0]
        names = tuple(g.short_name for o in transformer.operations or () for g in o.grids)
        return GeoidModel(
            f"{vertical.name} by {', '.join(names) or transformer.description}",
            _pipelines.join([transformer.definition, *to_metres]),
            names,
            transformer.accuracy,
        )
    if missing:
        raise FrameError(
            f"heights in {vertical.name} need the grid file {', '.join(missing)}, which is not "
            "here.",
            remedy="Get it from PROJ's data collection or the national survey and put it into "
            "the job's grids/ folder; or keep ellipsoidal heights.",
        )
    raise FrameError(
        f"the registry has no way of known accuracy from {frame.name} to {vertical.name} at "
        f"{place}.",
        remedy="Name a geoid grid file (geoid = ...) or keep ellipsoidal heights.",
    )
