"""Stakeout lists: what is to be found again, and where the service of the day has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError
from asfound.model.settings import Frame

Floats = npt.NDArray[np.float64]

STAKEOUT_FORMATS = ("csv", "gpx", "kml", "geojson", "landxml")


@dataclass(frozen=True)
class LineChoice:
    """Stations of one line.

    Parameters
    ----------
    line : str
        Its name.
    every : float
        Distance between stations [m]; 0 for none.
    unit : str
        Of the stations' names: ``'m'``, ``'ft'`` or ``'ftUS'``.
    start, end : float
        Part of the line [m]; end NaN: its own.
    """

    line: str
    every: float = 0.0
    unit: str = "m"
    start: float = 0.0
    end: float = float("nan")


@dataclass(frozen=True)
class StakeoutRequest:
    """A stakeout list that is asked for.

    Parameters
    ----------
    name : str
        Of the list, and of its files.
    service : Frame
        The correction service in use: its CRS, kind of height, and its epoch if it delivers a
        fixed one.
    day : date
        Of the stakeout.
    shots : tuple of str
        Such as ``'A-17'``.
    lines : tuple of LineChoice
    bends, ends : bool
        Of the chosen lines.
    tees, crossings : bool
        Of the chosen lines; of all lines where none is chosen.
    digs : tuple of str
        Names of digs whose corners are wanted; ``'*'`` for all.
    exposures : bool
        Every exposure of the plan.
    control : bool
        Every control point of the job.
    start : tuple
        ``('grid', easting, northing)`` in the job's frame [m], ``('degrees', latitude,
        longitude)`` in the job's frame, or empty: at the first target.
    formats : tuple of str
        Any of `STAKEOUT_FORMATS`.
    columns : tuple of str
        Of the CSV, in order; empty for the usual ones.
    unit : str
        Of stations, heights and depths in the CSV; empty for the job's.
    plate : str
        Plate that the ground goes with; empty: by the place.
    position_accuracy : float
        What a loose frame name may cost [m]; 0 to refuse such names.
    """

    name: str
    service: Frame
    day: date
    shots: tuple[str, ...] = ()
    lines: tuple[LineChoice, ...] = ()
    bends: bool = True
    ends: bool = True
    tees: bool = False
    crossings: bool = False
    digs: tuple[str, ...] = ()
    exposures: bool = False
    control: bool = False
    start: tuple[str, float, float] | tuple[()] = ()
    formats: tuple[str, ...] = ("csv",)
    columns: tuple[str, ...] = ()
    unit: str = ""
    plate: str = ""
    position_accuracy: float = 0.0


@dataclass(frozen=True, eq=False)
class Targets:
    """n spots to stake out, in the job's frame.

    Parameters
    ----------
    name, kind : tuple of str
        Name in the list; ``'shot'``, ``'station'``, ``'bend'``, ``'tee'``, ``'crossing'``,
        ``'end'`` or what the caller calls it (``'dig corner'``, ``'exposure'``).
    line : tuple of str
        Name of the line, empty for none.
    utility : (n,) int8
        `Utility` codes.
    station : (n,) float64
        Along the line [m]; NaN for none.
    easting, northing : (n,) float64
        [m].
    height : (n,) float64
        Ground above the spot, in the job's vertical reference [m]; NaN if not known.
    depth : (n,) float64
        Ground to the conductor's centre [m]; NaN if not known.
    covariance : (n, 3, 3) float64
        Of the spot: grid east, north, up [m2]; up is of the conductor's centre where there is a
        depth, else NaN.
    """

    name: tuple[str, ...]
    kind: tuple[str, ...]
    line: tuple[str, ...]
    utility: npt.NDArray[np.int8]
    station: Floats
    easting: Floats
    northing: Floats
    height: Floats
    depth: Floats
    covariance: Floats

    def __len__(self) -> int:
        return len(self.easting)

    def take(self, rows: npt.NDArray[np.integer]) -> Targets:
        """The same list for chosen rows, in their order (a walking order, for one)."""
        picked = np.arange(len(self))[rows]
        taken: dict[str, object] = {}
        for field in fields(Targets):
            column = getattr(self, field.name)
            taken[field.name] = (
                tuple(column[k] for k in picked.tolist())
                if isinstance(column, tuple)
                else column[picked]
            )
        return Targets(**taken)  # type: ignore[arg-type]

    @staticmethod
    def join(parts: Sequence[Targets]) -> Targets:
        """One list from several, one after the other.

        Raises
        ------
        InputError
            If there is nothing to join.
        """
        if not parts:
            raise InputError("a stakeout list needs targets.", remedy="Choose shots or stations.")
        joined: dict[str, object] = {}
        for field in fields(Targets):
            columns = [getattr(part, field.name) for part in parts]
            joined[field.name] = (
                sum(columns, ()) if isinstance(columns[0], tuple) else np.concatenate(columns)
            )
        return Targets(**joined)  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class ServiceTargets:
    """Targets as the service's receiver must be given them.

    Parameters
    ----------
    targets : Targets
        In the job's frame, same rows.
    crs : str
        Name of the service's CRS.
    epoch : float
        Of the coordinates, decimal year; NaN if the service's frame needs none.
    projected : bool
        Whether `x`, `y` are easting, northing in the CRS's own unit; else degrees.
    unit : str
        Of `x` and `y`.
    unit_metres : float
        One unit of a projected CRS [m]; NaN for degrees.
    x, y : (n,) float64
        Easting or longitude, northing or latitude.
    height : (n,) float64
        Of the ground above the spot, in the service's kind of height [m]; NaN if not known.
    longitude, latitude, ellipsoidal_height : (n,) float64
        In the service's frame [deg, m].
    height_reference : str
        In words.
    operation : str
        The registry's names of the operations that were run backwards.
    accuracy : float
        Of these, as the registry states it [m]; part of the covariance.
    covariance : (n, 3, 3) float64
        Of the targets with the operation's accuracy, in the job's grid east, north, up [m2].
    convergence : (n,) float64
        True bearing minus the job's grid bearing [rad].
    unmodelled : tuple of str
        What was left out, with its size.
    """

    targets: Targets
    crs: str
    epoch: float
    projected: bool
    unit: str
    unit_metres: float
    x: Floats
    y: Floats
    height: Floats
    longitude: Floats
    latitude: Floats
    ellipsoidal_height: Floats
    height_reference: str
    operation: str
    accuracy: float
    covariance: Floats
    convergence: Floats
    unmodelled: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, eq=False)
class StakeoutList:
    """A list made.

    Parameters
    ----------
    request : StakeoutRequest
    targets : ServiceTargets or None
        In walking order; None if the list could not be made.
    distance : float
        On foot, from the start past all targets [m].
    start : str
        Where the walk begins, in words.
    reason, remedy : str
        Why it could not be made, and what to do; empty if it was.
    """

    request: StakeoutRequest
    targets: ServiceTargets | None
    distance: float = float("nan")
    start: str = ""
    reason: str = ""
    remedy: str = ""
