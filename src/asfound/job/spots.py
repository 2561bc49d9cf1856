"""Spots of a job that were measured more than once: which shot repeats which.

Three ways: stored return checks; points of one name in two uploads; and a line walked again, where
a shot of another upload stands close beside an earlier one along the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import Ground, Line, Repeat, ShotKey, Shots, Source, Verdict

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

BESIDE = 1.5
"""Along a line, shots this close are compared across it [m]: half a usual spacing."""
SAME_NAME = 10.0
"""Points of one name farther apart than this are two points [m]; a wrong frame is not this far."""
_APART = np.timedelta64(30, "m")
"""A repeat is another visit: at least this much later; common practice, no source."""


@dataclass(frozen=True, eq=False)
class Spots:
    """n repeated spots among the shots, and those of which a shot is missing.

    Parameters
    ----------
    couple : (n, 2) int64
        Earlier and later shot.
    bearing : (n,) float64
        Grid bearing of the line where it was sought again, NaN at marks [rad].
    names : tuple of str
    run : (n, 3) float64
        How far the line runs from the earlier to the later shot [m].
    stored : tuple of Repeat
        Stored return checks that are not two shots of the job.
    """

    couple: Integers
    bearing: Floats
    names: tuple[str, ...]
    run: Floats
    stored: tuple[Repeat, ...]


def repeated_spots(
    shots: Shots,
    sources: Sequence[Source],
    ground: Ground,
    lines: Sequence[Line],
    verdict: npt.NDArray[np.int8],
    stored: Sequence[Repeat],
    *,
    most: int,
) -> Spots:
    """Find the repeated spots of a job; unfit shots repeat nothing.

    Parameters
    ----------
    shots, sources, ground, lines, verdict
        Of the job.
    stored : sequence of Repeat
        Return checks.
    most : int
        Pairs at most; of more, so many spread evenly.
    """
    kept, rest = _stored_pairs(shots, sources, stored)
    taken = {shot for pair in kept for shot in pair}
    usable = (verdict != Verdict.UNFIT) & (shots.control.codes < 0) & np.isfinite(ground.easting)
    usable[list(taken)] = False
    marks = _named_pairs(shots, ground, usable)
    usable[marks.ravel()] = False
    marks = np.concatenate([np.array(kept, np.int64).reshape(-1, 2), marks])
    parts = [(marks, np.full(len(marks), np.nan), np.zeros((len(marks), 3)))]
    parts += [_line_pairs(line, shots, usable) for line in lines]
    couple, bearing, run = (np.concatenate([part[k] for part in parts]) for k in range(3))
    if len(couple) > most:
        rows = np.linspace(0, len(couple) - 1, most).astype(np.int64)
        couple, bearing, run = couple[rows], bearing[rows], run[rows]
    tags = [source.tag for source in sources]

    def name(shot: int) -> str:
        return f"{tags[shots.source[shot]]}-{shots.row[shot]}"

    names = tuple(f"{name(later)} on {name(earlier)}" for earlier, later in couple.tolist())
    return Spots(couple, bearing, names, run, rest)


def _stored_pairs(
    shots: Shots, sources: Sequence[Source], stored: Sequence[Repeat]
) -> tuple[list[tuple[int, int]], tuple[Repeat, ...]]:
    """Return checks that are two shots of the job, and the others."""
    pairs, rest = [], []
    for item in stored:
        found = [_shot_of(key, shots, sources) for key in (item.shot, item.measured)]
        if found[0] is not None and found[1] is not None and found[0] != found[1]:
            pairs.append((found[0], found[1]))
        else:
            rest.append(item)
    return pairs, tuple(rest)


def _shot_of(key: ShotKey | None, shots: Shots, sources: Sequence[Source]) -> int | None:
    if key is None:
        return None
    for index, source in enumerate(sources):
        if source.sha256 == key.upload:
            rows = np.flatnonzero((shots.source == index) & (shots.row == key.row))
            return int(rows[0]) if len(rows) else None
    return None


def _named_pairs(shots: Shots, ground: Ground, usable: npt.NDArray[np.bool_]) -> Integers:
    """(k, 2) marks: points of one name (with a letter in it) in two uploads."""
    lettered = np.array([any(c.isalpha() for c in name) for name in shots.name.names] + [False])
    rows = np.flatnonzero(usable & lettered[shots.name.codes])
    # by name, then time: a point's first measurement is what later ones repeat
    order = rows[np.lexsort((shots.time[rows], shots.name.codes[rows]))]
    code = shots.name.codes[order]
    first = order[np.searchsorted(code, code)]
    other = shots.source[order] != shots.source[first]
    earlier, later = first[other], order[other]
    if not len(later):
        return np.empty((0, 2), np.int64)
    away = np.hypot(
        ground.easting[later] - ground.easting[earlier],
        ground.northing[later] - ground.northing[earlier],
    )
    near = (away < SAME_NAME) & _later(shots, earlier, later)
    # Names that a receiver counts up are the same in every upload and mean nothing: two uploads
    # whose common names mostly lie far apart are not compared by name at all.
    couple = shots.source[earlier].astype(np.int64) * (int(shots.source.max()) + 1)
    couple += shots.source[later]
    _, group = np.unique(couple, return_inverse=True)
    share = np.bincount(group, near) / np.bincount(group)
    keep = near & (share[group] > 0.5)
    return np.column_stack([earlier[keep], later[keep]]).astype(np.int64)


def _later(shots: Shots, earlier: Integers, later: Integers) -> npt.NDArray[np.bool_]:
    """Whether the second of two shots is of another visit; unknown times don't speak against."""
    gap = shots.time[later] - shots.time[earlier]
    return np.asarray(np.isnat(gap) | (gap >= _APART))


def _line_pairs(
    line: Line, shots: Shots, usable: npt.NDArray[np.bool_]
) -> tuple[Integers, Floats, Floats]:
    """Pairs of shots of two uploads side by side on a line: pair, bearing, run of the line."""
    good = usable[line.shots] & np.isfinite(line.station)
    order = np.flatnonzero(good)[np.argsort(line.station[good], kind="stable")]
    row, station = line.shots[order], line.station[order]
    gap = np.diff(station)
    time = shots.time[row]
    swap = time[1:] < time[:-1]
    place = np.arange(max(len(row) - 1, 0))
    earlier, later = np.where(swap, place + 1, place), np.where(swap, place, place + 1)
    fits = (gap <= BESIDE) & (shots.source[row[1:]] != shots.source[row[:-1]])
    fits &= _later(shots, row[earlier], row[later])
    taken = np.zeros(len(row), bool)
    chosen = []
    for k in np.flatnonzero(fits)[np.argsort(gap[fits], kind="stable")].tolist():
        if not taken[k] and not taken[k + 1]:  # each shot bears witness once
            taken[k] = taken[k + 1] = True
            chosen.append(k)
    picked = np.sort(np.array(chosen, np.int64))
    before, after = earlier[picked], later[picked]
    axis = line.axis_station
    parts = (line.easting, line.northing, line.height)
    run = np.column_stack(
        [np.interp(station[after], axis, p) - np.interp(station[before], axis, p) for p in parts]
    )
    bearing = np.interp(station[before], axis, np.unwrap(line.bearing))
    return np.column_stack([row[before], row[after]]).astype(np.int64), bearing, run
