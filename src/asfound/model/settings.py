"""What a job declares: its frame, units, control, receivers, sizes; and what each upload declares.

The edges read these from `job.toml` and the uploads' own TOML files; the core only sees records.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import numpy.typing as npt

from asfound.model.vocabulary import Utility


@dataclass(frozen=True)
class Frame:
    """Reference frame of coordinates.

    Parameters
    ----------
    crs : str
        Anything PROJ reads: ``'EPSG:9989'``, WKT, ``'ITRF2020'`` preset names resolved earlier.
    epoch : float or None
        Coordinate epoch, decimal year. None: each shot's own time (dynamic frames), or not
        needed (static frames).
    height_kind : str
        ``'ellipsoidal'``, ``'orthometric'`` (then `geoid` names the model that was used) or
        ``'none'``.
    geoid : str
        File name of the geoid grid in the job's `grids/` folder, empty for none.
    """

    crs: str
    epoch: float | None = None
    height_kind: str = "ellipsoidal"
    geoid: str = ""


@dataclass(frozen=True)
class Source:
    """One upload: where it came from and what it declares for all its rows.

    Parameters
    ----------
    tag : str
        Short letter code within the job: A, B, ... Z, AA, ...; shots are called ``A-17``.
    file : str
        Name as received (display only, never a path to open).
    sha256 : str
        Of the raw bytes.
    size : int
        Bytes.
    rows : int
        Data rows found, accepted or not.
    frame : Frame
    position_of : str
        ``'antenna'`` (phase centre: lever arm is taken off) or ``'ground'`` (already reduced).
    depth_to : str
        ``'centre'`` of the current, as a receiver reads, or ``'top'`` of the utility.
    receiver, hookup, crew : str
        Defaults for rows that don't say.
    antenna_height : float
        Default [m], NaN if none.
    position_accuracy : float
        1-sigma of the declared frame itself [m], e.g. 2.0 for a bare "WGS 84" label that the
        user chose to carry; 0 normally.
    assumed : tuple of str
        What was assumed when the file was first understood, in sentences, where nobody said.
    """

    tag: str
    file: str
    sha256: str
    size: int
    rows: int
    frame: Frame
    position_of: str = "antenna"
    depth_to: str = "centre"
    receiver: str = ""
    hookup: str = ""
    crew: str = ""
    antenna_height: float = float("nan")
    position_accuracy: float = 0.0
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Receiver:
    """A receiver (EM locator with its GNSS antenna) by serial, and what is known of it."""

    serial: str
    horizontal: float = 0.008
    vertical: float = 0.015
    ppm: float = 1.0
    verified: date | None = None
    note: str = ""


@dataclass(frozen=True)
class ControlPoint:
    """A point of known coordinates, in the job CRS [m] and its vertical reference."""

    name: str
    easting: float
    northing: float
    height: float
    horizontal_sd: float = 0.01
    vertical_sd: float = 0.015


@dataclass(frozen=True)
class NominalSize:
    """Outside diameter [m] of a line or of all lines of a utility, and where that is from."""

    outside_diameter: float
    utility: Utility = Utility.UNKNOWN
    line: str = ""
    basis: str = ""


@dataclass(frozen=True)
class AccuracySettings:
    """How a job's accuracy is stated.

    Parameters
    ----------
    schemes : tuple of str
        Ids of the schemes under which quality levels are proposed; empty: the one of the country
        that the job's CRS is made for.
    confidence : float
        Of the intervals around statements, 0.5 to 0.999.
    gaps_known_by : str
        How stretches without shots are known besides: ``'surface-features'``, ``'records'`` or
        ``'assumed'``.
    """

    schemes: tuple[str, ...] = ()
    confidence: float = 0.95
    gaps_known_by: str = "assumed"


@dataclass(frozen=True, eq=False)
class JobSettings:
    """Everything a job declares.

    Parameters
    ----------
    name, client, place, crew, notice, purpose : str
        Facts for the cover.
    invented : bool
        True for demonstration data: every output says so.
    frame : Frame
        The job's own: a projected CRS, its epoch, its heights.
    length_unit : str
        ``'m'``, ``'ft'`` (international) or ``'ftUS'``: used by outputs for people.
    work_area : (k, 2) float64 or None
        Longitude, latitude [deg] ring in the job's geographic CRS.
    control, receivers, sizes
        Records above.
    processed_on : date or None
        "Today" for rules about due dates; None: the day of the last shot. Kept as a setting so
        that a second run gives the same bytes.
    accuracy : AccuracySettings
    profile : dict
        Overrides of rule thresholds, by rule and name.
    grids : tuple of str
        Paths of folders PROJ may take grid files from.
    """

    name: str
    frame: Frame
    client: str = ""
    place: str = ""
    crew: str = ""
    notice: str = ""
    purpose: str = ""
    invented: bool = False
    length_unit: str = "m"
    work_area: npt.NDArray[np.float64] | None = None
    control: tuple[ControlPoint, ...] = ()
    receivers: tuple[Receiver, ...] = ()
    sizes: tuple[NominalSize, ...] = ()
    processed_on: date | None = None
    profile: dict[str, object] = field(default_factory=dict)
    grids: tuple[str, ...] = ()
    accuracy: AccuracySettings = field(default_factory=AccuracySettings)
