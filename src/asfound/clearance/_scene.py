"""One line near one dig, as standard normal numbers see it.

Everything uncertain is made of independent standard normal numbers u: the line's axis and a bore's
path are linear in them, the utility's radius is log-normal. An open dig strays as a whole, which
is the same as the line straying the other way. Where its depth counts from ground its bottom also
bends with the ground's error: that is the line bending the other way, to the square of the error's
slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.clearance._pieces import DISC, SLAB, TUBE, WEDGE, Pieces
from asfound.clearance._touch_kernels import least_distances, touching_stretches
from asfound.clearance.solids import Solid
from asfound.model import Bore

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Integers = npt.NDArray[np.int64]

SPACE, PLAN, SEPARATION = "distance", "zone", "separation"
BOTTOMLESS = -1e6


@dataclass(frozen=True, eq=False)
class Scene:
    """Geometry by u of q standard normal numbers; the last is the utility's radius.

    Parameters
    ----------
    node : (k, 3) float64
        Mean axis at the nodes [m].
    root : (k, 3, q) float64
        Axis = node + root u; the straying of an open dig taken off.
    real : (k - 1,) bool
        Whether a node and the next are joined by the line.
    pieces : Pieces
        Of the dig, near the line.
    path : (m, 3) float64
        Both ends of all tubes, two rows each, empty for other digs [m].
    path_root : (m, 3, q) float64
    radius : float
        Median radius of the utility [m].
    radius_spread : float
        Standard deviation of its natural logarithm.
    rounding : float
        Radius of the bore, 0 of other digs [m].
    """

    node: Floats
    root: Floats
    real: Flags
    pieces: Pieces
    path: Floats
    path_root: Floats
    radius: float
    radius_spread: float
    rounding: float

    @property
    def size(self) -> int:
        return int(self.root.shape[2])

    def radii(self, u: Floats) -> Floats:
        """(n,) radius of the utility in each draw [m]."""
        if self.radius_spread == 0.0:
            return np.full(len(u), self.radius)
        return np.asarray(self.radius * np.exp(self.radius_spread * u[:, -1]))


def make_scene(
    mean: Floats,
    covariance: Floats,
    real: Flags,
    solid: Solid,
    pieces: Pieces,
    radius: float,
    radius_spread: float,
) -> Scene:
    """The scene of a line's nodes, their joint covariance and a dig.

    Parameters
    ----------
    mean : (k, 3) float64
    covariance : (3k, 3k) float64
    real : (k - 1,) bool
    solid : Solid
    pieces : Pieces
        Those of the solid that count.
    radius, radius_spread : float
        Of the utility: median [m] and standard deviation of its logarithm.
    """
    count = len(mean)
    origin = np.round(mean.mean(axis=0))
    values, vectors = np.linalg.eigh(covariance)
    order = np.argsort(values)[::-1]
    values, vectors = values[order], vectors[:, order]
    keep = values > max(1e-12, 1e-9 * float(values[0]))
    own = (vectors[:, keep] * np.sqrt(values[keep])).reshape(count, 3, -1)
    tubes = pieces.kind == TUBE
    bored = isinstance(solid.dig, Bore)
    ends = pieces.station[tubes].ravel() if bored else solid.stations_of(mean)
    ground = solid.ground_root(ends)
    fixed = 4 if bored else 3
    strays = fixed + ground.shape[1]
    size = own.shape[2] + strays + 1
    root = np.zeros((count, 3, size))
    # the dig's straying comes first: quasi-random numbers are best in their first dimensions
    root[:, :, strays:-1] = own
    path = pieces.shape[tubes][:, :6].reshape(-1, 3) - origin
    path_root = np.zeros((len(path), 3, size))
    if isinstance(solid.dig, Bore):
        left, station = _along_path(solid, pieces.station[tubes].ravel())
        path_root[:, 0, 0] = left[:, 0] * solid.horizontal_sd
        path_root[:, 1, 0] = left[:, 1] * solid.horizontal_sd
        path_root[:, 0, 1] = left[:, 0] * solid.dig.horizontal_steering * station
        path_root[:, 1, 1] = left[:, 1] * solid.dig.horizontal_steering * station
        path_root[:, 2, 2] = solid.vertical_sd
        path_root[:, 2, 3] = solid.dig.vertical_steering * station
        path_root[:, 2, fixed:strays] = ground
    else:
        root[:, 0, 0] = root[:, 1, 1] = -solid.horizontal_sd
        root[:, 2, 2] = -solid.vertical_sd
        root[:, 2, fixed:strays] = -ground
    return Scene(
        mean - origin, root, real, pieces.less(origin), path, path_root,
        radius, radius_spread, float(pieces.rounding.max(initial=0.0)),
    )  # fmt: skip


def _along_path(solid: Solid, station: Floats) -> tuple[Floats, Floats]:
    """Left vectors and stations of the ends of tubes."""
    at = np.searchsorted(solid.path_station, station - 1e-9)
    at = np.clip(at, 0, len(solid.left) - 1)
    return solid.left[at], station


def core_distance(
    scene: Scene, u: Floats, how: str, horizontal: float = 0.0, vertical: float = 0.0
) -> Floats:
    """Distance of the line's axis from the dig's surface (of a bore: axis) in each draw.

    Parameters
    ----------
    scene : Scene
    u : (n, q) float64
    how : str
        `SPACE`, `PLAN` (height left out), or `SEPARATION`: the greater of the distance in plan
        beyond `horizontal` and that in height there beyond `vertical`.

    Returns
    -------
    (n,) float64
        [m].
    """
    nodes = _level(scene.node + _times(scene.root, u), how)
    ends = _level(scene.path + _times(scene.path_root, u), how)
    begin, finish = _segments(scene)
    least = np.empty(len(u))
    least_distances(
        nodes, ends.reshape(len(u), -1, 6), begin, finish, *_pieces(scene.pieces, how),
        how == SEPARATION, horizontal, vertical, least,
    )  # fmt: skip
    return least


def node_distances(
    scene: Scene, how: str, horizontal: float = 0.0, vertical: float = 0.0
) -> Floats:
    """(k,) the same for each mean node alone [m]."""
    nodes = _level(scene.node[:, None].copy(), how)
    ends = _level(scene.path.copy(), how)
    only = np.zeros(1, np.int64)
    least = np.empty(len(nodes))
    least_distances(
        nodes, ends.reshape(1, -1, 6), only, only, *_pieces(scene.pieces, how),
        how == SEPARATION, horizontal, vertical, least,
    )  # fmt: skip
    return least


def touching(
    scene: Scene, across: Floats, paths: Integers, directions: Floats, goals: Floats, how: str,
    horizontal: float = 0.0, vertical: float = 0.0,
) -> tuple[Floats, Floats, Integers]:  # fmt: skip
    """Where on straight paths through normal space the distance is within goals.

    Parameters
    ----------
    scene : Scene
    across : (n, q) float64
        A point of each path.
    paths : (n,) int64
        Which direction each path has; those of one direction follow each other.
    directions : (d, q) float64
        Unit vectors.
    goals : (n, e) float64
        From the greatest down [m].
    how, horizontal, vertical
        As for `core_distance`.

    Returns
    -------
    first, last : (n, e) float64
        From the point along the direction, from -`FAR` to `FAR`; NaN where nowhere. Between them
        the distance is taken to be within the goal throughout.
    looks : (n,) int64
        How often a segment and a piece were looked at.
    """
    nodes = _level(scene.node + _times(scene.root, across), how)
    ends = _level(scene.path + _times(scene.path_root, across), how)
    begin, finish = _segments(scene)
    first, last = np.empty(goals.shape), np.empty(goals.shape)
    looks = np.empty(len(across), np.int64)
    touching_stretches(
        nodes, ends.reshape(len(across), -1, 6), paths, _level(_times(scene.root, directions), how),
        _level(_times(scene.path_root, directions), how).reshape(len(directions), -1, 6),
        begin, finish, *_pieces(scene.pieces, how), how == SEPARATION, horizontal, vertical, goals,
        first, last, looks,
    )  # fmt: skip
    return first, last, looks


def _times(root: Floats, u: Floats) -> Floats:
    """(n, k, 3) what numbers move places by."""
    return np.asarray((u @ root.reshape(-1, u.shape[1]).T).reshape(len(u), -1, 3))


def _level(places: Floats, how: str) -> Floats:
    """The same array, heights set to zero where only the plan counts."""
    if how == PLAN:
        places[..., 2] = 0.0
    return places


def _segments(scene: Scene) -> tuple[Integers, Integers]:
    """Nodes at both ends of all segments; nodes joined to none are segments without length."""
    real = np.flatnonzero(scene.real) if len(scene.node) > 1 else np.empty(0, np.int64)
    alone = np.setdiff1d(np.arange(len(scene.node)), np.concatenate((real, real + 1)))
    return np.concatenate((real, alone)), np.concatenate((real + 1, alone))


def _pieces(pieces: Pieces, how: str) -> tuple[npt.NDArray[np.int8], Integers, Floats]:
    """Kinds, numbers of tubes and shapes; in plan all that is open reaches far down."""
    shape = np.ascontiguousarray(pieces.shape, np.float64)
    if how == PLAN:
        shape = shape.copy()
        for kind, columns in ((SLAB, [6]), (DISC, [3]), (WEDGE, [6])):
            shape[np.ix_(pieces.kind == kind, columns)] = BOTTOMLESS
        shape[pieces.kind == SLAB, 7] = 0.0
    return pieces.kind, np.cumsum(pieces.kind == TUBE) - 1, shape
