"""The shots of lines, gathered in order, with the variances that count along and across."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import Assembly, Budget, Ground, Verdict

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

DOUBTFUL_INFLATION = 4.0
BATCH = 300_000
EVEN_REACH = 6
EVEN_FACTOR = 3.0


@dataclass(frozen=True, eq=False)
class Members:
    """Shots of all lines in order, in local coordinates, with their variances."""

    shot: Integers
    starts: Integers
    owner: Integers
    east: Floats
    north: Floats
    up: Floats
    left: Floats
    across: Floats
    vertical: Floats
    usable: Flags
    deep: Flags
    origin: Floats


def batches(starts: Integers) -> list[tuple[int, int]]:
    """Ranges of lines of about `BATCH` shots: few enough to stay in the processor's cache."""
    bounds = [0]
    lines = len(starts) - 1
    while bounds[-1] < lines:
        goal = int(starts[bounds[-1]]) + BATCH
        bounds.append(max(bounds[-1] + 1, int(np.searchsorted(starts, goal, side="right")) - 1))
    return list(itertools.pairwise(bounds))


def gather(
    shot: Integers,
    starts: Integers,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
) -> Members:
    owner = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    first = shot[starts[:-1]]
    origin = np.stack((ground.easting[first], ground.northing[first]))
    east = ground.easting[shot] - origin[0, owner]
    north = ground.northing[shot] - origin[1, owner]
    up = budget.centre_height[shot]
    covariance = budget.independent[shot]
    bearing = assembly.bearing[shot]
    known = np.isfinite(bearing)
    sine, cosine = np.sin(bearing), np.cos(bearing)
    ee, nn, en = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    across = np.where(
        known, cosine**2 * ee + sine**2 * nn - 2.0 * sine * cosine * en, 0.5 * (ee + nn)
    )
    vertical = covariance[:, 2, 2].copy()
    across, vertical = _evened(across, starts, owner), _evened(vertical, starts, owner)
    doubtful = verdict[shot] == Verdict.DOUBTFUL
    across[doubtful] *= DOUBTFUL_INFLATION
    vertical[doubtful] *= DOUBTFUL_INFLATION
    usable = (verdict[shot] != Verdict.UNFIT) & np.isfinite(across) & (across > 0)
    usable = _at_least_two(usable, starts, owner, across)
    deep = usable & np.isfinite(up) & np.isfinite(vertical) & (vertical > 0)
    level = _first_of(np.where(deep, up, np.nan), deep, starts)
    origin = np.vstack((origin, level))
    return Members(
        shot=shot,
        starts=starts,
        owner=owner,
        east=east,
        north=north,
        up=np.where(deep, up - level[owner], 0.0),
        left=np.stack((np.where(known, -cosine, 0.0), np.where(known, sine, 0.0))),
        across=np.where(np.isfinite(across) & (across > 0), across, 1.0),
        vertical=np.where(deep, vertical, 1.0),
        usable=usable,
        deep=deep,
        origin=origin,
    )


def _evened(variance: Floats, starts: Integers, owner: Integers) -> Floats:
    """Variances with those near their neighbours' usual one set to it.

    A shot that happens to read too deep is also given a larger variance, for the budget goes by
    the depth read. Weighted by its own variance it would count less, and the line would come out
    too shallow. Within a factor of `EVEN_FACTOR` of what is usual nearby the usual one is used;
    beyond it (a float solution, say) the difference is real and stays.
    """
    safe = np.where(np.isfinite(variance) & (variance > 0), variance, 1.0)
    place = np.arange(len(variance))
    low = np.maximum(place - EVEN_REACH, starts[owner])
    high = np.minimum(place + EVEN_REACH + 1, starts[owner + 1])

    def nearby(values: Floats) -> Floats:
        total = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray((total[high] - total[low]) / (high - low))

    rough = np.exp(nearby(np.log(safe)))
    usual = nearby(np.clip(safe, rough / EVEN_FACTOR, rough * EVEN_FACTOR))
    near = (safe < EVEN_FACTOR * usual) & (safe > usual / EVEN_FACTOR)
    return np.where(near & (safe == variance), usual, variance)


def _at_least_two(usable: Flags, starts: Integers, owner: Integers, across: Floats) -> Flags:
    """A line with fewer than two fit shots is still drawn, from all of them."""
    number = np.bincount(owner[usable], minlength=len(starts) - 1)
    return np.asarray(usable | ((number < 2)[owner] & np.isfinite(across) & (across > 0)))


def _first_of(values: Floats, good: Flags, starts: Integers) -> Floats:
    """(lines,) first good value of each line, NaN where there is none."""
    lines = len(starts) - 1
    result = np.full(lines, np.nan)
    place = np.flatnonzero(good)
    which = np.searchsorted(starts, place, side="right") - 1
    line, index = np.unique(which, return_index=True)
    result[line] = values[place[index]]
    return result


def spikes_of(members: Members) -> Flags:
    """Shots far off the straight between their neighbours on a stretch that is straight."""
    e, n, owner = members.east, members.north, members.owner
    count = len(e)
    flag = np.zeros(count, bool)
    if count < 5:
        return flag
    i = np.arange(2, count - 2)
    inner = owner[i - 2] == owner[i + 2]
    sd = np.sqrt(members.across)

    def off(a: Integers, b: Integers, c: Integers) -> Floats:
        ex, ey = e[c] - e[a], n[c] - n[a]
        return np.asarray(
            np.abs((e[b] - e[a]) * ey - (n[b] - n[a]) * ex) / np.maximum(np.hypot(ex, ey), 1e-6)
        )

    here = off(i - 1, i, i + 1)
    before = off(i - 2, i - 1, i + 1)
    after = off(i - 1, i + 1, i + 2)
    spread = sd[i] + np.maximum(sd[i - 1], sd[i + 1])
    flag[i] = inner & (here > 5.0 * spread) & (here > 4.0 * (before + after) + 2.0 * spread)
    return flag
