"""What the demonstration job plans to dig, and one hole that was already made.

Places are worked out from where the lines really lie, so that each dig is what it says for every
seed: a trench over the water main, a bore that passes over the force main and under all others, and
six posts beside the telecom cable, of which one stands on it and one stands close. The hole shows
the force main where the bore comes nearest.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from asfound.demo.street import Street, TrueLine
from asfound.units import US_SURVEY_FOOT

Floats = npt.NDArray[np.float64]

TRENCH_STATION, TRENCH_OFFSETS = 206.0, (-8.0, -1.4)
TRENCH_WIDTH, TRENCH_OVER_WATER = 0.6, 0.30
BORE_STATION = 221.0
BORE_OFFSETS = (-1.4, 2.0, 7.0, 14.0)
BORE_DIAMETER, BORE_OVER_FORCE_MAIN = 0.15, 0.14
BORE_RISE = (0.0, 0.0, 0.0, 1.0)
POST_STATIONS = (150.0, 160.0, 170.0, 180.0, 190.0, 200.0)
POST_OFFSETS = (0.95, 0.95, 0.06, 0.95, 0.42, 0.95)
"""To the right of the telecom cable [m]: the third stands on it, the fifth close."""
POST_DIAMETER, POST_DEPTH = 0.30, 1.0

CONFLICT, CLOSE, EXPOSED = "P3", ("T1", "P5"), "B1"
"""The dig that hits a line, those that only just do not, and the one that an exposure settles."""


def digs_toml(street: Street) -> bytes:
    """The `digs.toml` of the demonstration job, in US survey feet like the job itself."""
    water, force, telecom = (
        street.line(name) for name in ("water main", "force main", "telecom cable")
    )
    return "\n".join(
        [
            "# Invented digs of the demonstration job; nobody will dig here.",
            'unit = "ftUS"',
            *_trench(street, water),
            *_bore(street, force),
            *_posts(street, telecom),
            *_exposure(street, force),
            *_around(street),
            "",
        ]
    ).encode()


def _place(street: Street, station: float, right: float) -> Floats:
    """Easting and northing at a distance to the right of the street's axis [m]."""
    east, north, _, bearing = (float(v[0]) for v in street.axis.at(np.array([station])))
    return np.array([east + right * np.cos(bearing), north - right * np.sin(bearing)])


def _crossing(line: TrueLine, path: list[Floats]) -> tuple[Floats, float]:
    """Where a line passes under or over a path in plan, and its height there [m]."""
    plan = shapely.LineString(np.column_stack((line.path.easting, line.path.northing)))
    point = shapely.get_coordinates(plan.intersection(shapely.LineString(path)))[0]
    station, _ = line.path.nearest(point[:1], point[1:])
    return point, float(line.path.at(station)[2][0])


def _trench(street: Street, water: TrueLine) -> list[str]:
    axis = [_place(street, TRENCH_STATION, offset) for offset in TRENCH_OFFSETS]
    over, height = _crossing(water, axis)
    ground = float(street.ground(over[:1], over[1:])[0])
    depth = ground - height - water.outside_diameter / 2.0 - TRENCH_OVER_WATER
    return [
        "",
        "[[trench]]               # for a drain, over the water main",
        'name = "T1"',
        f"points = [{', '.join(_pair(point) for point in axis)}]",
        f"width = {_feet(TRENCH_WIDTH)}",
        f"depth = {_feet(depth)}",
        'installs = "sewer"',
    ]


def _bore(street: Street, force: TrueLine) -> list[str]:
    path = [_place(street, BORE_STATION, offset) for offset in BORE_OFFSETS]
    _, height = _crossing(force, path)
    lowest = height + (force.outside_diameter + BORE_DIAMETER) / 2.0 + BORE_OVER_FORCE_MAIN
    return [
        "",
        "[[bore]]                 # for a duct, from a pit in the roadway",
        'name = "B1"',
        f"points = [{', '.join(_pair(point) for point in path)}]",
        f"elevation = [{', '.join(_feet(lowest + rise) for rise in BORE_RISE)}]",
        f"pilot_diameter = {_feet(0.08)}",
        f"final_diameter = {_feet(BORE_DIAMETER)}",
        f"vertical_sd = {_feet(0.03)}",
        "vertical_steering = 0.002",
        "horizontal_steering = 0.002",
        'installs = "communication"',
    ]


