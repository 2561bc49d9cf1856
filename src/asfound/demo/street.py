"""The truth: an invented village street with its ground and its eight buried lines.

Osier Lane in Quillmere does not exist; only the reference frames it is placed in are real. The
plan is the same for every seed, depths and levels differ. All coordinates are in the job's CRS,
in metres, heights ellipsoidal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.demo._paths import Path
from asfound.model import Utility

Floats = npt.NDArray[np.float64]

# A corner of an empty field in the middle of the Kansas North zone, [m] in EPSG:6466/6467.
ORIGIN_EASTING = 396_500.0
ORIGIN_NORTHING = 104_200.0
ORIGIN_HEIGHT = 402.0

JOB_CRS = "EPSG:6467"
"""NAD83(2011) / Kansas North in US survey feet."""

_HALF_ROADWAY = 4.2
_KERB = 0.12
_VERTEX_STEP = 0.5


@dataclass(frozen=True, eq=False)
class TrueLine:
    """A buried line as it really lies.

    Parameters
    ----------
    name : str
        Ours, never written into a raw file.
    utility : Utility
    material : str
    outside_diameter : float
        [m].
    path : Path
        Centre of the conductor.
    branch_of : str
        Name of the line it starts on, empty for none.
    """

    name: str
    utility: Utility
    material: str
    outside_diameter: float
    path: Path
    branch_of: str = ""


@dataclass(frozen=True, eq=False)
class Street:
    """The street: its axis, its ground and its lines."""

    axis: Path
    phase: float
    lines: tuple[TrueLine, ...]

    def line(self, name: str) -> TrueLine:
        """The line of a name."""
        return next(line for line in self.lines if line.name == name)

    def subgrade(self, easting: Floats, northing: Floats) -> Floats:
        """Height of the smooth surface the street was built on [m]."""
        east, north = easting - ORIGIN_EASTING, northing - ORIGIN_NORTHING
        gentle = 0.15 * np.sin(2 * np.pi * (east + 0.4 * north) / 95.0 + self.phase)
        return np.asarray(ORIGIN_HEIGHT + 0.011 * east - 0.006 * north + gentle)

    def ground(self, easting: Floats, northing: Floats) -> Floats:
        """Height of the ground: subgrade, crowned roadway, kerbs, verge rising outward [m]."""
        _, right = self.axis.nearest(easting, northing)
        away = np.abs(right)
        crown = 0.02 * (_HALF_ROADWAY - np.minimum(away, _HALF_ROADWAY))
        kerb = _KERB * np.clip((away - _HALF_ROADWAY) / 0.15 + 0.5, 0.0, 1.0)
        verge = 0.015 * np.maximum(away - _HALF_ROADWAY, 0.0)
        return np.asarray(self.subgrade(easting, northing) + crown + kerb + verge)


def build_street(rng: np.random.Generator) -> Street:
    """The street of a job: fixed plan, drawn depths and levels."""
    axis = _street_axis()
    bare = Street(axis, float(rng.uniform(0, 2 * np.pi)), ())
    deeper = dict(zip("WGETFRab", rng.uniform(0.94, 1.06, 8), strict=True))

    def pipe(stations: list[float], offsets: list[float], depths: list[float], key: str) -> Path:
        # Laid straight, plan and grade, between the vertices: a pipe.
        plan = _beside(axis, np.array(stations), np.array(offsets))
        level = bare.subgrade(plan.easting, plan.northing) - deeper[key] * np.array(depths)
        return Path(plan.easting, plan.northing, level, plan.station).densified(_VERTEX_STEP)

    def cable(stations: list[float], offsets: list[float], depth: float, key: str) -> Path:
        # Ploughed in along the street, following the ground with slow ups and downs: a cable.
        along = np.arange(stations[0], stations[-1] + 0.25, _VERTEX_STEP)
        plan = _beside(axis, along, _eased(along, stations, offsets))
        down = deeper[key] * depth * (1 + 0.06 * np.sin(plan.station / 13.0 + 9 * deeper[key]))
        level = bare.subgrade(plan.easting, plan.northing) - down
        return Path(plan.easting, plan.northing, level, plan.station)

    water = pipe(
        [3, 40, 80, 108, 128, 148, 200, 244],
        [-3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0],
        [1.4, 1.45, 1.4, 1.4, 1.45, 1.5, 1.4, 1.35],
        "W",
    )
    gas = pipe(
        [2, 50, 106, 127, 149, 188, 192, 241],
        [3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 4.6, 4.6],
        [1.05, 1.1, 1.1, 1.1, 1.05, 1.05, 1.05, 0.95],
        "G",
    )
    electric = cable([0, 98, 122, 243], [-6.0, -6.0, 6.4, 6.4], 0.64, "E")
    telecom = cable([6, 237], [8.8, 8.8], 0.62, "T")
    reclaimed = pipe(
        [18, 60, 108, 128, 148, 184],
        [-8.6, -8.6, -8.6, -8.6, -8.6, -8.6],
        [0.95, 1.0, 0.95, 1.0, 1.0, 0.95],
        "R",
    )
    sewer = _force_main(axis, bare, deeper["F"])
    lines = (
        TrueLine("gas main", Utility.GAS, "steel, NPS 4", 0.1143, gas),
        TrueLine(
            "gas service 1",
            Utility.GAS,
            "polyethylene with tracer wire",
            0.0334,
            _service(gas, bare, 39.0, np.pi / 2, 15.0, np.radians(20.0), deeper["a"]),
            "gas main",
        ),
        TrueLine(
            "gas service 2",
            Utility.GAS,
            "polyethylene with tracer wire",
            0.0334,
            _service(gas, bare, 168.0, -np.pi / 2, 17.0, np.radians(-15.0), deeper["b"]),
            "gas main",
        ),
        TrueLine("water main", Utility.WATER, "ductile iron, 6 inch", 0.1753, water),
        TrueLine("electric cable", Utility.ELECTRIC, "three-phase cable", 0.065, electric),
        TrueLine("telecom cable", Utility.COMMUNICATION, "copper pairs", 0.03, telecom),
        TrueLine("force main", Utility.SEWER, "PVC with tracer wire, 6 inch", 0.1683, sewer),
        TrueLine("reclaimed main", Utility.RECLAIMED, "PVC with tracer wire", 0.0603, reclaimed),
    )
    return Street(axis, bare.phase, lines)


def _street_axis() -> Path:
    """Straight, a left-hand curve of 60 m radius through 35 degrees, straight again."""
    radius, turn, first = 60.0, np.radians(35.0), np.radians(78.0)
    straight_1 = np.arange(0.0, 109.9, 1.0)
    angle = np.linspace(0.0, turn, 75)
    straight_2 = np.arange(1.0, 101.0, 1.0)
    east = np.concatenate(
        [
            straight_1 * np.sin(first),
            110.0 * np.sin(first) + radius * (np.cos(first - angle) - np.cos(first)),
        ]
    )
    north = np.concatenate(
        [
            straight_1 * np.cos(first),
            110.0 * np.cos(first) + radius * (np.sin(first) - np.sin(first - angle)),
        ]
    )
    last = first - turn
    east = np.concatenate([east, east[-1] + straight_2 * np.sin(last)])
    north = np.concatenate([north, north[-1] + straight_2 * np.cos(last)])
    return Path.through(ORIGIN_EASTING + east, ORIGIN_NORTHING + north)


def _beside(axis: Path, station: Floats, right: Floats) -> Path:
    """The plan path at distances to the right of the street's axis."""
    east, north, _, _ = axis.at(station)
    # The bearing of a chord over half a metre, so that offsets don't break at vertices.
    before, after = axis.at(station - 0.25), axis.at(station + 0.25)
    bearing = np.arctan2(after[0] - before[0], after[1] - before[1])
    return Path.through(east + right * np.cos(bearing), north - right * np.sin(bearing))


