"""Shots put into lines, whatever order they were logged in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._alongside import embedded, merge_alongside
from asfound.alignment._bearings import local_directions, spikes, stations
from asfound.alignment._ends import join_ends
from asfound.alignment._log_runs import log_runs
from asfound.alignment._neighbours import neighbour_paths
from asfound.alignment._points import (
    Integers,
    Paths,
    Points,
    field_names,
    grouped_median,
    select_points,
)
from asfound.alignment._tails import shed_by_log, shed_tails, usual_step
from asfound.alignment._tees import find_tees
from asfound.model import Assembly, Ground, Shots, Utility

GAP_SPACINGS = 3.5
GAP_LEAST = 15.0
BESIDE_SINGLE = 0.6
BESIDE_LOG = 3.0
INITIALS = {
    Utility.UNKNOWN: "U",
    Utility.ELECTRIC: "E",
    Utility.GAS: "G",
    Utility.COMMUNICATION: "C",
    Utility.WATER: "W",
    Utility.RECLAIMED: "R",
    Utility.SEWER: "S",
}


def assemble(shots: Shots, ground: Ground) -> Assembly:
    """Order shots into lines.

    Shots of one utility, and of one line name where the field gave one, are joined by
    straightness and nearness; the order of the log helps where it is sound and is ignored where
    it is not. Lines end at tees, at gaps too long to bridge, and where nothing goes on; a
    doubtful gap that is bridged is recorded with the reason.

    Parameters
    ----------
    shots : Shots
    ground : Ground
        Of the same length.

    Returns
    -------
    Assembly
        Control checks, shots without a position, and shots that fit no line have line -1. Every
        line has at least two shots.
    """
    points = select_points(shots, ground)
    paths, miscoded = _all_paths(points)
    paths = paths.take(np.flatnonzero(paths.sizes >= 2))
    paths = _orient(paths)
    paths = paths.take(_numbering(points, paths))

    off = spikes(points, paths)
    tx, ty = local_directions(points, paths, off)
    return record_lines(shots, ground, points, paths, off, tx, ty, miscoded)


def _all_paths(points: Points) -> tuple[Paths, npt.NDArray[np.bool_]]:
    """Paths through all points: log first, geometry for the rest, then joins.

    With them, a mask of points coded as another utility than the line they were taken on.
    """
    paths, repeats = log_runs(points)
    single_reach = np.full(len(points), BESIDE_SINGLE) + 2.0 * np.minimum(points.scatter, 0.5)
    runs = np.flatnonzero(paths.sizes > 1)
    singles = paths.nodes[paths.starts[:-1][paths.sizes == 1]]
    if len(singles):
        spacing = _key_spacing(points, paths.take(runs))
        lone, close = neighbour_paths(points, np.sort(singles), spacing)
        repeats = np.concatenate((repeats, close))
        paths = Paths.join([paths.take(runs), lone])
    if len(repeats):
        extra = Paths.of_sizes(repeats, np.ones(len(repeats), np.int64))
        paths = Paths.join([paths, extra])
    miscoded = embedded(points, paths)
    alone = miscoded.copy()
    paths = merge_alongside(points, paths, single_reach, alone)
    paths = shed_tails(points, paths)
    paths = join_ends(points, paths, alone, (0, 1))
    paths = _take_in_small(points, paths, single_reach, alone)
    paths = join_ends(points, paths, alone, (2,))
    paths, shed = shed_by_log(points, paths)
    paths = _take_in_small(points, paths, _log_reach(points, paths, single_reach), alone)
    single = paths.nodes[paths.starts[:-1][paths.sizes == 1]]
    alone[np.intersect1d(shed, single)] = True
    return join_ends(points, paths, alone, (2, 3)), miscoded


def _take_in_small(
    points: Points,
    paths: Paths,
    reach: npt.NDArray[np.float64],
    alone: npt.NDArray[np.bool_],
) -> Paths:
    """Single points and pairs taken into the paths they lie on."""
    small = np.flatnonzero(paths.sizes <= 2)
    if len(small) == 0:
        return paths
    return merge_alongside(points, paths, reach, alone, small)


def _key_spacing(points: Points, runs: Paths) -> npt.NDArray[np.float64]:
    """(keys,) usual distance between shots in the runs of each key, NaN without runs."""
    keys = len(points.named)
    step = usual_step(points, runs)
    key = points.key[runs.nodes[runs.starts[:-1]]]
    order = np.argsort(key, kind="stable")
    return grouped_median(step[order], key[order].astype(np.int64), keys)


def _log_reach(
    points: Points, paths: Paths, plain: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """By point: single points logged between two of one path may lie farther off it."""
    owner = np.full(len(points), -1)
    owner[paths.nodes] = paths.owner()
    size = paths.sizes[owner]
    before, after = np.roll(owner, 1), np.roll(owner, -1)
    between = (before == after) & (size[np.roll(np.arange(len(owner)), 1)] > 1)
    between[:1] = between[-1:] = False
    reach = plain.copy()
    reach[between & (size == 1)] = BESIDE_LOG
    return reach


def _orient(paths: Paths) -> Paths:
    """Each path in the direction the log mostly walked it."""
    if len(paths) == 0:
        return paths
    owner = paths.owner()
    rank = np.arange(len(owner)) - paths.starts[owner]
    centred = rank - (paths.sizes[owner] - 1) / 2.0
    walk = np.bincount(owner, centred * paths.nodes, len(paths))
    first = paths.nodes[paths.starts[:-1]] > paths.nodes[paths.starts[1:] - 1]
    return _flip(paths, (walk < 0) | ((walk == 0) & first))


def _flip(paths: Paths, flip: npt.NDArray[np.bool_]) -> Paths:
    return Paths(paths.nodes[_flip_index(paths, flip)], paths.starts)


def _flip_index(paths: Paths, flip: npt.NDArray[np.bool_]) -> Integers:
    owner = paths.owner()
    index = np.arange(len(owner))
    mirrored = paths.starts[owner] + paths.starts[owner + 1] - 1 - index
    return np.where(flip[owner], mirrored, index)


def _flipped(
    paths: Paths,
    flip: npt.NDArray[np.bool_],
    tx: npt.NDArray[np.float64],
    ty: npt.NDArray[np.float64],
    off: npt.NDArray[np.bool_],
) -> tuple[Paths, npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    index = _flip_index(paths, flip)
    sign = np.where(flip[paths.owner()], -1.0, 1.0)
    turned = Paths(paths.nodes[index], paths.starts)
    return turned, tx[index] * sign, ty[index] * sign, off[index]


def _numbering(points: Points, paths: Paths) -> Integers:
    """Paths in the order their first shots came in."""
    if len(paths) == 0:
        return np.empty(0, np.int64)
    first = np.minimum.reduceat(points.shot[paths.nodes], paths.starts[:-1])
    return np.argsort(first, kind="stable")


def _origin(points: Points, ground: Ground) -> tuple[float, float]:
    if len(points) == 0:
        return 0.0, 0.0
    return (
        float(ground.easting[points.shot[0]] - points.x[0]),
        float(ground.northing[points.shot[0]] - points.y[0]),
    )


def record_lines(
    shots: Shots,
    ground: Ground,
    points: Points,
    paths: Paths,
    off: npt.NDArray[np.bool_],
    tx: npt.NDArray[np.float64],
    ty: npt.NDArray[np.float64],
    miscoded: npt.NDArray[np.bool_],
) -> Assembly:
    """The assembly of finished paths: tees found, branches turned to start at them."""
    utility = shots.utility[points.shot].astype(np.int64)
    tees: tuple[tuple[int, int, float, float], ...] = ()
    if len(paths):
        stray = miscoded[paths.nodes[paths.starts[:-1]]]
        branch, main, end, hit_x, hit_y = find_tees(points, paths, utility, tx, ty, stray)
        flip = np.zeros(len(paths), bool)
        flip[branch[end == 1]] = True
        flip[branch[end == 0]] = False
        paths, tx, ty, off = _flipped(paths, flip, tx, ty, off)
        east, north = _origin(points, ground)
        tees = tuple(
            (int(b), int(m), float(x + east), float(y + north))
            for b, m, x, y in zip(branch, main, hit_x, hit_y, strict=True)
        )
    return _record(shots, points, paths, off, tx, ty, tees, miscoded)


def _record(
    shots: Shots,
    points: Points,
    paths: Paths,
    off: npt.NDArray[np.bool_],
    tx: npt.NDArray[np.float64],
    ty: npt.NDArray[np.float64],
    tees: tuple[tuple[int, int, float, float], ...],
    miscoded: npt.NDArray[np.bool_],
) -> Assembly:
    total = len(shots)
    line = np.full(total, -1, np.int32)
    rank = np.full(total, -1, np.int32)
    station = np.full(total, np.nan)
    bearing = np.full(total, np.nan)
    member = points.shot[paths.nodes]
    owner = paths.owner()
    along = stations(points, paths, off)
    line[member] = owner
    rank[member] = np.arange(len(owner)) - paths.starts[owner]
    station[member] = along
    bearing[member] = np.mod(np.arctan2(tx, ty), 2.0 * np.pi)

    first = member[paths.starts[:-1]]
    utility = shots.utility[first].astype(np.int8)
    return Assembly(
        line=line,
        rank=rank,
        station=station,
        bearing=bearing,
        names=_names(shots, first, utility),
        utility=utility,
        hookup=_hookups(points, paths),
        gaps=_gaps(points, paths, along, miscoded),
        tees=tees,
    )


def _hookups(points: Points, paths: Paths) -> npt.NDArray[np.int32]:
    """(lines,) the one hook-up of each line, -1 for none or several."""
    if len(paths) == 0:
        return np.empty(0, np.int32)
    codes = points.hookup[paths.nodes]
    low = np.minimum.reduceat(codes, paths.starts[:-1])
    high = np.maximum.reduceat(codes, paths.starts[:-1])
    return np.where(low == high, low, -1).astype(np.int32)


def _names(shots: Shots, first: Integers, utility: npt.NDArray[np.int8]) -> tuple[str, ...]:
    codes, spelling = field_names(shots)
    taken = {name.casefold() for name in spelling}
    used: dict[str, int] = {}
    number = dict.fromkeys(INITIALS, 0)
    names = []
    for code, kind in zip(codes[first].tolist(), utility.tolist(), strict=True):
        if code >= 0:
            name = spelling[code]
            used[name] = used.get(name, 0) + 1
            if used[name] > 1:
                name = _free(name, used[name], taken)
        else:
            while True:
                number[Utility(kind)] += 1
                name = f"{INITIALS[Utility(kind)]}{number[Utility(kind)]}"
                if name.casefold() not in taken:
                    break
        taken.add(name.casefold())
        names.append(name)
    return tuple(names)


def _free(name: str, number: int, taken: set[str]) -> str:
    while f"{name}-{number}".casefold() in taken:
        number += 1
    return f"{name}-{number}"


def _gaps(
    points: Points,
    paths: Paths,
    along: npt.NDArray[np.float64],
    miscoded: npt.NDArray[np.bool_],
) -> tuple[tuple[int, int, str], ...]:
    """Stretches without shots, far longer than the line's usual spacing."""
    if len(paths) == 0:
        return ()
    owner = paths.owner()
    step = np.diff(along)
    inner = owner[1:] == owner[:-1]
    usual = np.nan_to_num(usual_step(points, paths), nan=5.0)
    limit = np.maximum(GAP_SPACINGS * usual, GAP_LEAST)[owner[1:]]
    wide = np.flatnonzero(inner & (step > limit))
    # in log order: how many miscoded points up to each place
    count = np.zeros(len(points) + 1, np.int64)
    count[1 + points.log] = miscoded
    count = np.cumsum(count)
    gaps = []
    for k in wide:
        path = int(owner[k])
        reason = (
            f"no shot over {step[k]:.1f} m, {step[k] / max(usual[path], 0.01):.0f} times the "
            f"usual spacing of {usual[path]:.1f} m; joined because both sides point at each other"
        )
        one, two = sorted(points.log[paths.nodes[k : k + 2]].tolist())
        between = int(count[two] - count[one + 1])
        if between and between == two - one - 1:
            reason += f"; the log has {between} shots coded as another utility in it"
        before, after = points.hookup[paths.nodes[k]], points.hookup[paths.nodes[k + 1]]
        if before >= 0 and after >= 0 and before != after:
            reason += "; the hook-up changes here"
        gaps.append((path, int(k - paths.starts[path]), reason))
    return tuple(gaps)
