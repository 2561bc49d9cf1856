"""Lines as the check sees them: located and from records, with joint posteriors at stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from asfound.alignment import JointPosterior, Refits, SharedShift
from asfound.clearance.required import utility_classes
from asfound.errors import InputError
from asfound.model import Line, RecordLine, Results, Terrain, Utility

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

RECORD_STEP = 2.0
RECORD_DEPTH_SD = 0.30
# How far apart a record's errors are alike [m]: drawn lines are off as a whole rather than point
# by point. Common practice, no source.
PLAN_ALIKE, DEPTH_ALIKE = 50.0, 20.0
STEADY = 0.7
PORTION = 200


@dataclass(frozen=True, eq=False)
class KnownLine:
    """A line, located or from records.

    Parameters
    ----------
    name : str
    utility : Utility
    source : str
        ``'located'`` or ``'records'``.
    station : (m,) float64
    axis : (m, 3) float64
        Heights assumed where there are none.
    ground : (m,) float64
    depth_basis : str
        ``'located'``, ``'records'`` or ``'assumed'``.
    outside_diameter, diameter_spread : float
        Median [m], and standard deviation of its logarithm (0 if known).
    diameter_basis : str
        ``'known'``, ``'assumed'`` or ``'unknown'``.
    spread : (m,) float64
        Greatest standard deviation of the axis [m].
    gaps : (g, 2) float64
    record : RecordLine or None
    """

    name: str
    utility: Utility
    source: str
    station: Floats
    axis: Floats
    ground: Floats
    depth_basis: str
    outside_diameter: float
    diameter_spread: float
    diameter_basis: str
    spread: Floats
    gaps: Floats
    record: RecordLine | None = None


def known_lines(
    lines: Sequence[Line], records: Sequence[RecordLine], surface: Terrain
) -> tuple[KnownLine, ...]:
    """All lines, the located ones first."""
    return tuple(
        [_located(line, surface) for line in lines] + [_recorded(line, surface) for line in records]
    )


def _located(line: Line, surface: Terrain) -> KnownLine:
    height, basis = line.height, "located"
    variance = line.covariance[:, [0, 1, 2], [0, 1, 2]].copy()
    ground = line.ground_height
    if not np.isfinite(height).any():
        kind = utility_classes()[line.utility]
        ground = _ground(ground, line.easting, line.northing, surface, f"line '{line.name}'")
        height, basis = ground - kind.depth, "assumed"
        variance[:, 2] = kind.depth_sd**2
    diameter, spread, how = _diameter(line.outside_diameter, line.utility)
    return KnownLine(
        line.name, line.utility, "located", line.axis_station,
        np.column_stack((line.easting, line.northing, height)), ground, basis, diameter, spread,
        how, np.sqrt(variance.max(axis=1)), line.gaps,
    )  # fmt: skip


def _recorded(line: RecordLine, surface: Terrain) -> KnownLine:
    where = f"record line '{line.name}'"
    plan = np.column_stack((line.easting, line.northing)).astype(np.float64)
    if len(plan) < 2 or not np.isfinite(plan).all():
        raise InputError(
            "a line from records needs two points or more, all with coordinates.",
            where=where,
            remedy="Give its path in the job's frame.",
        )
    if not line.horizontal_sd > 0:
        raise InputError(
            f"its horizontal uncertainty is {line.horizontal_sd} m.",
            where=where,
            remedy="Give one standard deviation above zero; records are seldom better than 1 m.",
        )
    step = np.hypot(*np.diff(plan, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(step)))
    if along[-1] <= 0:
        raise InputError("it has no length.", where=where, remedy="Give two different points.")
    pieces = np.maximum(1, np.ceil(step / RECORD_STEP)).astype(int)
    station = np.concatenate(
        [np.linspace(along[i], along[i + 1], n, endpoint=False) for i, n in enumerate(pieces)]
        + [along[-1:]]
    )
    station = np.unique(station)
    east, north = np.interp(station, along, plan[:, 0]), np.interp(station, along, plan[:, 1])
    ground = _ground(np.full(len(station), np.nan), east, north, surface, where)
    kind = utility_classes()[line.utility]
    depth = np.broadcast_to(np.asarray(line.depth, np.float64), (len(plan),))
    basis, sd = "records", RECORD_DEPTH_SD
    given = np.isfinite(depth)
    if given.any():
        below = np.interp(station, along[given], depth[given])
    else:
        below, basis, sd = np.full(len(station), kind.depth), "assumed", kind.depth_sd
    diameter, spread, how = _diameter(line.outside_diameter, line.utility)
    return KnownLine(
        line.name, line.utility, "records", station, np.column_stack((east, north, ground - below)),
        ground, basis, diameter, spread, how,
        np.full(len(station), max(sd, line.horizontal_sd)), np.empty((0, 2)), line,
    )  # fmt: skip


def _ground(
    known: Floats, easting: Floats, northing: Floats, surface: Terrain, where: str
) -> Floats:
    height, _ = surface.heights(easting, northing)
    ground = np.where(np.isfinite(known), known, height)
    if not np.isfinite(ground).all():
        raise InputError(
            "its depth has to be assumed below ground, but there is no ground height near it.",
            where=where,
            remedy="Give ground heights as a survey or terrain file that covers it.",
        )
    return ground


def _diameter(known: float, utility: Utility) -> tuple[float, float, str]:
    if np.isfinite(known):
        return float(known), 0.0, "known"
    kind = utility_classes()[utility]
    how = "unknown" if utility == Utility.UNKNOWN else "assumed"
    return kind.outside_diameter, kind.diameter_spread, how


def refits_of(results: Results) -> Refits:
    """The located lines of a job, fitted again when they are asked for."""
    return Refits(results.ground, results.budget, results.assembly, results.verdict)


def posterior_of(line: KnownLine, index: int, station: Floats, refits: Refits) -> JointPosterior:
    """Joint posterior of a known line at stations; prior where the depth or all is from records."""
    if line.record is not None:
        return _record_posterior(line, station)
    posterior = refits[index].at(station)
    if line.depth_basis == "located":
        return posterior
    mean = posterior.mean.copy()
    mean[:, 2] = np.interp(station, line.station, line.axis[:, 2])
    sd = utility_classes()[line.utility].depth_sd
    shared = tuple(
        SharedShift(s.term, s.group, s.shift * np.array([1.0, 1.0, 0.0]), s.coupling)
        for s in posterior.shared
    )
    return replace(posterior, mean=mean, level=_depth_prior(station, sd), shared=shared)


def _record_posterior(line: KnownLine, station: Floats) -> JointPosterior:
    mean = np.column_stack([np.interp(station, line.station, line.axis[:, a]) for a in range(3)])
    record = line.record
    assert record is not None
    sd = RECORD_DEPTH_SD
    if line.depth_basis == "assumed":
        sd = utility_classes()[line.utility].depth_sd
    apart = np.abs(station[:, None] - station[None, :])
    plane = record.horizontal_sd**2 * np.exp(-apart / PLAN_ALIKE)
    return JointPosterior(station, mean, plane, _depth_prior(station, sd), ())


def _depth_prior(station: Floats, sd: float) -> Floats:
    apart = np.abs(station[:, None] - station[None, :])
    return np.asarray(sd**2 * (STEADY + (1.0 - STEADY) * np.exp(-apart / DEPTH_ALIKE)))
