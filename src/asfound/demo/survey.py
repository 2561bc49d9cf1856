"""Who surveyed what, when and with what: the plan of the two days in Osier Lane.

Two receivers, two days, four uploads in three layouts; on the second afternoon one receiver walks a
stretch of the first day again, and checks out on control with another correction service, whose
frame is written down wrongly. Receiver 1 works with a correction service
in NAD 83(2011), receiver 2 with one in ITRF2020, each at the time of the survey. Serials, control
points and hook-up names are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asfound.model import Method

LOCAL_ZONE = "America/Chicago"
UTC_OFFSET = np.timedelta64(6, "h")
"""Central standard time, which Kansas North keeps in November, to UTC."""


@dataclass(frozen=True)
class Visit:
    """One hook-up worked along one line, or a part of it.

    Parameters
    ----------
    line : str
        Name of the true line.
    hookup : str
        As the crew calls it.
    method : Method
    frequency : float
        [Hz].
    current : float
        At the first station of the line [A].
    start, end : float
        Stations [m], start > end when walked back; the whole length where end is beyond it.
    spacing : float
        Between shots [m].
    """

    line: str
    hookup: str
    method: Method
    frequency: float
    current: float
    start: float
    end: float
    spacing: float = 3.0


@dataclass(frozen=True)
class ReceiverKind:
    """What a receiver measures and records.

    Parameters
    ----------
    serial : str
    antenna_height : float
        [m].
    measures_tilt, reports_sd, records_null : bool
    horizontal, vertical, ppm : float
        RTK class: one-sigma constants [m] and parts per million of the base distance.
    base_distance : float
        To its reference station [m].
    """

    serial: str
    antenna_height: float
    measures_tilt: bool
    reports_sd: bool
    records_null: bool
    horizontal: float
    vertical: float
    ppm: float
    base_distance: float


@dataclass(frozen=True)
class UploadPlan:
    """One file: a receiver's day.

    Parameters
    ----------
    file : str
    layout : str
        ``'degrees'``, ``'sexagesimal'`` or ``'grid'``.
    receiver : ReceiverKind
    frame : str
        Of its correction service.
    start : datetime64
        Local time of the first shot.
    visits : tuple of Visit
    before, after : tuple of int
        Control points that are checked before and after the visits.
    declared : str
        Frame that is declared when the file is added; empty: the true one.
    """

    file: str
    layout: str
    receiver: ReceiverKind
    frame: str
    start: np.datetime64
    visits: tuple[Visit, ...]
    before: tuple[int, ...] = (0,)
    after: tuple[int, ...] = (1,)
    declared: str = ""


RECEIVER_1 = ReceiverKind("EL-0417", 1.9, True, True, True, 0.008, 0.015, 1.0, 6400.0)
RECEIVER_2 = ReceiverKind("EL-0562", 2.0, False, False, False, 0.008, 0.015, 1.0, 9100.0)

UPLOADS = (
    UploadPlan(
        "osier-lane-day1-EL-0417.csv",
        "degrees",
        RECEIVER_1,
        "NAD83(2011)",
        np.datetime64("2026-11-17T08:12:20"),
        (
            Visit("gas main", "T1 gas valve", Method.DIRECT, 8000.0, 0.120, 0.0, 150.0),
            Visit("gas service 1", "T1 gas valve", Method.DIRECT, 8000.0, 0.040, 1.5, 99.0, 2.5),
            Visit("electric cable", "T1 cabinet", Method.CLAMP, 33000.0, 0.055, 0.0, 999.0),
        ),
    ),
    UploadPlan(
        "osier-lane-day1-EL-0562.txt",
        "sexagesimal",
        RECEIVER_2,
        "ITRF2020",
        np.datetime64("2026-11-17T08:30:05"),
        (
            Visit("water main", "T2 hydrant", Method.DIRECT, 8000.0, 0.150, 0.0, 140.0),
            Visit("telecom cable", "T2 pedestal", Method.DIRECT, 33000.0, 0.045, 0.0, 120.0),
            Visit("telecom cable", "T2 pedestal", Method.DIRECT, 33000.0, 0.045, 999.0, 150.0),
            Visit("telecom cable", "T2 pedestal", Method.DIRECT, 33000.0, 0.045, 148.0, 121.0),
        ),
        (1,),
        (0,),
    ),
    UploadPlan(
        "osier-lane-day2-EL-0417.tsv",
        "grid",
        RECEIVER_1,
        "NAD83(2011)",
        np.datetime64("2026-11-18T08:20:40"),
        (
            Visit("force main", "T1 lift station", Method.DIRECT, 8000.0, 0.200, 0.0, 999.0),
            Visit("water main", "T1 meter pit", Method.DIRECT, 8000.0, 0.140, 999.0, 141.0),
        ),
    ),
    UploadPlan(
        "osier-lane-day2-EL-0562.txt",
        "sexagesimal",
        RECEIVER_2,
        "ITRF2020",
        np.datetime64("2026-11-18T08:41:15"),
        (
            Visit("gas main", "T2 gas riser", Method.DIRECT, 8000.0, 0.110, 151.5, 999.0),
            Visit("gas service 2", "T2 gas riser", Method.DIRECT, 8000.0, 0.050, 1.5, 99.0, 2.5),
            Visit("reclaimed main", "T2 valve box", Method.DIRECT, 8000.0, 0.080, 0.0, 999.0),
        ),
        (1,),
        (0,),
    ),
)

AGAIN_LINE, AGAIN_LENGTH = "gas main", 36.0
"""Walked again on the second afternoon: so much of the first visit to this line [m]."""


def afternoon(start: float) -> tuple[UploadPlan, ...]:
    """The second afternoon: a stretch walked again, and control checked on another service.

    Parameters
    ----------
    start : float
        Station from which the line is walked again [m].
    """
    again = Visit(
        AGAIN_LINE, "T3 gas valve", Method.DIRECT, 8000.0, 0.100, start, start + AGAIN_LENGTH
    )
    return (
        UploadPlan(
            "osier-lane-day2-EL-0562-again.txt",
            "sexagesimal",
            RECEIVER_2,
            "ITRF2020",
            np.datetime64("2026-11-18T13:10:25"),
            (again,),
        ),
        UploadPlan(
            "osier-lane-day2-EL-0562-checkout.txt",
            "sexagesimal",
            RECEIVER_2,
            "ITRF2020",
            np.datetime64("2026-11-18T16:12:10"),
            (),
            (1, 1),
            (0, 0),
            declared="NAD83(2011)",
        ),
    )


CONTROL = (("CP1", 12.0, -11.0), ("CP2", 236.0, 11.5))
"""Control points: name, station and distance to the right of the street's axis [m]."""
