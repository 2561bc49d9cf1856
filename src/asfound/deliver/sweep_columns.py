"""The tables of sweeps and of the conductors they found."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95, RAYLEIGH_95
from asfound.deliver.about import SHORT_CAUTION
from asfound.deliver.columns import (
    Column,
    Table,
    Value,
    degrees,
    grid,
    integer,
    length,
    number,
    text,
    time_text,
)
from asfound.deliver.delivery import Delivery
from asfound.deliver.shot_columns import constant
from asfound.model import LocatedConductor, LocatedSweep
from asfound.units import lengths_in

Floats = npt.NDArray[np.float64]


def sweep_status(sweep: LocatedSweep) -> str:
    """Whether anything may be taken from a sweep."""
    if sweep.reason:
        return "not usable"
    return "explained" if sweep.explained else "not explained"


def line_name(delivery: Delivery, sweep: LocatedSweep) -> str:
    """Name of the line under a sweep; empty if none."""
    return delivery.results.assembly.names[sweep.line] if sweep.line >= 0 else ""


def _sweeps(value: Callable[[Delivery, LocatedSweep], Value]) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(d, sweep) for sweep in d.results.sweeps]


def _numbers(value: Callable[[LocatedSweep], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(sweep) for sweep in d.results.sweeps], np.float64)


def _target(value: Callable[[LocatedConductor], float]) -> Callable[[Delivery], Floats]:
    return _numbers(
        lambda sweep: value(sweep.conductors[sweep.target]) if sweep.target >= 0 else float("nan")
    )


def _time(delivery: Delivery) -> list[Value]:
    raw = delivery.results.intake.sweeps
    times = [raw[sweep.sweep].time for sweep in delivery.results.sweeps]
    return time_text(np.array(times, "datetime64[us]"))


def _count(delivery: Delivery) -> int:
    return len(delivery.results.sweeps)


SWEEPS = Table(
    "sweeps",
    "Sweeps",
    "one sweep: readings along a tape across a line, and the conductors that explain them",
    (
        text("Sweep", "sweep", "SWEEP", "Name.", _sweeps(lambda _, s: s.name)),
        text(
            "Line",
            "line",
            "LINE",
            "Line that the tape crosses; empty if none.",
            _sweeps(line_name),
        ),
        text(
            "Status",
            "status",
            "STATUS",
            "Explained, not explained (nothing is taken from it) or not usable.",
            _sweeps(lambda _, s: sweep_status(s)),
        ),
        text(
            "Reason",
            "reason",
            "REASON",
            "Why it is not usable, and what to measure next.",
            _sweeps(lambda d, s: lengths_in(s.reason, d.about.unit)),
        ),
        text(
            "In words",
            "in_words",
            "IN_WORDS",
            "What these readings can and can't tell.",
            _sweeps(lambda d, s: lengths_in(" ".join(s.words), d.about.unit)),
        ),
        integer(
            "Conductors",
            "conductors",
            "CONDUCTORS",
            "How many were found.",
            _sweeps(lambda _, s: len(s.conductors)),
        ),
        length(
            "Line at",
            "line_position",
            "POS",
            "Along the tape from its zero to the line.",
            _target(lambda c: c.position),
        ),
        length(
            "Line at 95 %",
            "line_position_95",
            "POS95",
            "Half-width of its 95 % interval.",
            _target(lambda c: NORMAL_95 * c.position_sd),
        ),
        length(
            "Line depth",
            "line_depth",
            "DEPTH",
            "Ground to the line's centre.",
            _target(lambda c: c.depth),
        ),
        length(
            "Line depth 95 %",
            "line_depth_95",
            "DEP95",
            "Half-height of its 95 % interval.",
            _target(lambda c: NORMAL_95 * c.depth_sd),
        ),
        length(
            "Receiver's peak",
            "shown_peak",
            "PEAK",
            "Where a receiver that assumes one conductor shows its peak, along the tape.",
            _numbers(lambda s: s.shown_peak),
        ),
        length(
            "Receiver's null",
            "shown_null",
            "NULL",
            "Where such a receiver shows its null, along the tape.",
            _numbers(lambda s: s.shown_null),
        ),
        length(
            "Receiver's depth",
            "shown_depth",
            "SHOWN",
            "The depth such a receiver shows there.",
            _numbers(lambda s: s.shown_depth),
        ),
        grid(
            "Zero easting",
            "start_easting",
            "E0",
            "Of the tape's zero.",
            _numbers(lambda s: float(s.start[0])),
        ),
        grid(
            "Zero northing",
            "start_northing",
            "N0",
            "Of the tape's zero.",
            _numbers(lambda s: float(s.start[1])),
        ),
        grid(
            "End easting",
            "end_easting",
            "E1",
            "Of the tape's end.",
            _numbers(lambda s: float(s.end[0])),
        ),
        grid(
            "End northing",
            "end_northing",
            "N1",
            "Of the tape's end.",
            _numbers(lambda s: float(s.end[1])),
        ),
        Column("time", "TIME_UTC", "Time", "time", "UTC, ISO 8601.", _time),
        text(
            "CRS",
            "crs",
            "CRS",
            "Of eastings and northings.",
            constant(lambda d: d.about.crs, _count),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, _count),
        ),
    ),
)


def conductors(delivery: Delivery) -> Iterator[tuple[LocatedSweep, int, LocatedConductor]]:
    """Every conductor with its sweep and its place in it."""
    for sweep in delivery.results.sweeps:
        for place, conductor in enumerate(sweep.conductors):
            yield sweep, place, conductor


def _each(
    value: Callable[[Delivery, LocatedSweep, int, LocatedConductor], Value],
) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(d, *item) for item in conductors(d)]


def _values(value: Callable[[LocatedConductor], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(item[2]) for item in conductors(d)], np.float64)


def _lonlat(part: int) -> Callable[[Delivery], Floats]:
    def values(delivery: Delivery) -> Floats:
        easting = _values(lambda c: c.easting)(delivery)
        return delivery.to_geographic(easting, _values(lambda c: c.northing)(delivery))[part]

    return values


def _major_95(conductor: LocatedConductor) -> float:
    largest = float(np.linalg.eigvalsh(conductor.covariance[:2, :2])[-1])
    return RAYLEIGH_95 * float(np.sqrt(max(largest, 0.0)))


def _conductor_count(delivery: Delivery) -> int:
    return sum(1 for _ in conductors(delivery))


CONDUCTORS = Table(
    "conductors",
    "Conductors under sweeps",
    "one conductor that a sweep found, the line's own or a neighbour's",
    (
        text("Sweep", "sweep", "SWEEP", "Name of the sweep.", _each(lambda _d, s, _k, _c: s.name)),
        integer(
            "Number",
            "number",
            "NUMBER",
            "Place in the sweep, strongest first.",
            _each(lambda _d, _s, k, _c: k + 1),
        ),
        text(
            "Line",
            "line",
            "LINE",
            "The line, if this conductor is the line the tape was laid across; else empty: a "
            "neighbour.",
            _each(lambda d, s, k, _c: line_name(d, s) if k == s.target else ""),
        ),
        text(
            "Status",
            "status",
            "STATUS",
            "Of the sweep; take nothing from one that is not explained.",
            _each(lambda _d, s, _k, _c: sweep_status(s)),
        ),
        length(
            "Position",
            "position",
            "POS",
            "Along the tape from its zero.",
            _values(lambda c: c.position),
        ),
        length("Depth", "depth", "DEPTH", "Ground to its centre.", _values(lambda c: c.depth)),
        grid("Easting", "easting", "E", "Of its centre.", _values(lambda c: c.easting)),
        grid("Northing", "northing", "N", "Of its centre.", _values(lambda c: c.northing)),
        degrees("Longitude", "longitude", "LON", "In the CRS's geographic base.", _lonlat(0), 9),
        degrees("Latitude", "latitude", "LAT", "In the CRS's geographic base.", _lonlat(1), 9),
        length(
            "Centre height",
            "centre_height",
            "CENT",
            "Of its centre; empty if the ground's height is not known.",
            _values(lambda c: c.height),
        ),
        length(
            "Horizontal 95 %",
            "horizontal_95",
            "H95",
            "Longer half-axis of its 95 % error ellipse.",
            _values(_major_95),
        ),
        length(
            "Vertical 95 %",
            "vertical_95",
            "V95",
            "Half-height of its 95 % interval.",
            _values(lambda c: NORMAL_95 * float(np.sqrt(c.covariance[2, 2]))),
        ),
        number(
            "Current",
            "current",
            "CURRENT",
            "In amperes where the readings' gain is known, else relative to the strongest; the "
            "sign is relative.",
            _values(lambda c: c.current),
            5,
        ),
        text(
            "CRS",
            "crs",
            "CRS",
            "Of easting and northing.",
            constant(lambda d: d.about.crs, _conductor_count),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, _conductor_count),
        ),
    ),
)
