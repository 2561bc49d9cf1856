"""The demonstration's stakeout list: half a year later, on a service in another frame."""

from __future__ import annotations

from datetime import date

from asfound.model import Frame, LineChoice, StakeoutRequest

RETURN_VISIT = StakeoutRequest(
    name="return-visit",
    service=Frame("ITRF2020"),
    day=date(2027, 5, 18),
    shots=("A-17",),
    lines=(LineChoice("W1", 50.0 * 1200.0 / 3937.0, "ftUS"),),
    crossings=True,
    exposures=True,
    formats=("csv", "gpx", "kml", "geojson"),
)