def _eased(station: Floats, knots: list[float], values: list[float]) -> Floats:
    """Piecewise linear with smooth (cosine) transitions between knots."""
    k = np.clip(np.searchsorted(knots, station, side="right") - 1, 0, len(knots) - 2)
    lower, upper = np.array(knots)[k], np.array(knots)[k + 1]
    share = (1 - np.cos(np.pi * np.clip((station - lower) / (upper - lower), 0, 1))) / 2
    low, high = np.array(values)[k], np.array(values)[k + 1]
    return np.asarray(low + share * (high - low))


def _service(
    main: Path, bare: Street, station: float, side: float, length: float, bend: float, deeper: float
) -> Path:
    """From a tee on the main at right angles to its riser, with one bend on the way."""
    east, north, height, bearing = (float(v[0]) for v in main.at(np.array([station])))
    first = bearing + side
    second = first + bend
    reach = [0.0, 0.6 * length, length]
    corner = (east + reach[1] * np.sin(first), north + reach[1] * np.cos(first))
    easting = np.array([east, corner[0], corner[0] + 0.4 * length * np.sin(second)])
    northing = np.array([north, corner[1], corner[1] + 0.4 * length * np.cos(second)])
    level = bare.subgrade(easting, northing) - deeper * np.array([1.0, 0.72, 0.62])
    level[0] = height  # a tee shares the main's level
    return Path.through(easting, northing, level).densified(_VERTEX_STEP)


def _force_main(axis: Path, bare: Street, deeper: float) -> Path:
    """Up a side lane from the lift station, round the corner, along the street's middle."""
    stations = np.array([66.0, 108.0, 128.0, 148.0, 200.0, 242.0])
    along = _beside(axis, stations, np.full(len(stations), 0.3))
    bearing = float(axis.at(np.array([66.0]))[3][0]) + np.pi / 2
    lane = np.array([46.0, 23.0, 2.0])
    easting = np.concatenate([along.easting[0] + lane * np.sin(bearing), along.easting[:]])
    northing = np.concatenate([along.northing[0] + lane * np.cos(bearing), along.northing[:]])
    # The corner itself is a 45-degree chamfer: the vertex at 66 m is replaced by two.
    street_bearing = bearing - np.pi / 2
    easting[3] += 2.0 * np.sin(street_bearing)
    northing[3] += 2.0 * np.cos(street_bearing)
    depths = deeper * np.array([1.7, 1.8, 1.85, 1.85, 1.9, 1.85, 1.8, 1.75, 1.7])
    level = bare.subgrade(easting, northing) - depths
    return Path.through(easting, northing, level).densified(_VERTEX_STEP)
