"""Ground points in the job's frame, and the operations that brought them there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Operation:
    """A coordinate operation as PROJ chose it.

    Parameters
    ----------
    source, target : str
        Names of the frames.
    name : str
        The registry's name for the operation.
    accuracy : float
        As stated by the registry, 1 sigma taken as stated [m]; 0 for exact conversions.
    definition : str
        PROJ pipeline.
    grids : tuple of str
    epoch : str
        In words: ``'each shot at its own time'``, ``'2026.88'`` or ``'not needed'``.
    """

    source: str
    target: str
    name: str
    accuracy: float
    definition: str
    grids: tuple[str, ...] = ()
    epoch: str = "not needed"


@dataclass(frozen=True, eq=False)
class Ground:
    """Ground point under the pole's tip for n shots, in the job's frame.

    Every array has shape (n,); NaN where a position could not be computed.

    Parameters
    ----------
    easting, northing : float64
        Job CRS, in metres whatever the CRS's own unit is.
    height : float64
        Job's vertical reference [m].
    longitude, latitude : float64
        Job CRS's geographic base [deg].
    ellipsoidal_height : float64
        [m].
    convergence : float64
        Grid convergence: true north minus grid north, clockwise positive from true to grid [rad];
        true bearing = grid bearing + convergence.
    combined_factor : float64
        Grid distance / ground distance.
    epoch : float64
        Decimal year used for each shot.
    operation : int16
        Index into `operations`.
    operations : tuple of Operation
    unit_metres : float
        One unit of the job CRS in metres (1, 0.3048 or 1200/3937).
    vertical_reference : str
        In words, e.g. ``'ellipsoidal height, GRS 1980; no geoid model'``.
    """

    easting: Floats
    northing: Floats
    height: Floats
    longitude: Floats
    latitude: Floats
    ellipsoidal_height: Floats
    convergence: Floats
    combined_factor: Floats
    epoch: Floats
    operation: npt.NDArray[np.int16]
    operations: tuple[Operation, ...]
    unit_metres: float
    vertical_reference: str

    def __len__(self) -> int:
        return len(self.easting)
