"""A receiver's live NMEA stream: from bytes as they come to the last position, and its age.

Pure: a state goes in with some bytes and the clock, a new state comes out. Bytes may be cut
anywhere; sentences with bad checksums, halves, noise, repeated and late ones are counted and left
out. Every position keeps the clock at which it came in, and its own UTC, so that one that was
delivered late (a stalled link that catches up) does not pass for the present.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace

from asfound.model import Fix

_LONGEST = 512  # bytes kept of a sentence that does not end; NMEA 0183 allows 82
_SENTENCE = re.compile(rb"\$([A-Z]{2,3}(GGA|GST|RMC)),([^$*\r\n]*)\*([0-9A-Fa-f]{2})")
_DAY = 86_400.0
_RESTART = 5.0  # a clock that goes back this far has been set anew [s]
_CATCHING_UP = 0.3  # sentences this much later than their like came from a stalled link [s]
_CREEP = 1e-4  # two clocks may run apart by this share; more than any quartz does
_KNOT = 1852.0 / 3600.0
_MOVING = 0.3  # slower than this a course says nothing [m/s]; common practice
_FASTEST = 4.0  # no one walks faster with a pole [m/s]; common practice
_SLACK = 0.10  # and a position may wander by this much besides [m]


@dataclass(frozen=True)
class LiveFix:
    """One position.

    Parameters
    ----------
    received : float
        Clock when its sentence came in [s].
    utc : float
        Seconds of the day.
    longitude, latitude : float
        [deg].
    height : float
        Of the antenna above the ellipsoid [m]; NaN if not given.
    fix : Fix
    satellites : int
    correction_age : float
        [s]; NaN if not given.
    east_sd, north_sd, up_sd : float
        As the receiver says itself (GST of the same time) [m]; NaN if it does not.
    """

    received: float
    utc: float
    longitude: float
    latitude: float
    height: float
    fix: Fix
    satellites: int
    correction_age: float
    east_sd: float = math.nan
    north_sd: float = math.nan
    up_sd: float = math.nan


@dataclass(frozen=True)
class StreamCounts:
    """What came in: good sentences used, and what was left out and why."""

    used: int = 0
    other: int = 0
    bad_checksum: int = 0
    unreadable: int = 0
    out_of_order: int = 0
    jumps: int = 0


@dataclass(frozen=True)
class LiveState:
    """State of a stream.

    Parameters
    ----------
    tail : bytes
        Of a sentence that has not ended yet.
    fix : LiveFix or None
        The last position.
    deviations : tuple
        UTC and east, north, up standard deviations of the last GST; empty for none.
    course, course_at : float
        Last true course over ground while moving [rad], and the clock then.
    steady_since : float
        Clock since which kind of fix and position have not jumped.
    delay : float
        Least difference of clock and UTC seen [s]: what a sentence needs to get here.
    delay_before : float
        What it was before it began to fall, brought down slowly [s].
    delay_fell_at : float
        Clock when it last fell: until then, positions were older than they seemed.
    counts : StreamCounts
    """

    tail: bytes = b""
    fix: LiveFix | None = None
    deviations: tuple[float, ...] = ()
    course: float = math.nan
    course_at: float = -math.inf
    steady_since: float = math.inf
    delay: float = math.nan
    delay_before: float = math.nan
    delay_fell_at: float = -math.inf
    counts: StreamCounts = field(default_factory=StreamCounts)


def feed(state: LiveState, data: bytes, now: float) -> LiveState:
    """The state after some bytes.

    Parameters
    ----------
    state : LiveState
        Begin with ``LiveState()``.
    data : bytes
        As they came, cut anywhere.
    now : float
        Clock, any zero, never going back [s].
    """
    buffer = state.tail + data
    end = max(buffer.rfind(b"\n"), buffer.rfind(b"\r"))
    whole, tail = buffer[: end + 1], buffer[end + 1 :]
    if len(tail) > _LONGEST:
        tail = tail[tail.rfind(b"$") :] if b"$" in tail[-_LONGEST:] else b""
        tail = tail[:_LONGEST]
    counts = state.counts
    for line in whole.splitlines():
        if not line.strip():
            continue
        start = line.rfind(b"$")  # after a half sentence a whole one may follow in its line
        match = _SENTENCE.match(line[start:]) if start >= 0 else None
        if match is None:
            other = start >= 0 and re.match(rb"\$[A-Z]{3,}[^*]*\*", line[start:]) is not None
            counts = (
                replace(counts, other=counts.other + 1)
                if other
                else replace(counts, unreadable=counts.unreadable + 1)
            )
            continue
        body = line[start + 1 : start + match.end() - 3]
        check = 0
        for byte in body:
            check ^= byte
        if check != int(match[4], 16):
            counts = replace(counts, bad_checksum=counts.bad_checksum + 1)
            continue
        fields = match[3].decode("ascii", "replace").split(",")
        state = replace(state, counts=counts)
        state = _READERS[match[2]](state, fields, now)
        counts = state.counts
    return replace(state, tail=tail, counts=counts)


def lag(state: LiveState) -> float:
    """How much later than its like the last position came in [s]; 0 without one."""
    if state.fix is None or math.isnan(state.delay):
        return 0.0
    return max(0.0, _delay(state.fix) - state.delay)


def _delay(fix: LiveFix) -> float:
    return fix.received - fix.utc


def _gga(state: LiveState, fields: list[str], now: float) -> LiveState:
    counts = state.counts
    try:
        utc = _clock(fields[0])
        latitude = _degrees(fields[1], fields[2], "NS", 90.0)
        longitude = _degrees(fields[3], fields[4], "EW", 180.0)
        kind = Fix(int(fields[5]))
        height = _number(fields[8]) + _number(fields[10])
        age = _number(fields[12])
        satellites = int(fields[6]) if fields[6] else 0
    except (ValueError, IndexError):
        if len(fields) > 5 and fields[5] in ("0", ""):
            # the receiver says itself that it has none: what was before is no longer so
            lost = replace(counts, used=counts.used + 1)
            return replace(state, fix=None, steady_since=math.inf, counts=lost)
        return replace(state, counts=replace(counts, unreadable=counts.unreadable + 1))
    if kind is Fix.NONE:
        lost = replace(counts, used=counts.used + 1)
        return replace(state, fix=None, steady_since=math.inf, counts=lost)
    fix = LiveFix(now, utc, longitude, latitude, height, kind, satellites, age)
    before = state.fix
    delay, delay_before, fell_at = state.delay, state.delay_before, state.delay_fell_at
    if before is not None:
        step = (utc - before.utc + _DAY / 2) % _DAY - _DAY / 2
        if -_RESTART < step <= 0.0:
            return replace(state, counts=replace(counts, out_of_order=counts.out_of_order + 1))
        if step <= -_RESTART:
            delay, delay_before, fell_at = math.nan, math.nan, now
        else:
            midnight = _DAY if utc < before.utc else 0.0
            delay += _CREEP * step + midnight
            delay_before += midnight - _CREEP * step
    delay = _delay(fix) if math.isnan(delay) else min(delay, _delay(fix))
    delay_before = delay if math.isnan(delay_before) else max(delay, delay_before)
    if delay_before - delay > _CATCHING_UP:
        delay_before, fell_at = delay, now
    fix = _with_deviations(fix, state.deviations)
    steady_since = state.steady_since
    counts = replace(counts, used=counts.used + 1)
    if before is None or before.fix is not kind:
        steady_since = now
    elif _jumped(before, fix):
        steady_since = now
        counts = replace(counts, jumps=counts.jumps + 1)
    return replace(
        state,
        fix=fix,
        delay=delay,
        delay_before=delay_before,
        delay_fell_at=fell_at,
        steady_since=min(steady_since, now),
        counts=counts,
    )


def _jumped(before: LiveFix, fix: LiveFix) -> bool:
    """Whether a step is longer than anyone walks; in metres on a sphere, good to a percent."""
    metre = math.radians(1.0) * 6_371_000.0
    turn = (fix.longitude - before.longitude + 180.0) % 360.0 - 180.0
    east = turn * metre * math.cos(math.radians(fix.latitude))
    north = (fix.latitude - before.latitude) * metre
    elapsed = (fix.utc - before.utc) % _DAY
    spread = sum(3.0 * sd for sd in (fix.east_sd, fix.north_sd) if math.isfinite(sd) and sd < 10.0)
    return math.hypot(east, north) > _FASTEST * elapsed + _SLACK + spread


def _gst(state: LiveState, fields: list[str], now: float) -> LiveState:
    counts = state.counts
    try:
        # NMEA 0183: time, rms, ellipse (3), then latitude, longitude, altitude deviations
        found = (_clock(fields[0]), _number(fields[6]), _number(fields[5]), _number(fields[7]))
    except (ValueError, IndexError):
        return replace(state, counts=replace(counts, unreadable=counts.unreadable + 1))
    fix = state.fix
    if fix is not None:
        fix = _with_deviations(fix, found)
    counts = replace(counts, used=counts.used + 1)
    return replace(state, deviations=found, fix=fix, counts=counts)


def _with_deviations(fix: LiveFix, deviations: tuple[float, ...]) -> LiveFix:
    if not deviations or deviations[0] != fix.utc:
        return fix
    return replace(fix, east_sd=deviations[1], north_sd=deviations[2], up_sd=deviations[3])


def _rmc(state: LiveState, fields: list[str], now: float) -> LiveState:
    counts = state.counts
    try:
        speed, course = _number(fields[6]) * _KNOT, _number(fields[7])
    except (ValueError, IndexError):
        return replace(state, counts=replace(counts, unreadable=counts.unreadable + 1))
    counts = replace(counts, used=counts.used + 1)
    if speed >= _MOVING and 0.0 <= course <= 360.0:
        return replace(state, course=math.radians(course), course_at=now, counts=counts)
    return replace(state, counts=counts)


_READERS = {b"GGA": _gga, b"GST": _gst, b"RMC": _rmc}


def _number(text: str) -> float:
    """A number; NaN for an empty field."""
    if not text:
        return math.nan
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _clock(text: str) -> float:
    hours, minutes, seconds = int(text[:2]), int(text[2:4]), float(text[4:])
    if not (0 <= hours < 24 and 0 <= minutes < 60 and 0.0 <= seconds < 61.0):
        raise ValueError(text)
    return 3600.0 * hours + 60.0 * minutes + seconds


def _degrees(text: str, letter: str, letters: str, limit: float) -> float:
    point = text.index(".") if "." in text else len(text)
    whole, minutes = int(text[: point - 2]), float(text[point - 2 :])
    value = whole + minutes / 60.0
    if letter not in letters or not letter or whole < 0 or not 0.0 <= minutes < 60.0:
        raise ValueError(text)
    if value > limit:
        raise ValueError(text)
    return value if letter == letters[0] else -value
