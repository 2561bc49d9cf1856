"""Tracks: the positions of an NMEA log epoch by epoch, and readings placed on them by time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from asfound.errors import InputError
from asfound.intake.nmea import Log, Sentences
from asfound.intake.numbers import read_numbers
from asfound.intake.row_blocks import BadRow
from asfound.model import Fix

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]

GAP = 2.0
"""Readings are placed only between epochs at most this far apart [s]: at walking speed the middle
of a longer gap may be decimetres off the straight line."""
_DAY = np.timedelta64(86_400_000_000, "us")
_KNOT = 1852.0 / 3600.0
# From the best kind of solution to the worst.
_BEST_FIRST = (
    Fix.RTK_FIXED, Fix.RTK_FLOAT, Fix.PPS, Fix.DIFFERENTIAL, Fix.AUTONOMOUS, Fix.MANUAL,
    Fix.ESTIMATED, Fix.SIMULATED, Fix.NONE, Fix.NOT_RECORDED,
)  # fmt: skip
_RANK = np.zeros(16, np.int8)
_RANK[[int(fix) for fix in _BEST_FIRST]] = range(len(_BEST_FIRST))


@dataclass(frozen=True, eq=False)
class Track:
    """Antenna positions of n epochs in order of time, no time twice.

    Parameters
    ----------
    line : (n,) int64
        Of the GGA sentence.
    time : (n,) datetime64[us]
        UTC.
    longitude, latitude : (n,) float64
        [deg].
    height : (n,) float64
        Above the ellipsoid: altitude plus geoid separation [m].
    fix, satellites : (n,) int8, int16
    hdop, pdop : (n,) float64
    correction_age : (n,) float64
        [s].
    east_sd, north_sd, up_sd : (n,) float64
        [m].
    speed : (n,) float64
        [m/s].
    """

    line: npt.NDArray[np.int64]
    time: Times
    longitude: Floats
    latitude: Floats
    height: Floats
    fix: npt.NDArray[np.int8]
    satellites: npt.NDArray[np.int16]
    hdop: Floats
    pdop: Floats
    correction_age: Floats
    east_sd: Floats
    north_sd: Floats
    up_sd: Floats
    speed: Floats

    def __len__(self) -> int:
        return len(self.line)


def track_of(log: Log, name: str) -> tuple[Track, list[BadRow]]:
    """The track of a log, and the GGA sentences that give no position.

    Dates come from RMC or ZDA sentences; a GGA takes the date of the last one before it, with
    midnight between them minded. GST and RMC belong to the GGA of the same time, GSA and VTG to
    the GGA before them.

    Raises
    ------
    InputError
        If there is no GGA, or nothing gives the date.
    """
    gga = log.sentences.get("GGA")
    if gga is None:
        raise InputError(
            "the log holds no GGA sentence with a sound checksum, so no position.",
            where=name,
            remedy="Have the receiver send GGA, RMC and GST.",
        )
    dates = _dates(log)
    if dates is None:
        raise InputError(
            "the log holds no RMC or ZDA sentence, so its date is not known.",
            where=name,
            remedy="Have the receiver send RMC (or ZDA) beside GGA.",
        )
    bad: list[BadRow] = []
    seconds = _clock(gga.fields[0])
    longitude = _angle(gga.fields[3], gga.fields[4], "E", "W", 180.0)
    latitude = _angle(gga.fields[1], gga.fields[2], "N", "S", 90.0)
    fix = _number(gga.fields[5])
    time = _dated(seconds, gga.line, dates)
    good = np.isfinite(longitude) & np.isfinite(latitude) & ~np.isnat(time)
    good &= np.isin(fix, range(9)) & (fix != Fix.NONE)
    for i in np.flatnonzero(~good).tolist():
        bad.append(_no_position(gga, i, fix[i]))
    kept = np.flatnonzero(good)
    order = kept[np.argsort(time[kept], kind="stable")]
    again = np.concatenate([[False], np.diff(time[order]) == np.timedelta64(0, "us")])
    for i in order[again].tolist():
        bad.append(_bad(gga, i, "a GGA sentence of the same time came before."))
    order = order[~again]
    time = time[order]
    height = (_number(gga.fields[8]) + _number(gga.fields[10]))[order]
    rows = {
        "speed": _by_time(log, "RMC", 0, 6, time, dates) * _KNOT,
        "east_sd": _by_time(log, "GST", 0, 6, time, dates),
        "north_sd": _by_time(log, "GST", 0, 5, time, dates),
        "up_sd": _by_time(log, "GST", 0, 7, time, dates),
    }
    line = gga.line[order]
    pdop = _after(log, "GSA", 14, line)
    speed = _after(log, "VTG", 6, line) / 3.6
    track = Track(
        line=line,
        time=time,
        longitude=longitude[order],
        latitude=latitude[order],
        height=height,
        fix=fix[order].astype(np.int8),
        satellites=np.nan_to_num(_number(gga.fields[6])[order], nan=-1.0).astype(np.int16),
        hdop=_number(gga.fields[7])[order],
        pdop=pdop,
        correction_age=_number(gga.fields[12])[order],
        east_sd=rows["east_sd"],
        north_sd=rows["north_sd"],
        up_sd=rows["up_sd"],
        speed=np.where(np.isnan(rows["speed"]), speed, rows["speed"]),
    )
    bad.sort(key=lambda item: item.line)
    return track, bad


def _no_position(gga: Sentences, i: int, fix: float) -> BadRow:
    if fix == Fix.NONE:
        return _bad(gga, i, "the receiver had no position (quality 0).")
    return _bad(gga, i, "the GGA sentence has no usable time, position or quality.")


def _bad(gga: Sentences, i: int, reason: str) -> BadRow:
    text = ",".join(str(column[i]) for column in gga.fields[:6])
    return BadRow(0, int(gga.line[i]), reason, "Nothing to mend.", text)


def _number(texts: pa.Array) -> Floats:
    """Numbers of a field; NaN where empty or unreadable."""
    values = read_numbers(texts, "ratio", "", ".")
    return np.where(values.bad, np.nan, values.number)


def _clock(texts: pa.Array) -> Floats:
    """Seconds of the day of hhmmss.ss; NaN where it is none."""
    packed = _number(texts)
    long_enough = np.asarray(pc.greater_equal(pc.utf8_length(texts), 6))
    with np.errstate(invalid="ignore"):
        hours, minutes = packed // 10000, packed // 100 % 100
        seconds = packed % 100
        valid = long_enough & (hours < 24) & (minutes < 60) & (seconds < 61) & (packed >= 0)
    return np.where(valid, hours * 3600 + minutes * 60 + seconds, np.nan)


def _angle(texts: pa.Array, letters: pa.Array, plus: str, minus: str, limit: float) -> Floats:
    """Degrees of dddmm.mmmm with its letter; NaN where it is none."""
    packed = _number(texts)
    sign = np.where(np.asarray(pc.equal(letters, plus)), 1.0, np.nan)
    sign = np.where(np.asarray(pc.equal(letters, minus)), -1.0, sign)
    with np.errstate(invalid="ignore"):
        degrees = packed // 100
        minutes = packed - 100 * degrees
        value = degrees + minutes / 60.0
        valid = (packed >= 0) & (minutes < 60) & (value <= limit)
    return np.where(valid, sign * value, np.nan)


@dataclass(frozen=True, eq=False)
class _Dates:
    """Lines that give a date, with the date and the seconds of the day they give it at."""

    line: npt.NDArray[np.int64]
    day: npt.NDArray[np.datetime64]
    seconds: Floats


def _dates(log: Log) -> _Dates | None:
    parts = []
    if "RMC" in log.sentences:
        rmc = log.sentences["RMC"]
        packed = _number(rmc.fields[8])
        day, month, year = packed // 10000, packed // 100 % 100, packed % 100
        # Two digits: GPS began in 1980.
        year = np.where(year < 80, year + 2000, year + 1900)
        parts.append((rmc.line, _days(year, month, day), _clock(rmc.fields[0])))
    if "ZDA" in log.sentences:
        zda = log.sentences["ZDA"]
        day, month, year = (_number(zda.fields[k]) for k in (1, 2, 3))
        parts.append((zda.line, _days(year, month, day), _clock(zda.fields[0])))
    if not parts:
        return None
    line, days, seconds = (np.concatenate(column) for column in zip(*parts, strict=True))
    known = ~np.isnat(days) & np.isfinite(seconds)
    if not known.any():
        return None
    order = np.flatnonzero(known)[np.argsort(line[known], kind="stable")]
    return _Dates(line[order], days[order], seconds[order])


def _days(year: Floats, month: Floats, day: Floats) -> npt.NDArray[np.datetime64]:
    with np.errstate(invalid="ignore"):
        valid = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
        valid &= (year >= 1980) & (year < 2200)
    months = np.where(valid, (year - 1970) * 12 + month - 1, 0).astype(np.int64)
    start = months.astype("datetime64[M]")
    days = start.astype("datetime64[D]") + np.where(valid, day - 1, 0).astype(np.int64)
    valid &= days.astype("datetime64[M]") == start
    return np.where(valid, days, np.datetime64("NaT", "D"))


def _dated(seconds: Floats, line: npt.NDArray[np.int64], dates: _Dates) -> Times:
    """Times of seconds of the day, by the last date before each line."""
    place = np.maximum(np.searchsorted(dates.line, line, side="right") - 1, 0)
    day = dates.day[place].astype("datetime64[us]")
    with np.errstate(invalid="ignore"):
        ahead = seconds - dates.seconds[place]
    known = np.isfinite(seconds)
    micro = np.round(np.where(known, seconds, 0.0) * 1e6).astype(np.int64)
    time = day + micro.astype("timedelta64[us]")
    time = np.where(ahead < -43_200, time + _DAY, np.where(ahead > 43_200, time - _DAY, time))
    return np.where(known, time, np.datetime64("NaT", "us"))


def _by_time(log: Log, kind: str, clock: int, value: int, time: Times, dates: _Dates) -> Floats:
    """Values of a sentence of the same time; NaN where there is none."""
    found = log.sentences.get(kind)
    if found is None or len(found.fields) <= value:
        return np.full(len(time), np.nan)
    own = _dated(_clock(found.fields[clock]), found.line, dates)
    values = _number(found.fields[value])
    known = np.flatnonzero(~np.isnat(own))
    if not len(known):
        return np.full(len(time), np.nan)
    order = known[np.argsort(own[known], kind="stable")]
    place = np.minimum(np.searchsorted(own[order], time), len(order) - 1)
    return np.where(own[order][place] == time, values[order][place], np.nan)


def _after(log: Log, kind: str, value: int, line: npt.NDArray[np.int64]) -> Floats:
    """Values of the first sentence of a kind between each GGA and the next; NaN where none."""
    found = log.sentences.get(kind)
    if found is None or len(found.fields) <= value:
        return np.full(len(line), np.nan)
    in_file = np.argsort(line)
    following = np.append(line[in_file][1:], np.iinfo(np.int64).max)
    place = np.searchsorted(found.line, line[in_file])
    values = _number(found.fields[value])
    index = np.minimum(place, len(values) - 1)
    usable = (place < len(values)) & (found.line[index] < following)
    result = np.full(len(line), np.nan)
    result[in_file] = np.where(usable, values[index], np.nan)
    return result


@dataclass(frozen=True, eq=False)
class Placed:
    """Readings placed on a track.

    Parameters
    ----------
    found : (n,) bool
    longitude, latitude, height : (n,) float64
    columns : dict of str to array
        Quality of each position, by column of `Shots`.
    """

    found: Flags
    longitude: Floats
    latitude: Floats
    height: Floats
    columns: dict[str, npt.NDArray[np.generic]]


def place_by_time(time: Times, track: Track, gap: float = GAP) -> Placed:
    """Positions of readings between the epochs before and after them.

    Linear in time; never beyond the track's ends, nor across a gap. The fix is the worse of the
    two epochs', standard deviations, dilutions and ages the larger, satellites the fewer.

    Parameters
    ----------
    time : (n,) datetime64[us]
        NaT is not placed.
    track : Track
    gap : float
        Largest allowed time between the two epochs [s].
    """
    count, last = len(time), len(track) - 1
    if last < 0:
        nothing = np.full(count, np.nan)
        return Placed(np.zeros(count, bool), nothing, nothing, nothing, {})
    known = ~np.isnat(time)
    asked = np.where(known, time, track.time[0])
    place = np.searchsorted(track.time, asked, side="right")
    before = np.clip(place - 1, 0, last)
    exact = track.time[before] == asked
    after = np.where(exact, before, np.clip(place, 0, last))
    span = (track.time[after] - track.time[before]) / np.timedelta64(1, "s")
    found = known & (exact | ((place > 0) & (place <= last) & (span <= gap)))
    elapsed = (asked - track.time[before]) / np.timedelta64(1, "s")
    share = np.where(span > 0, elapsed / np.where(span > 0, span, 1.0), 0.0)

    def between(values: Floats, turn: float = 0.0) -> Floats:
        step = values[after] - values[before]
        if turn:
            step = (step + turn / 2) % turn - turn / 2  # the short way round
        mixed = np.where(exact, values[before], values[before] + share * step)
        return np.where(found, mixed, np.nan)

    def larger(values: Floats) -> Floats:
        return np.where(found, np.maximum(values[before], values[after]), np.nan)

    worse = np.where(
        _RANK[track.fix[before]] >= _RANK[track.fix[after]], track.fix[before], track.fix[after]
    )
    fewer = np.minimum(track.satellites[before], track.satellites[after])
    longitude = between(track.longitude, 360.0)
    columns: dict[str, npt.NDArray[np.generic]] = {
        "fix": np.where(found, worse, -1).astype(np.int8),
        "satellites": np.where(found, fewer, -1).astype(np.int16),
        "speed": between(track.speed),
    }
    for name in ("hdop", "pdop", "correction_age", "east_sd", "north_sd", "up_sd"):
        columns[name] = larger(getattr(track, name))
    longitude = np.where(found, (longitude + 180.0) % 360.0 - 180.0, np.nan)
    return Placed(
        found,
        longitude,
        between(track.latitude),
        between(track.height),
        columns,
    )
