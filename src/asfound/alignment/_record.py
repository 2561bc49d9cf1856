"""The assembly of finished paths: columns by shot, names, gaps and branches."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from asfound.alignment._bearings import directions
from asfound.alignment._points import Floats, Integers, Paths, Points, field_names
from asfound.alignment._record_kernels import record_paths, turn_round
from asfound.alignment._tails import usual_step
from asfound.alignment._tees import find_tees
from asfound.model import Assembly, Ground, Shots, Utility

SPACING_ELSE = 5.0
INITIALS = {
    Utility.UNKNOWN: "U",
    Utility.ELECTRIC: "E",
    Utility.GAS: "G",
    Utility.COMMUNICATION: "C",
    Utility.WATER: "W",
    Utility.RECLAIMED: "R",
    Utility.SEWER: "S",
}


def record_lines(
    shots: Shots, ground: Ground, points: Points, paths: Paths, miscoded: npt.NDArray[np.bool_]
) -> Assembly:
    """The assembly of finished paths: tees found, branches turned to start at them.

    Parameters
    ----------
    shots, ground
    points : Points
        Of those.
    paths : Paths
        Of two points and more each.
    miscoded : (p,) bool
        By point: coded as another utility than the line it was taken on.
    """
    off, tx, ty = directions(points, paths)
    usual = np.nan_to_num(usual_step(points, paths), nan=SPACING_ELSE)
    tees: tuple[tuple[int, int, float, float], ...] = ()
    if len(paths):
        utility = shots.utility[points.shot[paths.nodes[paths.starts[:-1]]]]
        stray = miscoded[paths.nodes[paths.starts[:-1]]]
        branch, main, end, hit_x, hit_y = find_tees(points, paths, utility, usual, tx, ty, stray)
        turned = np.zeros(len(paths), bool)
        turned[branch[end == 1]] = True
        turned[branch[end == 0]] = False
        if turned.any():
            paths = Paths(paths.nodes.copy(), paths.starts)
            turn_round(paths.starts, turned, paths.nodes, off, tx, ty)
            usual[turned] = usual_step(points, paths.take(np.flatnonzero(turned)))
        east, north = _origin(points, ground)
        tees = tuple(
            zip(
                branch.tolist(),
                main.tolist(),
                (hit_x + east).tolist(),
                (hit_y + north).tolist(),
                strict=True,
            )
        )

    total = len(shots)
    line, rank = np.empty(total, np.int32), np.empty(total, np.int32)
    station, bearing = np.empty(total), np.empty(total)
    hookup = np.empty(len(paths), np.int32)
    wide = np.empty(len(paths.nodes), np.int64)
    gaps = record_paths(
        points.x, points.y, points.hookup, points.shot, paths.nodes, paths.starts, off, tx, ty,
        usual, line, rank, station, bearing, hookup, wide,
    )  # fmt: skip
    first = points.shot[paths.nodes[paths.starts[:-1]]]
    kind = shots.utility[first].astype(np.int8)
    return Assembly(
        line=line,
        rank=rank,
        station=station,
        bearing=bearing,
        names=_names(shots, first, kind),
        utility=kind,
        hookup=hookup,
        gaps=_gaps(points, paths, wide[:gaps], station, usual, miscoded),
        tees=tees,
    )


def _origin(points: Points, ground: Ground) -> tuple[float, float]:
    return (
        float(ground.easting[points.shot[0]] - points.x[0]),
        float(ground.northing[points.shot[0]] - points.y[0]),
    )


def _names(shots: Shots, first: Integers, utility: npt.NDArray[np.int8]) -> tuple[str, ...]:
    """The field's names where given, else the utility's initial and a number."""
    number_of, spelling = field_names(shots)
    codes = number_of[shots.line.codes[first]]
    taken = {name.casefold() for name in spelling}
    used: dict[str, int] = {}
    numbered = {int(kind): _numbered(letter, taken) for kind, letter in INITIALS.items()}
    names = []
    for code, kind in zip(codes.tolist(), utility.tolist(), strict=True):
        if code < 0:
            names.append(next(numbered[kind]))
            continue
        name = spelling[code]
        used[name] = used.get(name, 0) + 1
        if used[name] > 1:
            name = _free(name, used[name], taken)
            taken.add(name.casefold())
        names.append(name)
    return tuple(names)


def _numbered(letter: str, taken: set[str]) -> Iterator[str]:
    """Names of lines that the field gave none, as long as the field did not use them itself."""
    for number in itertools.count(1):
        name = f"{letter}{number}"
        if name.casefold() not in taken:
            yield name


def _free(name: str, number: int, taken: set[str]) -> str:
    while f"{name}-{number}".casefold() in taken:
        number += 1
    return f"{name}-{number}"


def _gaps(
    points: Points,
    paths: Paths,
    wide: Integers,
    station: Floats,
    usual: Floats,
    miscoded: npt.NDArray[np.bool_],
) -> tuple[tuple[int, int, str], ...]:
    """Stretches without shots, far longer than the line's usual spacing, with what they may be.

    Parameters
    ----------
    points, paths
    wide : (gaps,) int64
        Node positions before them.
    station : (n,) float64
        By shot [m].
    usual : (paths,) float64
        Spacing [m].
    miscoded : (p,) bool
        By point.
    """
    strange = np.sort(points.log[miscoded])
    owner = np.searchsorted(paths.starts, wide, side="right") - 1
    gaps = []
    for k, path in zip(wide.tolist(), owner.tolist(), strict=True):
        before, after = paths.nodes[k], paths.nodes[k + 1]
        step = station[points.shot[after]] - station[points.shot[before]]
        reason = (
            f"no shot over {step:.1f} m, {step / max(usual[path], 0.01):.0f} times the "
            f"usual spacing of {usual[path]:.1f} m; joined because both sides point at each other"
        )
        one, two = sorted((points.log[before], points.log[after]))
        between = int(np.searchsorted(strange, two) - np.searchsorted(strange, one, side="right"))
        if between and between == two - one - 1:
            reason += f"; the log has {between} shots coded as another utility in it"
        hookups = points.hookup[before], points.hookup[after]
        if min(hookups) >= 0 and hookups[0] != hookups[1]:
            reason += "; the hook-up changes here"
        gaps.append((path, k - int(paths.starts[path]), reason))
    return tuple(gaps)