def _posts(street: Street, telecom: TrueLine) -> list[str]:
    text: list[str] = []
    for number, (station, away) in enumerate(zip(POST_STATIONS, POST_OFFSETS, strict=True), 1):
        beside = _place(street, station, 8.8)
        along, _ = telecom.path.nearest(beside[:1], beside[1:])
        east, north, _, bearing = (float(v[0]) for v in telecom.path.at(along))
        place = np.array([east + away * np.cos(bearing), north - away * np.sin(bearing)])
        text += [
            "",
            "[[post]]" + ("                 # of a fence beside the telecom cable" * (number == 1)),
            f'name = "P{number}"',
            f"easting = {_feet(place[0])}",
            f"northing = {_feet(place[1])}",
            f"diameter = {_feet(POST_DIAMETER)}",
            f"depth = {_feet(POST_DEPTH)}",
        ]
    return text


def _exposure(street: Street, force: TrueLine) -> list[str]:
    path = [_place(street, BORE_STATION, offset) for offset in BORE_OFFSETS]
    place, height = _crossing(force, path)
    ground = float(street.ground(place[:1], place[1:])[0])
    return [
        "",
        "[[exposure]]             # one hole by vacuum, where the bore comes nearest",
        'name = "X1"',
        'line = "S1"',
        f"easting = {_feet(place[0])}",
        f"northing = {_feet(place[1])}",
        f"top_depth = {_feet(ground - height - force.outside_diameter / 2.0)}",
        f"ground_height = {_feet(ground)}",
        f"outside_diameter = {_feet(force.outside_diameter, 3)}",
        'material = "PVC"',
        'photo = "X1.jpg"',
        'who = "Crew 2"',
        'method = "vacuum"',
        "when = 2026-11-20",
    ]


def _around(street: Street) -> list[str]:
    """A line from records, where was searched, and where a hole is dear."""
    record = [_place(street, station, -10.4) for station in (172.0, 212.0)]
    searched = [
        *(_place(street, station, 6.0) for station in (145.0, 175.0, 205.0)),
        *(_place(street, station, 12.5) for station in (205.0, 175.0, 145.0)),
    ]
    roadway = [
        *(_place(street, station, -4.2) for station in (195.0, 235.0)),
        *(_place(street, station, 4.2) for station in (235.0, 195.0)),
    ]
    return [
        "",
        "[[record]]               # nobody located it",
        'name = "duct of 1987"',
        'utility = "communication"',
        f"points = [{', '.join(_pair(point) for point in record)}]",
        f"horizontal_sd = {_feet(1.0)}",
        'basis = "invented plan of 1987, sheet 4"',
        "",
        "[[searched]]             # swept for lines whether or not one was known",
        f"corners = [{', '.join(_pair(point) for point in searched)}]",
        'basis = "passive and induction sweeps of Crew 2, 2026-11-18 (invented)"',
        "",
        "[require]",
        'jurisdiction = "US"',
        "",
        "[advice]",
        "holes = 3",
        "",
        "[[advice.dear]]          # a hole in the roadway costs as much as three in the verge",
        f"corners = [{', '.join(_pair(point) for point in roadway)}]",
        "cost = 3.0",
        'basis = "roadway"',
    ]


def _feet(metres: float, digits: int = 2) -> str:
    return f"{metres / US_SURVEY_FOOT.metres:.{digits}f}"


def _pair(point: Floats) -> str:
    return f"[{_feet(point[0])}, {_feet(point[1])}]"
