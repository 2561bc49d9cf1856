"""Dates and times from cells to UTC."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from asfound.errors import SettingsError
from asfound.intake.numbers import MISSING, as_text, read_numbers

Times = npt.NDArray[np.datetime64]
Flags = npt.NDArray[np.bool_]

TIME_FORMS = ("iso", "ymd", "dmy", "mdy", "unix", "unix-ms")

_NAT = np.datetime64("NaT", "us")
_MONTHS = {
    name: month
    for month, names in enumerate(
        (
            "jan januar january janvier enero ene",
            "feb februar february fevrier febrero fev",
            "mar marz march mars marzo mrz",
            "apr april avril abril avr abr",
            "may mai mayo",
            "jun juni june juin junio",
            "jul juli july juillet julio",
            "aug august aout agosto ago",
            "sep sept september septembre septiembre",
            "oct okt oktober october octobre octubre",
            "nov november novembre noviembre",
            "dec dez dezember december decembre diciembre dic",
        ),
        1,
    )
    for name in names.split()
}
_DATE = (
    r"(?P<a>\d{1,4})\s*[-/.\x{2013} ]\s*(?P<b>\d{1,2}|[A-Za-zÀ-ÿ]{3,12}\.?)"
    r"\s*[-/., \x{2013}]\s*(?P<c>\d{1,4})"
)
_PACKED_DATE = r"(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})"
_TIME = (
    r"(?P<H>\d{1,2})\s*[:.h]\s*(?P<M>\d{2})(?:\s*[:.m]\s*(?P<S>\d{1,2})(?:[.,](?P<f>\d{1,9}))?)?\s*s?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?"
)
_PACKED_TIME = r"(?P<H>\d{2})(?P<M>\d{2})(?:(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?)?(?P<p>)"
_ZONE = r"\s*(?P<z>[Zz]|UTC|GMT|[-+\x{2212}]\d{2}:?\d{2}|[-+\x{2212}]\d{2})?"


def _patterns() -> tuple[str, ...]:
    both = []
    for date in (_DATE, _PACKED_DATE):
        for time in (_TIME, _PACKED_TIME):
            both.append(rf"^{date}(?:\s*[Tt,]\s*|\s+){time}{_ZONE}$")
        both.append(rf"^{date}(?P<H>)(?P<M>)(?P<S>)(?P<f>)(?P<p>)(?P<z>)$")
    return tuple(both)


_DATE_TIME = _patterns()

# GPS minus UTC since each leap second. Source: IERS Bulletin C; constant since 2017.
_GPS_STEPS = (
    ("1980-01-06", 0), ("1981-07-01", 1), ("1982-07-01", 2), ("1983-07-01", 3),
    ("1985-07-01", 4), ("1988-01-01", 5), ("1990-01-01", 6), ("1991-01-01", 7),
    ("1992-07-01", 8), ("1993-07-01", 9), ("1994-07-01", 10), ("1996-01-01", 11),
    ("1997-07-01", 12), ("1999-01-01", 13), ("2006-01-01", 14), ("2009-01-01", 15),
    ("2012-07-01", 16), ("2015-07-01", 17), ("2017-01-01", 18),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Moments:
    """UTC times of n rows.

    Parameters
    ----------
    time : (n,) datetime64[us]
    missing, bad : (n,) bool
    doubtful : (n,) bool
        Local times that the clock showed twice, or never, when it was put back or forward.
    text : Arrow array
    """

    time: Times
    missing: Flags
    bad: Flags
    doubtful: Flags
    text: pa.Array


def check_zone(zone: str, *, where: str = "") -> None:
    """Whether a time zone is known.

    Raises
    ------
    SettingsError
        If it is not.
    """
    if zone in ("", "UTC", "GPS") or _fixed_offset(zone) is not None:
        return
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingsError(
            f"'{zone}' is not a time zone.",
            where=where,
            remedy="Use UTC, GPS, an offset such as -06:00, or a name such as America/Chicago.",
        ) from error


def _fixed_offset(zone: str) -> int | None:
    match = re.fullmatch(r"(?:UTC|GMT)?\s*([-+\u2212])(\d{1,2})(?::?(\d{2}))?", zone)
    if match is None:
        return None
    minutes = int(match[2]) * 60 + int(match[3] or 0)
    return -minutes if match[1] != "+" else minutes


def read_times(
    time: pa.Array, date: pa.Array | None, form: str, zone: str, decimal: str
) -> Moments:
    """UTC of cells.

    Parameters
    ----------
    time : Arrow array
        Date and time together, or the time of day where `date` is given.
    date : Arrow array or None
    form : str
        One of `TIME_FORMS`: the order of day, month and year.
    zone : str
        Of times without their own; empty is UTC.
    decimal : str
    """
    if form in ("unix", "unix-ms"):
        return _unix(time, form, decimal)
    if pa.types.is_timestamp(time.type) or pa.types.is_date(time.type):
        return _typed(time, zone)
    text = as_text(time)
    if date is not None:
        days = as_text(date)
        text = pc.binary_join_element_wise(days, text, " ")
    words = pc.utf8_lower(text)
    absent = np.asarray(pc.or_(pc.is_null(text), pc.is_in(words, pa.array(sorted(MISSING)))), bool)
    fast = _iso(text, absent) if date is None and form in ("", "iso", "ymd") else None
    if fast is not None:
        local, zoned = fast
        bad = np.zeros(len(text), bool)
    else:
        local, offset, bad = _by_pattern(text, absent, form)
        zoned = ~np.isnat(offset)
        local = np.where(zoned, local - offset, local)
    utc, doubtful = _to_utc(local, zone)
    utc = np.where(zoned, local, utc)
    return Moments(utc, absent, bad, doubtful & ~zoned, text)


def _unix(cells: pa.Array, form: str, decimal: str) -> Moments:
    values = read_numbers(cells, "duration", "s" if form == "unix" else "ms", decimal)
    usable = np.abs(np.nan_to_num(values.number, nan=np.inf)) < 1e11
    micro = np.round(np.where(usable, values.number, 0.0) * 1e6).astype(np.int64)
    utc = np.where(usable, micro.astype("datetime64[us]"), _NAT)
    bad = values.bad | (~usable & ~values.missing)
    return Moments(utc, values.missing, bad, np.zeros(len(utc), bool), values.text)


def _typed(cells: pa.Array, zone: str) -> Moments:
    """Times that a GIS file keeps as such."""
    has_zone = pa.types.is_timestamp(cells.type) and cells.type.tz is not None
    plain = cells.cast(pa.timestamp("us", cells.type.tz if has_zone else None), safe=False)
    local = np.asarray(plain.to_numpy(zero_copy_only=False), "datetime64[us]")
    missing = np.isnat(local)
    utc, doubtful = (local, np.zeros(len(local), bool)) if has_zone else _to_utc(local, zone)
    return Moments(utc, missing, np.zeros(len(local), bool), doubtful, plain)


def _iso(text: pa.Array, absent: Flags) -> tuple[Times, Flags] | None:
    """ISO 8601 times, all with a zone or all without; None where a closer look is needed."""
    present = pc.if_else(pa.array(absent), pa.scalar(None, pa.string()), text)
    for zone in ("UTC", None):
        try:
            cast = present.cast(pa.timestamp("us", zone))
        except pa.ArrowInvalid:
            continue
        values = np.asarray(cast.to_numpy(zero_copy_only=False), "datetime64[us]")
        return values, np.full(len(values), zone is not None)
    return None


def _by_pattern(
    text: pa.Array, absent: Flags, form: str
) -> tuple[Times, npt.NDArray[np.timedelta64], Flags]:
    count = len(text)
    local = np.full(count, _NAT)
    offset = np.full(count, np.timedelta64("NaT", "us"))
    rest = np.flatnonzero(~absent)
    for pattern in _DATE_TIME:
        if not len(rest):
            break
        parts = pc.extract_regex(text.take(pa.array(rest)), pattern)
        matched = np.asarray(pc.is_valid(parts))
        if matched.any():
            where = rest[matched]
            found = parts.filter(pa.array(matched))
            local[where], offset[where] = _assemble(found, form)
            rest = rest[~matched]
    bad = ~absent & np.isnat(local)
    return local, offset, bad


def _assemble(parts: pa.StructArray, form: str) -> tuple[Times, npt.NDArray[np.timedelta64]]:
    """Local times and zone offsets (NaT for none) of matched parts; NaT where no date."""
    a, b, c = (_part(parts, name) for name in "abc")
    texts_a, texts_c = (_words(parts, name) for name in "ac")
    named = np.asarray(pc.match_substring_regex(_raw(parts, "b"), "^[A-Za-zÀ-ÿ]"), bool)
    first_is_year = np.char.str_len(texts_a) >= 3
    order = {"mdy": (c, a, b), "dmy": (c, b, a)}.get(form, (a, b, c))
    year, month, day = (
        np.where(first_is_year, x, y) for x, y in zip((a, b, c), order, strict=True)
    )
    if form in ("", "iso", "ymd"):
        # 17.11.2026: the year stands last, and with dots the day stands first.
        last_is_year = ~first_is_year & (np.char.str_len(texts_c) >= 3)
        year, day = np.where(last_is_year, c, year), np.where(last_is_year, a, day)
        month = np.where(last_is_year, b, month)
    if named.any():
        names = np.char.lower(np.char.rstrip(_words(parts, "b"), "."))
        months = np.array([_month(name) for name in names[named].tolist()], float)
        month[named] = months
        year[named] = np.where(first_is_year, a, c)[named]
        day[named] = np.where(first_is_year, c, a)[named]
    short = np.char.str_len(np.where(first_is_year, texts_a, texts_c)) <= 2
    year = np.where(short & (year < 100), np.where(year < 80, 2000 + year, 1900 + year), year)
    hour, minute, second = (np.nan_to_num(_part(parts, name)) for name in "HMS")
    afternoon = np.char.lower(_words(parts, "p"))
    noon = np.char.startswith(afternoon, "p")
    twelve = (afternoon != "") & (hour == 12)
    half = (afternoon != "") & (hour > 12)
    hour = np.where(twelve, 0, hour) + np.where(noon, 12, 0)
    fraction = np.char.ljust(_words(parts, "f"), 6, "0")
    micro = np.array([int(f[:6]) for f in fraction.tolist()], np.int64)
    valid = (
        (month >= 1) & (month <= 12) & (day >= 1) & (hour < 24) & (minute < 60) & (second < 61)
    )  # fmt: skip
    valid &= (year >= 1900) & (year <= 2200) & ~half
    months = (np.where(valid, year, 1970) - 1970) * 12 + np.where(valid, month, 1) - 1
    start = months.astype(np.int64).astype("datetime64[M]")
    days = start.astype("datetime64[D]") + (np.where(valid, day, 1) - 1).astype(np.int64)
    valid &= days.astype("datetime64[M]") == start
    seconds = (hour * 3600 + minute * 60 + second).astype(np.int64)
    stamp = days.astype("datetime64[us]") + seconds * np.timedelta64(1_000_000, "us") + micro
    return np.where(valid, stamp, _NAT), _zone_offsets(_words(parts, "z"))


def _month(name: str) -> float:
    import unicodedata

    plain = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    return float(_MONTHS.get(plain, np.nan))


def _raw(parts: pa.StructArray, name: str) -> pa.Array:
    return pc.fill_null(pc.struct_field(parts, name), "")


def _words(parts: pa.StructArray, name: str) -> npt.NDArray[np.str_]:
    return np.asarray(_raw(parts, name).to_numpy(zero_copy_only=False), np.str_)


def _part(parts: pa.StructArray, name: str) -> npt.NDArray[np.float64]:
    text = _raw(parts, name)
    digits = np.asarray(pc.match_substring_regex(text, r"^\d+$"), bool)
    text = pc.if_else(pa.array(digits), text, pa.scalar(None, pa.string()))
    return np.asarray(text.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64)


def _zone_offsets(words: npt.NDArray[np.str_]) -> npt.NDArray[np.timedelta64]:
    names, codes = np.unique(words, return_inverse=True)
    offsets: list[np.timedelta64] = []
    for name in names.tolist():
        if not name:
            offsets.append(np.timedelta64("NaT", "us"))
            continue
        minutes = 0 if name.upper() in ("Z", "UTC", "GMT") else _fixed_offset(name)
        offsets.append(np.timedelta64((minutes or 0) * 60_000_000, "us"))
    return np.array(offsets, "timedelta64[us]")[codes]


def _to_utc(local: Times, zone: str) -> tuple[Times, Flags]:
    """UTC of local times, and which the clock showed twice or never."""
    none = np.zeros(len(local), bool)
    if zone in ("", "UTC"):
        return local, none
    if zone == "GPS":
        steps = np.array([step for step, _ in _GPS_STEPS], "datetime64[us]")
        seconds = np.array([s for _, s in _GPS_STEPS], "timedelta64[s]").astype("timedelta64[us]")
        place = np.maximum(np.searchsorted(steps + seconds, local, side="right") - 1, 0)
        return local - seconds[place], none
    fixed = _fixed_offset(zone)
    if fixed is not None:
        return local - np.timedelta64(fixed * 60_000_000, "us"), none
    known = ~np.isnat(local)
    if not known.any():
        return local, none
    changes, offsets = _zone_changes(zone, local[known].min(), local[known].max())
    # Local reading of the clock at each change, with the offset before and after it.
    before, after = changes + offsets[:-1], changes + offsets[1:]
    place = np.searchsorted(np.maximum(before, after), local, side="right")
    utc = local - offsets[np.minimum(place, len(offsets) - 1)]
    if len(changes):
        low, high = np.minimum(before, after), np.maximum(before, after)
        near = np.clip(np.searchsorted(high, local, side="right"), 0, len(changes) - 1)
        return utc, known & (local >= low[near]) & (local < high[near])
    return utc, none


def _zone_changes(
    zone: str, first: np.datetime64, last: np.datetime64
) -> tuple[Times, npt.NDArray[np.timedelta64]]:
    """Instants (UTC) between two times at which the zone's offset changes; offsets around them."""
    info = ZoneInfo(zone)

    def offset(at: np.datetime64) -> int:
        seconds = int(at.astype("datetime64[s]").astype(np.int64))
        delta = datetime.fromtimestamp(seconds, UTC).astimezone(info).utcoffset()
        return int(delta.total_seconds()) if delta is not None else 0

    day = np.timedelta64(1, "D")
    span = np.arange(
        first.astype("datetime64[D]") - 2 * day, last.astype("datetime64[D]") + 3 * day, 28 * day
    )
    span = np.append(span, last.astype("datetime64[D]") + 3 * day)
    changes, offsets = [], [offset(span[0])]
    for start, end in itertools.pairwise(span):
        low, high = (int(x.astype("datetime64[s]").astype(np.int64)) for x in (start, end))
        while offset(np.datetime64(low, "s")) != offset(np.datetime64(high, "s")):
            left, right = low, high
            while right - left > 1:
                middle = (left + right) // 2
                same = offset(np.datetime64(middle, "s")) == offset(np.datetime64(left, "s"))
                left, right = (middle, right) if same else (left, middle)
            changes.append(np.datetime64(right, "s"))
            offsets.append(offset(np.datetime64(right, "s")))
            low = right
    return (
        np.array(changes, "datetime64[us]"),
        np.array([o * 1_000_000 for o in offsets], "timedelta64[us]"),
    )
