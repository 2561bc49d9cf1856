"""Targets: spots to find again, chosen from what a job holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError
from asfound.model import Assembly, Budget, Crossing, Ground, Line, Targets, Utility
from asfound.units import length_unit

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

LEAST_SPACING = 0.1
"""Stations closer than this are a slip of the finger: no one stakes out so densely [m]."""


def point_targets(
    name: Sequence[str],
    easting: Floats,
    northing: Floats,
    *,
    kind: str,
    height: Floats | None = None,
    horizontal_sd: float = 0.0,
    vertical_sd: float = float("nan"),
) -> Targets:
    """Spots given by coordinates: corners of a dig, exposures, control points.

    Parameters
    ----------
    name : sequence of str
    easting, northing : (n,) float64
        Job's frame [m].
    kind : str
    height : (n,) float64, optional
        [m].
    horizontal_sd : float
        Of the coordinates, per axis [m]; 0 for what was designed.
    vertical_sd : float
        Of the heights [m]; NaN if not known.
    """
    count = len(easting)
    nothing = np.full(count, np.nan)
    covariance = np.zeros((count, 3, 3))
    covariance[:, 0, 0] = covariance[:, 1, 1] = horizontal_sd**2
    covariance[:, 2, 2] = vertical_sd**2
    return Targets(
        name=tuple(name),
        kind=(kind,) * count,
        line=("",) * count,
        utility=np.zeros(count, np.int8),
        station=nothing,
        easting=np.asarray(easting, float),
        northing=np.asarray(northing, float),
        height=nothing if height is None else np.asarray(height, float),
        depth=nothing,
        covariance=covariance,
    )


def shot_targets(
    shots: Integers,
    names: Sequence[str],
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    utility: npt.NDArray[np.int8],
    depth: Floats,
) -> Targets:
    """Chosen shots as targets.

    Parameters
    ----------
    shots : (n,) int64
        Indices of shots.
    names : sequence of str
        Of each chosen shot.
    ground, budget, assembly
        Of the whole job.
    utility, depth : (all shots,)
        As used for each shot.

    Raises
    ------
    InputError
        If a shot has no position.
    """
    lost = ~np.isfinite(ground.easting[shots])
    if lost.any():
        raise InputError(
            f"shot {names[int(np.flatnonzero(lost)[0])]} has no position and can't be staked out.",
            remedy="Leave it out of the list.",
        )
    line = assembly.line[shots]
    return Targets(
        name=tuple(names),
        kind=("shot",) * len(shots),
        line=tuple(assembly.names[k] if k >= 0 else "" for k in line.tolist()),
        utility=utility[shots].astype(np.int8),
        station=assembly.station[shots],
        easting=ground.easting[shots],
        northing=ground.northing[shots],
        height=ground.height[shots],
        depth=depth[shots],
        covariance=budget.covariance[shots],
    )


def line_targets(
    line: Line,
    *,
    every: float | None = None,
    start: float = 0.0,
    end: float | None = None,
    bends: bool = True,
    ends: bool = True,
    unit: str = "m",
) -> Targets:
    """Stations along a line: every so many metres, its bends and its ends.

    Parameters
    ----------
    line : Line
    every : float, optional
        Distance between stations [m], counted from station 0; None: none of these.
    start, end : float
        Part of the line [m]; end None: its own.
    bends, ends : bool
        Also the bends, and the ends of the part.
    unit : str
        Of the stations in the targets' names: ``'m'``, ``'ft'`` or ``'ftUS'``.

    Raises
    ------
    InputError
        If `every` is below `LEAST_SPACING` or the part lies off the line.
    """
    metres = length_unit(unit, where="the stakeout list").metres
    last = line.length if end is None else end
    if every is not None and not every >= LEAST_SPACING:
        raise InputError(
            f"stations every {every:g} m can't be staked out.",
            remedy=f"Give a distance of {LEAST_SPACING:g} m or more.",
        )
    if not 0.0 <= start < last <= line.length + 1e-6:
        raise InputError(
            f"stations {start / metres:g} to {last / metres:g} {unit} do not lie on {line.name}.",
            remedy=f"The line runs from 0 to {line.length / metres:.2f} {unit}.",
        )
    origin = float(line.axis_station[0])
    chosen: list[tuple[float, str]] = []
    if every is not None:
        # a station that meets the end within a millimetre is the end
        first = int(np.ceil((start - 1e-3) / every))
        count = int(np.floor((last + 1e-3) / every)) - first + 1
        steps = (first + np.arange(max(count, 0))) * every
        chosen += [(min(max(s, start), last), "station") for s in steps.tolist()]
    if ends:
        chosen += [(start, "end"), (last, "end")]
    if bends and len(line.bends):
        inside = line.bends[:, 0] - origin
        chosen += [(s, "bend") for s in inside.tolist() if start <= s <= last]
    rank = {"bend": 0, "end": 1, "station": 2}
    chosen.sort(key=lambda item: (round(item[0], 3), rank[item[1]]))
    kept = chosen[:1]
    for item in chosen[1:]:
        if item[0] - kept[-1][0] > 1e-3:
            kept.append(item)
    return _at_stations(line, np.array([s for s, _ in kept]), [kind for _, kind in kept], unit)


def _at_stations(line: Line, station: Floats, kind: Sequence[str], unit: str = "m") -> Targets:
    metres = length_unit(unit, where="the stakeout list").metres
    own = line.axis_station - line.axis_station[0]

    def at(values: Floats) -> Floats:
        return np.asarray(np.interp(station, own, values))

    height, centre = at(line.ground_height), at(line.height)
    place = np.clip(np.searchsorted(own, station, side="right") - 1, 0, len(own) - 2)
    span = own[place + 1] - own[place]
    share = np.divide(station - own[place], span, out=np.zeros(len(station)), where=span > 0)
    share = share[:, None, None]
    covariance = (1.0 - share) * line.covariance[place] + share * line.covariance[place + 1]
    labels = {"station": "", "bend": " bend", "end": " end"}
    return Targets(
        name=tuple(
            f"{line.name} {s / metres:.2f}{labels.get(k, ' ' + k)}"
            for s, k in zip(station.tolist(), kind, strict=True)
        ),
        kind=tuple(kind),
        line=(line.name,) * len(station),
        utility=np.full(len(station), int(line.utility), np.int8),
        station=station,
        easting=at(line.easting),
        northing=at(line.northing),
        height=height,
        depth=height - centre,
        covariance=covariance,
    )


def station_targets(line: Line, station: Floats, unit: str = "m") -> Targets:
    """Given stations of a line.

    Parameters
    ----------
    line : Line
    station : (n,) float64
        From its beginning [m].
    unit : str
        Of the stations in the targets' names.

    Raises
    ------
    InputError
        If a station lies off the line.
    """
    off = (station < -1e-6) | (station > line.length + 1e-6) | ~np.isfinite(station)
    if off.any():
        metres = length_unit(unit, where="the stakeout list").metres
        raise InputError(
            f"station {float(station[off][0]) / metres:g} {unit} does not lie on {line.name}.",
            remedy=f"The line runs from 0 to {line.length / metres:.2f} {unit}.",
        )
    return _at_stations(line, station, ["station"] * len(station), unit)


def crossing_targets(crossings: Sequence[Crossing], lines: Sequence[Line]) -> Targets:
    """Where lines cross, as targets on the upper line."""
    parts = []
    for crossing in crossings:
        a, b = lines[crossing.line_a], lines[crossing.line_b]
        station = np.array([crossing.station_a - a.axis_station[0]])
        part = _at_stations(a, station, ["crossing"])
        parts.append(
            replace(
                part,
                name=(f"{a.name} over {b.name}",),
                easting=np.array([crossing.easting]),
                northing=np.array([crossing.northing]),
            )
        )
    return Targets.join(parts) if parts else _none()


def tee_targets(assembly: Assembly) -> Targets:
    """Where lines start on others, as targets without depth."""
    if not assembly.tees:
        return _none()
    names = [
        f"{assembly.names[branch]} off {assembly.names[main]}" for branch, main, *_ in assembly.tees
    ]
    place = np.array([tee[2:] for tee in assembly.tees])
    made = point_targets(names, place[:, 0], place[:, 1], kind="tee")
    covariance = made.covariance.copy()
    covariance[:, 0, 0] = covariance[:, 1, 1] = np.nan  # the assembly does not say
    return replace(
        made,
        line=tuple(assembly.names[main] for _, main, *_ in assembly.tees),
        utility=np.array([assembly.utility[main] for _, main, *_ in assembly.tees], np.int8),
        covariance=covariance,
    )


def _none() -> Targets:
    nothing = np.empty(0)
    none = np.empty((0, 3, 3))
    return Targets((), (), (), np.empty(0, np.int8), *[nothing] * 5, none)  # type: ignore[call-arg]


def utility_words(targets: Targets) -> tuple[str, ...]:
    """Utility of each target in words."""
    return tuple(Utility(int(code)).word for code in targets.utility)
