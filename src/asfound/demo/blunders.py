"""What goes wrong, and where: seeded blunders, each with its cause in plain words.

The causes are those that the end-to-end tests look for in the findings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.demo.survey import UPLOADS
from asfound.demo.walk import Walk
from asfound.model import Utility

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

CAUSES = (
    "float",
    "tilt",
    "antenna-height",
    "distortion",
    "depth-typing",
    "position-typing",
    "utility-code",
    "wrong-frame",
)
SHUFFLED_UPLOAD = 2
"""The upload whose rows come in no order (index into `UPLOADS`)."""

_MARGIN = 4
_HAND_KEPT = (1, 3)
_TILT_MEASURED = (0, 2)


@dataclass(frozen=True, eq=False)
class Blunders:
    """Blunders of n shots.

    Parameters
    ----------
    cause : (n,) object
        One of `CAUSES`, or empty.
    floating : (n,) bool
        The solution was a float one.
    lean : (n,) float64
        How far the pole was tilted on top of the usual [rad].
    extra_height : (n,) float64
        Pole longer than recorded [m].
    neighbour_offset, neighbour_depth, neighbour_share : (n,) float64
        A strong neighbour: offset and depth [m], current as a share of the line's; share 0: none.
    depth_slip : (n,) object
        How the depth was mistyped: ``'x10'``, ``'/10'``, ``'feet'``, ``'metres'``, ``'swap'``.
    position_slip : (n,) bool
        A digit of latitude or longitude was mistyped.
    typed_utility : (n,) int64
        Code that was entered.
    """

    cause: npt.NDArray[np.object_]
    floating: Flags
    lean: Floats
    extra_height: Floats
    neighbour_offset: Floats
    neighbour_depth: Floats
    neighbour_share: Floats
    depth_slip: npt.NDArray[np.object_]
    position_slip: Flags
    typed_utility: npt.NDArray[np.int64]


def no_blunders(walk: Walk, utility: npt.NDArray[np.int64]) -> Blunders:
    """A walk on which nothing goes wrong but the frame that an upload's file is declared in."""
    count = len(walk)
    wrong = np.array([bool(upload.declared) for upload in walk.uploads])[walk.source]
    nothing, no = np.zeros(count), np.zeros(count, bool)
    return Blunders(
        cause=np.where(wrong, "wrong-frame", "").astype(object),
        floating=no,
        lean=nothing,
        extra_height=nothing,
        neighbour_offset=nothing,
        neighbour_depth=nothing + 1.0,
        neighbour_share=nothing,
        depth_slip=np.full(count, "", object),
        position_slip=no,
        typed_utility=utility.copy(),
    )


class _Places:
    """Free stretches of the walk, away from line ends and from one another."""

    def __init__(self, walk: Walk, rng: np.random.Generator) -> None:
        self.walk = walk
        self.rng = rng
        self.taken = walk.visit < 0

    def take(self, count: int, sources: tuple[int, ...], lines: tuple[int, ...] = ()) -> Flags:
        """A run of `count` shots in one visit, drawn from all that are free."""
        walk, rows = self.walk, np.arange(len(self.walk))
        starts = []
        for visit in range(len(walk.visits)):
            members = rows[walk.visit == visit]
            if walk.source[members[0]] not in sources:
                continue
            if lines and walk.line[members[0]] not in lines:
                continue
            for first in range(_MARGIN, len(members) - count - _MARGIN + 1):
                begin, end = members[first], members[first] + count
                if not self.taken[begin - _MARGIN : end + _MARGIN].any():
                    starts.append(begin)
        begin = int(self.rng.choice(np.array(starts)))
        picked = np.zeros(len(walk), bool)
        picked[begin : begin + count] = True
        self.taken |= picked
        return picked


_TYPED: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("x10", _HAND_KEPT),
    ("/10", _HAND_KEPT),
    ("metres", _HAND_KEPT),
    ("metres", _HAND_KEPT),
    ("feet", (2,)),
    ("x10", (2,)),
    ("swap", (2,)),
)


def draw_blunders(
    walk: Walk, utility: npt.NDArray[np.int64], depth: Floats, rng: np.random.Generator
) -> Blunders:
    """Place this job's blunders.

    Parameters
    ----------
    walk : Walk
    utility : (n,) int64
        True code of each shot, 0 for control checks.
    depth : (n,) float64
        True depth [m].
    """
    count = len(walk)
    everywhere = tuple(range(len(UPLOADS)))
    places = _Places(walk, rng)
    cause = np.full(count, "", object)

    extra_height = np.zeros(count)
    rows = places.take(_some(rng, 9, 16), everywhere)
    cause[rows] = "antenna-height"
    extra_height[rows] = rng.choice([-1, 1]) * rng.uniform(0.28, 0.5)

    neighbour = {key: np.zeros(count) for key in ("offset", "depth", "share")}
    neighbour["depth"] += 1.0
    rows = places.take(_some(rng, 9, 13), everywhere, _shallow(walk, depth))
    cause[rows] = "distortion"
    share = rng.choice([-1, 1]) * rng.uniform(0.4, 0.65)
    neighbour["offset"][rows] = rng.choice([-1, 1]) * rng.uniform(0.7, 1.0)
    neighbour["depth"][rows] = depth[rows].mean() * rng.uniform(0.85, 1.05)
    neighbour["share"][rows] = share

    floating = np.zeros(count, bool)
    floating |= places.take(_some(rng, 5, 8), (0,))
    floating |= places.take(_some(rng, 4, 7), _HAND_KEPT)
    cause[floating] = "float"

    lean = np.zeros(count)
    rows = places.take(_some(rng, 4, 8), _TILT_MEASURED)
    cause[rows] = "tilt"
    lean[rows] = np.radians(rng.uniform(14.0, 22.0, int(rows.sum())))

    depth_slip = np.full(count, "", object)
    for kind, typed_in in _TYPED:
        rows = places.take(1, typed_in)
        cause[rows], depth_slip[rows] = "depth-typing", kind

    position_slip = np.zeros(count, bool)
    for _ in range(4):
        position_slip |= places.take(1, _HAND_KEPT)
    cause[position_slip] = "position-typing"

    typed_utility = utility.copy()
    for number, sources in ((1, everywhere), (4, _HAND_KEPT)):
        rows = places.take(number, sources)
        cause[rows] = "utility-code"
        typed_utility[rows] = _another(int(utility[rows][0]), rng)

    return Blunders(
        cause,
        floating,
        lean,
        extra_height,
        neighbour["offset"],
        neighbour["depth"],
        neighbour["share"],
        depth_slip,
        position_slip,
        typed_utility,
    )


def _shallow(walk: Walk, depth: Floats) -> tuple[int, ...]:
    """Lines near enough to the surface for a neighbour at 0.8 m to matter at every shot."""
    lines = np.unique(walk.line[walk.line >= 0])
    return tuple(int(k) for k in lines if depth[walk.line == k].mean() < 1.3)


def _some(rng: np.random.Generator, least: int, most: int) -> int:
    return int(rng.integers(least, most + 1))


def _another(code: int, rng: np.random.Generator) -> int:
    known = [int(u) for u in Utility if u is not Utility.UNKNOWN and int(u) != code]
    return int(rng.choice(known))
