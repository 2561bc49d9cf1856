"""Spots measured again: the evidence that coming back gives."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from asfound.model.decisions import ShotKey


@dataclass(frozen=True, eq=False)
class Repeat:
    """One spot measured a second time, as it was stored.

    Where the second measurement is a shot of the job (`measured` set), its position, time and
    uncertainty are the shot's own whenever the job is processed; what is stored here is what they
    were on the day. Where it was no shot (a live position, coordinates read off a screen), only
    this record knows it.

    Parameters
    ----------
    id : str
        Unique within the job.
    target : str
        Name of the spot in words: ``'A-17'``, ``'W1 25.00'``, the name of a target in a list.
    shot : ShotKey or None
        The target, if it was a shot.
    target_position : (3,) float64
        Easting, northing, ground height in the job's frame as aimed at [m]; height NaN if not
        known.
    target_covariance : (3, 3) float64
        Of the target: grid east, north, up [m2]; NaN in up where there is no height.
    measured : ShotKey or None
        The second measurement, if it is a shot of the job.
    position : (3,) float64
        Easting, northing, ground height of the second measurement in the job's frame [m].
    covariance : (3, 3) float64
        Of `position` [m2].
    frame : str
        Frame that the second measurement was made in, as declared.
    epoch : float
        Decimal year of the second measurement.
    when : datetime
        With its zone.
    who, receiver : str
    outcome : str
        ``'same'``, ``'different'`` or ``'not decidable'``, as found on the day.
    tolerance : float
        Horizontal distance that counted as the same spot [m].
    note : str
    """

    id: str
    target: str
    shot: ShotKey | None
    target_position: npt.NDArray[np.float64]
    target_covariance: npt.NDArray[np.float64]
    measured: ShotKey | None
    position: npt.NDArray[np.float64]
    covariance: npt.NDArray[np.float64]
    frame: str
    epoch: float
    when: datetime
    who: str = ""
    receiver: str = ""
    outcome: str = ""
    tolerance: float = float("nan")
    note: str = ""
